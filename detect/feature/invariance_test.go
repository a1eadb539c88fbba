package feature

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/detect/signal"
)

// week is a varied piece of a pump's life, made short: bursts with lost messages, a stall, an off, a long run.
func week(seed uint64) (Settings, []signal.Chunk) {
	rng := rand.New(rand.NewPCG(seed, 11))
	var all []signal.Chunk
	at := time.Duration(0)
	for i, s := range []synth{plain(), plain(), plain(), plain()} {
		s.seed = seed + uint64(i)
		s.rate = 2 + 3*rng.Float64()
		s.seconds = 12
		switch i {
		case 1: // stands against a closed valve
			s.dip, s.sag, s.discharge = [2]float64{}, [2]float64{}, s.inlet
		case 2:
			s.seconds = 64
		case 3: // off
			s.dip, s.sag, s.inlet = [2]float64{}, [2]float64{}, 100
		}
		chunks, _ := s.make()
		for _, c := range chunks {
			if rng.Float64() < 0.03 {
				continue
			}
			c.Start = c.Start.Add(at)
			all = append(all, c)
		}
		at += time.Hour
	}
	return plain().settings(), all
}

// recut cuts waveforms that follow each other without a gap into chunks of n samples.
func recut(chunks []signal.Chunk, n int) []signal.Chunk {
	var out []signal.Chunk
	for ch := range signal.NumChannels {
		var run signal.Chunk
		flush := func() {
			for i := 0; i < len(run.Values); i += n {
				out = append(out, signal.Chunk{
					Channel: ch, Start: run.Start.Add(time.Duration(i) * run.Step), Step: run.Step,
					Values: run.Values[i:min(i+n, len(run.Values))],
				})
			}
			run = signal.Chunk{}
		}
		for _, c := range chunks {
			switch {
			case c.Channel != ch:
			case c.Step == 0:
				out = append(out, c)
			case len(run.Values) > 0 && c.Start.Equal(run.End()):
				run.Values = append(slices.Clip(run.Values), c.Values...)
			default:
				flush()
				run = c
			}
		}
		flush()
	}
	order(out)
	return out
}

func TestChunkSizeDoesNotMatter(t *testing.T) {
	set, chunks := week(1)
	wantE, wantT := build(set, chunks)
	if len(wantE) < 5 {
		t.Fatalf("only %d epochs to compare", len(wantE))
	}
	for _, n := range []int{1, 10, 37, 1000, 5000} {
		gotE, gotT := build(set, recut(chunks, n))
		if d := cmp.Diff(wantE, gotE); d != "" {
			t.Errorf("chunks of %d samples give other epochs (-want +got):\n%s", n, d)
		}
		if d := cmp.Diff(wantT, gotT); d != "" {
			t.Errorf("chunks of %d samples give other transitions (-want +got):\n%s", n, d)
		}
	}
}

// TestAdvanceAndRestoreDoNotMatter wants the same epochs however often the watermark moves, and wherever the
// builder is stored and restored.
func TestAdvanceAndRestoreDoNotMatter(t *testing.T) {
	set, chunks := week(2)
	wantE, wantT := build(set, chunks)
	rapid.Check(t, func(rt *rapid.T) {
		b := NewBuilder(set)
		var gotE []Epoch
		var gotT []Transition
		take := func() {
			e, tr := b.Take()
			gotE, gotT = append(gotE, e...), append(gotT, tr...)
		}
		advance := rapid.IntRange(2, 60).Draw(rt, "advance every")
		restore := rapid.IntRange(25, 150).Draw(rt, "restore every")
		for i, c := range chunks {
			b.Push(c)
			if i%advance == 0 && i+1 < len(chunks) {
				next := chunks[i+1].Start
				part := time.Duration(rapid.Int64Range(0, max(int64(next.Sub(c.Start)), 1)).Draw(rt, "part"))
				b.Advance(c.Start.Add(part))
				take()
			}
			if i%restore == 0 {
				data, err := b.Snapshot()
				if err != nil {
					rt.Fatal(err)
				}
				if b, err = Restore(set, data); err != nil {
					rt.Fatal(err)
				}
			}
		}
		b.Advance(chunks[len(chunks)-1].Start.Add(time.Hour))
		take()
		if d := cmp.Diff(wantE, gotE); d != "" {
			rt.Fatalf("epochs differ (-want +got):\n%s", d)
		}
		if d := cmp.Diff(wantT, gotT); d != "" {
			rt.Fatalf("transitions differ (-want +got):\n%s", d)
		}
	})
}

func TestRestoreRefusesWhatIsNoSnapshot(t *testing.T) {
	for _, data := range [][]byte{nil, []byte("{}"), make([]byte, 100)} {
		if _, err := Restore(Settings{}, data); err == nil {
			t.Errorf("Restore(%q) gives no error", data)
		}
	}
}
