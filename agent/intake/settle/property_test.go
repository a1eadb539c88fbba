package settle

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/detect/signal"
)

// offer is one message of a generated life of a pump.
type offer struct {
	arrival time.Time
	chunk   signal.Chunk
}

// drawLife draws messages as plants send them, and worse: jitter, delays, bursts, repeats, overlaps, other
// values at the same time, clocks that jump and single wild times.
func drawLife(t *rapid.T) []offer {
	n := rapid.IntRange(1, 120).Draw(t, "n")
	life := make([]offer, 0, n)
	now := t0
	var skew [3]time.Duration
	for len(life) < n {
		gap := rapid.SampledFrom([]time.Duration{
			0, 0, time.Millisecond, 300 * time.Millisecond, time.Second, time.Second, 3 * time.Second, 2 * time.Hour,
		}).Draw(t, "gap")
		now = now.Add(gap)
		kind := rapid.IntRange(0, 19).Draw(t, "kind")
		if kind == 0 && len(life) > 0 { // a repeat
			old := life[rapid.IntRange(0, len(life)-1).Draw(t, "old")].chunk
			life = append(life, offer{now, old})
			continue
		}
		i := rapid.IntRange(0, 2).Draw(t, "channel")
		if kind == 1 { // the channel's clock is set
			skew[i] = rapid.SampledFrom([]time.Duration{0, 5 * time.Minute, -3 * time.Hour, 3 * time.Hour}).Draw(t, "skew")
		}
		delay := time.Duration(rapid.IntRange(0, 40).Draw(t, "delay")) * 100 * time.Millisecond
		c := signal.Chunk{Channel: []signal.Channel{air, liquid, count}[i]}
		size := 1
		if c.Channel != count {
			c.Step = 100 * time.Millisecond
			size = rapid.IntRange(1, 30).Draw(t, "size")
		}
		c.Start = now.Add(skew[i] - delay - time.Duration(size)*c.Step)
		if kind == 2 {
			c.Start = c.Start.Add(rapid.SampledFrom([]time.Duration{8 * time.Minute, 20 * time.Hour, -20 * time.Hour}).Draw(t, "wild"))
		}
		for range size {
			c.Values = append(c.Values, float64(rapid.IntRange(0, 5).Draw(t, "value")))
		}
		life = append(life, offer{now, c})
	}
	return life
}

// outcome is all that a caller can see.
type outcome struct {
	Released []signal.Chunk
	Verdicts []Verdict
	Counts   Counts
	Mark     time.Time
}

// live runs a life with before called ahead of each message; before returns the settler to go on with.
func live(s *Settler, life []offer, before func(i int, s *Settler, o *outcome) *Settler) outcome {
	var o outcome
	for i, m := range life {
		s = before(i, s, &o)
		o.Verdicts = append(o.Verdicts, s.Offer(m.arrival, m.chunk))
	}
	end := life[len(life)-1].arrival.Add(24 * time.Hour)
	o.Released = collect(o.Released, s.Advance(end))
	o.Counts, o.Mark = s.Counts(), s.Watermark()
	return o
}

func small() *Settler {
	s := New()
	s.limit = 120 // so that the bound is met too
	return s
}

// However often the agent ticks, and whether it advances before each message or not, the same comes out.
func TestTicksChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		life := drawLife(t)
		replay := live(small(), life, func(i int, s *Settler, o *outcome) *Settler {
			o.Released = collect(o.Released, s.Advance(life[i].arrival))
			return s
		})
		seldom := live(small(), life, func(_ int, s *Settler, _ *outcome) *Settler { return s })
		ticking := live(small(), life, func(i int, s *Settler, o *outcome) *Settler {
			if i == 0 {
				return s
			}
			from, span := life[i-1].arrival, life[i].arrival.Sub(life[i-1].arrival)
			ticks := rapid.SliceOfN(rapid.Int64Range(0, int64(span)), 0, 5).Draw(t, "ticks")
			slices.Sort(ticks)
			for _, tick := range ticks {
				o.Released = collect(o.Released, s.Advance(from.Add(time.Duration(tick))))
			}
			return s
		})
		if diff := cmp.Diff(replay, ticking, equateEmpty); diff != "" {
			t.Fatalf("ticks matter (-without +with):\n%s", diff)
		}
		if diff := cmp.Diff(replay, seldom, equateEmpty); diff != "" {
			t.Fatalf("advancing before each message matters (-with +without):\n%s", diff)
		}
	})
}

// A snapshot taken anywhere, through JSON or gob, goes on as if nothing had happened.
func TestSnapshotChangesNothing(t *testing.T) {
	through := map[string]func(State) (State, error){
		"json": func(in State) (out State, err error) {
			b, err := json.Marshal(in)
			if err != nil {
				return out, err
			}
			return out, json.Unmarshal(b, &out)
		},
		"gob": func(in State) (out State, err error) {
			var b bytes.Buffer
			if err := gob.NewEncoder(&b).Encode(in); err != nil {
				return out, err
			}
			return out, gob.NewDecoder(&b).Decode(&out)
		},
	}
	rapid.Check(t, func(t *rapid.T) {
		life := drawLife(t)
		straight := live(small(), life, func(_ int, s *Settler, _ *outcome) *Settler { return s })
		for name, codec := range through {
			cut := rapid.IntRange(0, len(life)-1).Draw(t, "cut")
			resumed := live(small(), life, func(i int, s *Settler, _ *outcome) *Settler {
				if i != cut {
					return s
				}
				st, err := codec(s.Snapshot())
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(s.Snapshot(), st, equateEmpty); diff != "" {
					t.Fatalf("%s changes the state (-before +after):\n%s", name, diff)
				}
				limit := s.limit
				s = Restore(st)
				s.limit = limit
				return s
			})
			if diff := cmp.Diff(straight, resumed, equateEmpty); diff != "" {
				t.Fatalf("a snapshot through %s before message %d matters (-straight +resumed):\n%s", name, cut, diff)
			}
		}
	})
}

// Between two jumps of a clock the samples of a channel only go forward, and every sample offered either
// comes out or is counted.
func TestNothingIsLostUncountedOrTwice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		life := drawLife(t)
		o := live(small(), life, func(_ int, s *Settler, _ *outcome) *Settler { return s })
		verdicts := map[Verdict]int64{}
		accepted := int64(0)
		for i, v := range o.Verdicts {
			verdicts[v]++
			if v == Accepted {
				accepted += int64(len(life[i].chunk.Values))
			}
		}
		c := o.Counts
		want := Counts{
			Accepted: verdicts[Accepted], Replaced: verdicts[Replaced], Duplicate: verdicts[Duplicate],
			Late: verdicts[Late], Clock: verdicts[Clock],
			Covered: c.Covered, Trimmed: c.Trimmed, Early: c.Early, ClockBack: c.ClockBack, ClockAhead: c.ClockAhead,
		}
		if c != want {
			t.Fatalf("verdicts %v do not add up to %+v", verdicts, c)
		}
		released := int64(0)
		last := map[signal.Channel]time.Time{}
		for _, chunk := range o.Released {
			released += int64(len(chunk.Values))
			if c.ClockBack+c.ClockAhead == 0 && !chunk.Start.After(last[chunk.Channel].Add(-chunk.Step/2)) {
				t.Fatalf("%v starts at %v, before its last sample at %v", chunk.Channel, chunk.Start, last[chunk.Channel])
			}
			last[chunk.Channel] = chunk.Start.Add(time.Duration(len(chunk.Values)-1) * chunk.Step)
		}
		if covered := accepted - released - c.Trimmed; covered < c.Covered || c.Covered == 0 && covered != 0 {
			t.Fatalf("%d samples accepted, %d released: %+v", accepted, released, c)
		}
	})
}

// With delays inside the window, and nothing odd, what comes out is what was sent, sorted.
func TestOrdinaryTrafficComesOutSorted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var life []offer
		for second := range rapid.IntRange(1, 40).Draw(t, "seconds") {
			for _, ch := range []signal.Channel{air, liquid} {
				delay := time.Duration(rapid.IntRange(0, 1900).Draw(t, "delay")) * time.Millisecond
				c := signal.Chunk{Channel: ch, Start: at(float64(second)), Step: 250 * time.Millisecond, Values: []float64{1, 2, 3, float64(second)}}
				life = append(life, offer{c.End().Add(delay), c})
			}
		}
		sent := make([]signal.Chunk, len(life))
		for i := range life {
			sent[i] = life[i].chunk
		}
		slices.SortFunc(sent, compare)
		slices.SortStableFunc(life, func(a, b offer) int { return a.arrival.Compare(b.arrival) })
		o := live(New(), life, func(i int, s *Settler, o *outcome) *Settler {
			o.Released = collect(o.Released, s.Advance(life[i].arrival))
			return s
		})
		if diff := cmp.Diff(sent, o.Released); diff != "" {
			t.Fatalf("(-sent +released):\n%s", diff)
		}
	})
}
