package diagnose

import (
	"encoding/binary"
	"fmt"
	"math/bits"

	"diastole/detect/baseline"
)

// stored is a stretch without its deviations, which follow it for the coordinates that it has.
type stored struct {
	From, To    int64
	Strokes     float64
	Run, Seen   float32
	Epochs, Has uint32
}

// GobEncode packs a course: it is most of what a quiet pump's state holds, and gob takes half as much again.
func (c Course) GobEncode() ([]byte, error) {
	var out []byte
	for i := range c.Stretches {
		s := &c.Stretches[i]
		var err error
		if out, err = binary.Append(out, binary.LittleEndian, stored{s.From, s.To, s.Strokes, s.Run, s.Seen, s.Epochs, s.Has}); err != nil {
			return nil, fmt.Errorf("store the course: %w", err)
		}
		for j := range baseline.Dim {
			if s.Has>>j&1 == 1 {
				if out, err = binary.Append(out, binary.LittleEndian, s.Dev[j]); err != nil {
					return nil, fmt.Errorf("store the course: %w", err)
				}
			}
		}
	}
	return out, nil
}

// GobDecode reads what GobEncode packed.
func (c *Course) GobDecode(data []byte) error {
	*c = Course{}
	for len(data) > 0 {
		var h stored
		n, err := binary.Decode(data, binary.LittleEndian, &h)
		if err != nil {
			return fmt.Errorf("read the course: %w", err)
		}
		data = data[n:]
		if h.Has>>baseline.Dim != 0 || len(data) < 4*bits.OnesCount32(h.Has) || len(c.Stretches) > longest {
			return fmt.Errorf("read the course: stretch %d is damaged", len(c.Stretches))
		}
		s := Stretch{From: h.From, To: h.To, Strokes: h.Strokes, Run: h.Run, Seen: h.Seen, Epochs: h.Epochs, Has: h.Has}
		for j := range baseline.Dim {
			if s.Has>>j&1 == 1 {
				if n, err = binary.Decode(data, binary.LittleEndian, &s.Dev[j]); err != nil {
					return fmt.Errorf("read the course: %w", err)
				}
				data = data[n:]
			}
		}
		c.Stretches = append(c.Stretches, s)
	}
	return nil
}
