package chart

import (
	"encoding/binary"
	"errors"
	"math"
)

// Filters are most of what is stored of a pump, so they are stored without frills: a byte of flags, then mean and variance of
// each coordinate to the last bit, and the bias where there is one. A filter that knows nothing is the flags alone.
const (
	flagSwapped = 1 << iota
	flagDeviation
	flagBias
)

// GobEncode stores the filter.
func (f *Filter) GobEncode() ([]byte, error) {
	g := *f
	g.Swapped = false
	flags := byte(0)
	if f.Swapped {
		flags |= flagSwapped
	}
	if g != (Filter{}) {
		flags |= flagDeviation
	}
	if f.Bias != (Bias{}) {
		flags |= flagBias
	}
	out := []byte{flags}
	for _, v := range f.parts(flags) {
		for _, x := range v {
			out = binary.LittleEndian.AppendUint64(out, math.Float64bits(x))
		}
	}
	return out, nil
}

// GobDecode reads what GobEncode stored.
func (f *Filter) GobDecode(data []byte) error {
	*f = Filter{}
	if len(data) == 0 {
		return errors.New("a filter is missing")
	}
	flags, data := data[0], data[1:]
	f.Swapped = flags&flagSwapped != 0
	parts := f.parts(flags)
	if len(data) != 8*dim*len(parts) {
		return errors.New("a filter is cut off, or of another number of features")
	}
	for _, v := range parts {
		for j := range v {
			v[j] = math.Float64frombits(binary.LittleEndian.Uint64(data))
			data = data[8:]
		}
	}
	return nil
}

// parts are the vectors that the flags announce.
func (f *Filter) parts(flags byte) (parts [][]float64) {
	if flags&flagDeviation != 0 {
		parts = append(parts, f.X[:], f.P[:])
	}
	if b := &f.Bias; flags&flagBias != 0 {
		parts = append(parts, b.X[:], b.Var[:], b.Cov[:], b.Prior[:])
	}
	return parts
}
