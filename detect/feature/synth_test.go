package feature

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"diastole/detect/signal"
)

// synth is a made-up pump whose strokes are known exactly. It has no physics: a dip in the inlet and a sag
// in the discharge at each changeover, which is all that the builder may rely on.
type synth struct {
	rate      float64    // strokes per second
	asymmetry float64    // (tA-tB)/(tA+tB)
	scatter   float64    // of stroke times, relative
	hesitate  float64    // share of strokes that last up to six times as long
	inlet     float64    // Pa
	discharge float64    // Pa
	dip       [2]float64 // Pa, at the end of A and B strokes
	sag       [2]float64 // Pa
	fall      float64    // s, of the dip
	recover   float64    // s, time constant of the dip
	noise     float64    // of both pressures, relative to them
	drift     float64    // of the inlet over the stretch, relative
	fs        float64    // Hz
	seconds   float64
	latency   float64 // s, of the counter
	seed      uint64
}

// plain is a healthy pump of the one-inch class.
func plain() synth {
	return synth{
		rate: 3.3, asymmetry: 0.02, scatter: 0.007, inlet: 5e5, discharge: 4e5, dip: [2]float64{3e4, 3e4},
		sag: [2]float64{7e4, 7e4}, fall: 0.015, recover: 0.025, noise: 0.002, fs: 100, seconds: 40, seed: 1,
	}
}

// edges are the times at which strokes end, s; the first ends a stroke of side A. There is one before 0 and some after the
// end.
func (s synth) edges(rng *rand.Rand) []float64 {
	t := -0.6 / s.rate
	edges := []float64{t}
	for i := 1; t < s.seconds+1; i++ {
		side := 1.0 // the stroke that ends at edge i: B for odd i
		if i%2 == 1 {
			side = -1
		}
		d := (1 + side*s.asymmetry + s.scatter*rng.NormFloat64()) / s.rate
		if rng.Float64() < s.hesitate {
			d *= 1.5 + 4.5*rng.Float64()
		}
		t += d
		edges = append(edges, t)
	}
	return edges
}

// start is when all synthetic data begins.
var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// make returns the chunks of one-second messages and the edges that lie in the data.
func (s synth) make() ([]signal.Chunk, []float64) {
	rng := rand.New(rand.NewPCG(s.seed, 7))
	edges := s.edges(rng)
	n := int(s.seconds * s.fs)
	step := time.Duration(math.Round(1e9 / s.fs))
	in, out := make([]float64, n), make([]float64, n)
	for i := range n {
		t := float64(i) * step.Seconds()
		in[i] = s.inlet * (1 + s.drift*t/s.seconds)
		out[i] = s.discharge
	}
	for k, e := range edges {
		for i := max(int((e-0.1)*s.fs), 0); i < min(int((e+1)*s.fs), n); i++ {
			u := float64(i)*step.Seconds() - e
			in[i] -= s.dip[k%2] * dipShape(u, s.fall, s.recover)
			out[i] -= s.sag[k%2] * sagShape(u, 0.06)
		}
	}
	for i := range n {
		in[i] *= 1 + s.noise*rng.NormFloat64()
		out[i] *= 1 + s.noise*rng.NormFloat64()
	}
	chunks := cut(signal.AirInletPressure, step, in, int(s.fs))
	chunks = append(chunks, cut(signal.DischargePressure, step, out, int(s.fs))...)
	for t := 1.0; t <= s.seconds; t++ {
		total := 1000.0 // even before the first edge in the data, which ends a B stroke
		for _, e := range edges[1:] {
			if e <= t-s.latency {
				total++
			}
		}
		if edges[1] > 0 {
			total++ // the first edge in the data ends a B stroke: its total is even
		}
		chunks = append(chunks, signal.Chunk{
			Channel: signal.StrokeCount, Start: start.Add(time.Duration(t * 1e9)), Values: []float64{total},
		})
	}
	order(chunks)
	inside := edges[1:]
	for len(inside) > 0 && inside[0] < 0 {
		inside = inside[1:]
	}
	k := sort.SearchFloat64s(inside, s.seconds)
	return chunks, inside[:k]
}

// dipShape is a raised-cosine fall, half done at 0, and an exponential recovery.
func dipShape(u, fall, recover float64) float64 {
	switch {
	case u < -fall/2:
		return 0
	case u < fall/2:
		return (1 + math.Sin(math.Pi*u/fall)) / 2
	default:
		return math.Exp(-(u - fall/2) / recover)
	}
}

// sagShape rises and falls with its peak of one at a after the changeover.
func sagShape(u, a float64) float64 {
	if u <= 0 {
		return 0
	}
	return (u / a) * (u / a) * math.Exp(2*(1-u/a))
}

// cut makes chunks of n samples.
func cut(ch signal.Channel, step time.Duration, x []float64, n int) []signal.Chunk {
	var chunks []signal.Chunk
	for i := 0; i < len(x); i += n {
		chunks = append(chunks, signal.Chunk{
			Channel: ch, Start: start.Add(time.Duration(i) * step), Step: step, Values: x[i:min(i+n, len(x))],
		})
	}
	return chunks
}

// order sorts chunks as a Builder wants them.
func order(chunks []signal.Chunk) {
	sort.SliceStable(chunks, func(i, j int) bool {
		if !chunks[i].Start.Equal(chunks[j].Start) {
			return chunks[i].Start.Before(chunks[j].Start)
		}
		return chunks[i].Channel < chunks[j].Channel
	})
}

// settings are those of a one-inch pump with the channels of a synth.
func (s synth) settings() Settings {
	set := Settings{MaxStrokeRate: max(2*220.0/60, 1.5*s.rate)}
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount} {
		set.Channels[c] = true
	}
	return set
}

// build runs chunks through a builder to the end of their burst.
func build(s Settings, chunks []signal.Chunk) ([]Epoch, []Transition) {
	b := NewBuilder(s)
	for _, c := range chunks {
		b.Push(c)
	}
	b.Advance(chunks[len(chunks)-1].Start.Add(time.Hour))
	return b.Take()
}
