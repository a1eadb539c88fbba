package detect

import (
	"encoding/binary"
	"errors"
	"math"
	"time"

	"diastole/detect/baseline"
)

// samples are the epochs of a learning stretch, as precise as they are stored: a value in single precision, a variance in
// the upper half of one. With 90 bytes an epoch, the state of a pump that learns is no larger than that of one that is watched.
type samples []baseline.Sample

// sampleSize is what an epoch takes: time, operating point, value and variance of each coordinate, a bit for each that there is,
// and one for names that are not known.
const (
	sampleSize = 8 + 2*4 + baseline.Dim*(4+2) + flagBytes
	flagBytes  = (baseline.Dim + 1 + 7) / 8
)

// add appends an epoch as it will be stored, so that what is learned does not depend on whether it was.
func (s *samples) add(at time.Time, o baseline.Observation) {
	o.Op = baseline.Op{Head: float64(float32(o.Op.Head)), Air: float64(float32(o.Op.Air))}
	for j := range baseline.Dim {
		o.Val[j], o.Var[j] = float64(float32(o.Val[j])), half(upper(o.Var[j]))
	}
	*s = append(*s, baseline.Sample{At: at.UTC(), Obs: o})
}

// GobEncode stores the samples.
func (s samples) GobEncode() ([]byte, error) {
	out := make([]byte, 0, len(s)*sampleSize)
	for i := range s {
		o := &s[i].Obs
		out = binary.LittleEndian.AppendUint64(out, uint64(s[i].At.UnixNano()))
		out = appendSingle(appendSingle(out, o.Op.Head), o.Op.Air)
		var flags [flagBytes]byte
		set := func(bit int, on bool) {
			if on {
				flags[bit/8] |= 1 << (bit % 8)
			}
		}
		for j := range baseline.Dim {
			out = appendSingle(out, o.Val[j])
			out = binary.LittleEndian.AppendUint16(out, upper(o.Var[j]))
			set(j, o.Has[j])
		}
		set(baseline.Dim, o.SignFree)
		out = append(out, flags[:]...)
	}
	return out, nil
}

// GobDecode reads what GobEncode stored.
func (s *samples) GobDecode(data []byte) error {
	if len(data)%sampleSize != 0 {
		return errors.New("the epochs that are learned from are cut off, or of another number of features")
	}
	*s = make(samples, 0, len(data)/sampleSize)
	for ; len(data) > 0; data = data[sampleSize:] {
		x := baseline.Sample{At: time.Unix(0, int64(binary.LittleEndian.Uint64(data))).UTC()}
		x.Obs.Op = baseline.Op{Head: single(data[8:]), Air: single(data[12:])}
		rest := data[16:]
		flags := rest[baseline.Dim*6:]
		is := func(bit int) bool { return flags[bit/8]>>(bit%8)&1 == 1 }
		for j := range baseline.Dim {
			x.Obs.Val[j] = single(rest[6*j:])
			x.Obs.Var[j] = half(binary.LittleEndian.Uint16(rest[6*j+4:]))
			x.Obs.Has[j] = is(j)
		}
		x.Obs.SignFree = is(baseline.Dim)
		*s = append(*s, x)
	}
	return nil
}

func appendSingle(b []byte, x float64) []byte {
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(x)))
}

func single(b []byte) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(b))) }

// upper is the upper half of a number in single precision: three digits, which is plenty for a variance. half is the number.
func upper(x float64) uint16 { return uint16(math.Float32bits(float32(x)) >> 16) }

func half(x uint16) float64 { return float64(math.Float32frombits(uint32(x) << 16)) }
