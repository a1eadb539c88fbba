package chart

import (
	"bytes"
	"encoding/gob"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestTrackSurvivesStorage: a track comes back to the last bit, for it is kept as it is stored.
func TestTrackSurvivesStorage(t *testing.T) {
	begun := Track{Score: 3.25, Since: time.Date(2026, 3, 1, 2, 3, 4, 5, time.UTC), Epochs: 7}
	for j := range dim {
		begun.Filter.X[j], begun.Filter.P[j] = -0.1*float64(j), 1e-7*float64(j+1)
	}
	begun.Filter.Swapped = true
	begun.Filter.shorten()
	for _, want := range []Track{{}, begun} {
		var buf bytes.Buffer
		if err := gob.NewEncoder(&buf).Encode(&want); err != nil {
			t.Fatal(err)
		}
		var got Track
		if err := gob.NewDecoder(&buf).Decode(&got); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	}
	if err := new(Track).GobDecode(make([]byte, trackSize-1)); err == nil {
		t.Error("a track that is cut off is read")
	}
}
