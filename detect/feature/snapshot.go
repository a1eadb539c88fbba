package feature

import (
	"bytes"
	"encoding/gob"
	"errors"
	"fmt"

	"diastole/detect/stroke"
)

// snapshotVersion changes whenever state does: an older snapshot is then refused, not misread.
const snapshotVersion = 4

// snapshot is what a snapshot holds: the memory, and what was finished but not yet taken.
type snapshot struct {
	Version     int
	State       state
	Decoder     stroke.State
	Epochs      []Epoch
	Transitions []Transition
}

// ErrSnapshot is the error of a snapshot that this version of the program cannot read. The
// Builder then starts without a past, at the cost of the epoch that was under way.
var ErrSnapshot = errors.New("snapshot of the feature builder cannot be read")

// Snapshot returns all that the Builder remembers. A Builder restored from it goes on bit for bit as this one does.
func (b *Builder) Snapshot() ([]byte, error) {
	var out bytes.Buffer
	err := gob.NewEncoder(&out).Encode(snapshot{snapshotVersion, b.st, b.decoder.State, b.epochs, b.transitions})
	if err != nil {
		return nil, fmt.Errorf("writing a snapshot of the feature builder: %w", err)
	}
	return out.Bytes(), nil
}

// Restore returns a Builder that goes on where the one that made the snapshot was; s must be its
// settings. The error wraps ErrSnapshot where the data is not a snapshot of this version.
func Restore(s Settings, data []byte) (*Builder, error) {
	var in snapshot
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&in); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrSnapshot, err)
	}
	if in.Version != snapshotVersion {
		return nil, fmt.Errorf("%w: it has version %d, this program reads version %d", ErrSnapshot, in.Version, snapshotVersion)
	}
	b := NewBuilder(s)
	b.st, b.decoder.State, b.epochs, b.transitions = in.State, in.Decoder, in.Epochs, in.Transitions
	return b, nil
}
