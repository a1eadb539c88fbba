package chart

import (
	"encoding/binary"
	"errors"
	"math"
	"time"
)

// A track is stored with its filter in single precision, in trackSize bytes, or in none where it has not begun: there are
// hundreds of them to a pump.
const trackSize = 2*dim*4 + 1 + 8 + 8 + 8

// shorten cuts the numbers to the digits that are stored, so that a restored track goes on exactly as the one that was not.
func (f *Filter) shorten() {
	for j := range dim {
		f.X[j], f.P[j] = float64(float32(f.X[j])), float64(float32(f.P[j]))
	}
}

// GobEncode stores the track. The filter of an effect knows no bias.
func (tr Track) GobEncode() ([]byte, error) {
	if tr.Epochs == 0 {
		return nil, nil
	}
	le := binary.LittleEndian
	out := make([]byte, 0, trackSize)
	for j := range dim {
		out = le.AppendUint32(out, math.Float32bits(float32(tr.Filter.X[j])))
		out = le.AppendUint32(out, math.Float32bits(float32(tr.Filter.P[j])))
	}
	swapped := byte(0)
	if tr.Filter.Swapped {
		swapped = 1
	}
	out = append(out, swapped)
	out = le.AppendUint64(out, math.Float64bits(tr.Score))
	out = le.AppendUint64(out, uint64(tr.Since.UnixNano()))
	return le.AppendUint64(out, uint64(tr.Epochs)), nil
}

// GobDecode reads what GobEncode stored.
func (tr *Track) GobDecode(data []byte) error {
	*tr = Track{}
	if len(data) == 0 {
		return nil
	}
	if len(data) != trackSize {
		return errors.New("a stored track is cut off, or of another number of features")
	}
	le := binary.LittleEndian
	for j := range dim {
		tr.Filter.X[j] = float64(math.Float32frombits(le.Uint32(data[8*j:])))
		tr.Filter.P[j] = float64(math.Float32frombits(le.Uint32(data[8*j+4:])))
	}
	data = data[8*dim:]
	tr.Filter.Swapped = data[0] == 1
	tr.Score = math.Float64frombits(le.Uint64(data[1:]))
	tr.Since = time.Unix(0, int64(le.Uint64(data[9:]))).UTC()
	tr.Epochs = int(le.Uint64(data[17:]))
	return nil
}
