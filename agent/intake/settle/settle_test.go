package settle

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/detect/signal"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// at is t0 plus seconds.
func at(seconds float64) time.Time {
	return t0.Add(time.Duration(seconds * float64(time.Second)))
}

// wave is a chunk of n samples a tenth of a second apart.
func wave(ch signal.Channel, start float64, values ...float64) signal.Chunk {
	return signal.Chunk{Channel: ch, Start: at(start), Step: 100 * time.Millisecond, Values: values}
}

// reading is a single value without spacing.
func reading(ch signal.Channel, start, value float64) signal.Chunk {
	return signal.Chunk{Channel: ch, Start: at(start), Values: []float64{value}}
}

// collect copies what an Advance handed out.
func collect(all []signal.Chunk, out []signal.Chunk) []signal.Chunk {
	return append(all, cloneChunks(out)...)
}

const (
	air    = signal.AirInletPressure
	liquid = signal.DischargePressure
	count  = signal.StrokeCount
)

func TestChunksComeOutInOrderAfterTheWindow(t *testing.T) {
	s := New()
	s.Offer(at(1.0), reading(count, 1.0, 5))
	s.Offer(at(1.1), wave(liquid, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
	s.Offer(at(1.2), wave(air, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
	if out := s.Advance(at(2.99)); len(out) != 0 {
		t.Errorf("%v came out before the window was over", out)
	}
	want := []signal.Chunk{
		wave(air, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10), wave(liquid, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10), reading(count, 1, 5),
	}
	if diff := cmp.Diff(want, s.Advance(at(3))); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got := s.Watermark(); !got.Equal(at(1)) {
		t.Errorf("the watermark is %v; want 1 s", got)
	}
	if out := s.Advance(at(100)); len(out) != 0 || !s.Watermark().Equal(at(98)) {
		t.Errorf("silence gave %v and watermark %v; want nothing and 98 s", out, s.Watermark())
	}
}

// The watermark stays at the start of what is held, however long a chunk is.
func TestWatermarkWaitsForWhatIsHeld(t *testing.T) {
	s := New()
	long := signal.Chunk{Channel: air, Start: at(0), Step: time.Second, Values: make([]float64, 60)}
	s.Offer(at(60), long)
	s.Advance(at(61))
	if !s.Watermark().Equal(at(0)) {
		t.Errorf("the watermark is %v; want 0 s", s.Watermark())
	}
	if out := s.Advance(at(62)); len(out) != 1 || !s.Watermark().Equal(at(60)) {
		t.Errorf("%d chunks and watermark %v; want 1 and 60 s", len(out), s.Watermark())
	}
}

// A sensor clock that is five minutes off either way delays nothing.
func TestSkewedSensorClock(t *testing.T) {
	for _, skew := range []float64{-300, 300} {
		s := New()
		n := 0
		for i := range 10 {
			a := float64(i + 1)
			n += len(s.Advance(at(a)))
			s.Offer(at(a), wave(air, a-1+skew, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
		}
		if n != 8 || s.Counts().Accepted != 10 {
			t.Errorf("skew %g s: %d chunks out, %+v; want 8 of 10 accepted", skew, n, s.Counts())
		}
	}
}

func TestVerdicts(t *testing.T) {
	s := New()
	step := func(arrival float64, c signal.Chunk, want Verdict) {
		t.Helper()
		s.Advance(at(arrival))
		if got := s.Offer(at(arrival), c); got != want {
			t.Errorf("at %g s: %v of %v at %v is %s; want %s", arrival, c.Values, c.Channel, c.Start, got, want)
		}
	}
	step(10, reading(count, 10, 7), Accepted)
	step(10, reading(count, 10, 7), Duplicate) // twice
	step(10, reading(count, 10, 8), Replaced)  // the later word counts
	step(10, wave(air, 9, 1, 2), Accepted)
	step(10, wave(air, 9, 1, 2), Duplicate)
	step(10, wave(air, 9, 1), Duplicate)           // a part of it
	step(10, wave(air, 9, 1, 2, 3, 4), Accepted)   // more than it
	step(11, wave(air, 9.1, 2, 3, 4, 5), Accepted) // an overlap
	step(15, wave(air, 9, 1, 2), Duplicate)        // known, though long gone out
	step(15, wave(air, 8.9, 0, 1), Late)
	step(15, reading(count, 9.9, 6), Late)
	step(15, reading(count, 10, 9), Duplicate)
	step(15, reading(count, 15, 9), Accepted)
	step(15, signal.Chunk{Channel: air, Start: at(15)}, Duplicate) // no samples, nothing new
	step(16, reading(count, 16+601, 9), Clock)
	step(16, reading(count, 16+599, 9), Accepted)
	want := Counts{Accepted: 6, Replaced: 1, Duplicate: 6, Late: 2, Clock: 1, Trimmed: 2 + 3}
	if diff := cmp.Diff(want, s.Counts()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestOverlapIsTrimmedToWhatIsNew(t *testing.T) {
	s := New()
	s.Offer(at(10), wave(air, 9, 1, 2, 3))
	s.Offer(at(10), wave(air, 9.1, 2, 3))
	s.Offer(at(10), wave(air, 9.2, 3, 4, 5))
	s.Offer(at(10), wave(air, 9.46, 6, 7)) // the clock jitters by less than half a step: nothing is cut
	want := []signal.Chunk{wave(air, 9, 1, 2, 3), wave(air, 9.3, 4, 5), wave(air, 9.46, 6, 7)}
	if diff := cmp.Diff(want, s.Advance(at(20))); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if c := s.Counts(); c.Covered != 1 || c.Trimmed != 1 {
		t.Errorf("%+v; want 1 covered chunk and 1 trimmed sample", c)
	}
}

// A gateway that was cut off for five hours sends what it stored, and then goes on live.
func TestBacklogIsNotLost(t *testing.T) {
	s := New()
	var out []signal.Chunk
	offered := 0
	offer := func(arrival float64, c signal.Chunk) {
		t.Helper()
		out = collect(out, s.Advance(at(arrival)))
		if v := s.Offer(at(arrival), c); v != Accepted {
			t.Errorf("at %g s a chunk of %v is %s", arrival, c.Start, v)
		}
		offered++
	}
	for i := range 10 {
		offer(float64(i), reading(count, float64(i), 1))
	}
	back := 5 * 3600.0
	out = collect(out, s.Advance(at(back)))
	for i := 10; i < 17990; i += 10 {
		offer(back+float64(i)*1e-4, reading(count, float64(i), 1))
	}
	for i := 2; i < 20; i++ {
		offer(back+float64(i), reading(count, back+float64(i), 1))
	}
	out = collect(out, s.Advance(at(back+100)))
	if len(out) != offered {
		t.Errorf("%d of %d chunks came out: %+v", len(out), offered, s.Counts())
	}
}

// History that a gateway sends again, hours old, does not look like a clock that was set back.
func TestResentHistoryIsLateNotANewTime(t *testing.T) {
	s := New()
	for i := range 4 * 3600 {
		s.Advance(at(float64(i)))
		s.Offer(at(float64(i)), reading(count, float64(i), 1))
	}
	for i := range 2 * 3600 {
		now := 4*3600 + float64(i)*0.01
		s.Advance(at(now))
		if v := s.Offer(at(now), reading(count, float64(i), 1)); v != Late {
			t.Fatalf("history of %d s is %s", i, v)
		}
	}
	if c := s.Counts(); c.ClockBack != 0 || c.Late != 7200 {
		t.Errorf("%+v", c)
	}
}

func TestClockSetBackIsBelievedAfterARow(t *testing.T) {
	s := New()
	var out []signal.Chunk
	offer := func(arrival, data float64) Verdict {
		out = collect(out, s.Advance(at(arrival)))
		return s.Offer(at(arrival), reading(count, data, 1))
	}
	for i := range 30 {
		offer(float64(i), float64(i)+7200) // the clock runs two hours ahead
	}
	for i := 30; i < 100; i++ { // and is set right
		want := Late
		if i >= 30+runChunks-1 {
			want = Accepted
		}
		if v := offer(float64(i), float64(i)); v != want {
			t.Errorf("%d s: %s; want %s", i, v, want)
		}
	}
	out = collect(out, s.Advance(at(200)))
	if c := s.Counts(); c.ClockBack != 1 || int64(len(out)) != c.Accepted {
		t.Errorf("%d chunks out, %+v; want one jump and all accepted ones", len(out), c)
	}
	if !s.Watermark().Equal(at(198)) {
		t.Errorf("the watermark is %v; want 198 s", s.Watermark())
	}
}

func TestClockSetAheadIsBelievedAfterARow(t *testing.T) {
	s := New()
	n := 0
	for i := range 100 {
		a := float64(i)
		data := a
		if i >= 30 {
			data += 3600
		}
		n += len(s.Advance(at(a)))
		s.Offer(at(a), reading(count, data, 1))
	}
	if c := s.Counts(); c.ClockAhead != 1 || c.Clock != runChunks-1 || n != 30+(70-runChunks+1)-2 {
		t.Errorf("%d chunks out, %+v", n, c)
	}
}

// One wild time, near or far, must not stop the pump, whichever channel it comes from.
func TestOneWildTimeDoesNotFreezeThePump(t *testing.T) {
	for _, wild := range []float64{60, 599, 601, 86399, -86399} {
		s := New()
		n := 0
		for i := range 3600 {
			a := float64(i)
			n += len(s.Advance(at(a)))
			if i == 100 {
				s.Offer(at(a), reading(liquid, a+wild, 1))
			}
			s.Offer(at(a), reading(count, a, 1))
		}
		if n < 3597 {
			t.Errorf("wild by %g s: %d of 3600 chunks came out: %+v", wild, n, s.Counts())
		}
	}
}

func TestBufferIsBounded(t *testing.T) {
	s := New()
	s.limit = 10
	var out []signal.Chunk
	for i := range 20 {
		// All arrive at once, newest first, so that none is due.
		s.Offer(at(0), wave(signal.Channel(i%3), float64(-i)*0.01, 1, 2, 3))
		if s.held > s.limit {
			t.Fatalf("%d samples are held; allowed are %d", s.held, s.limit)
		}
	}
	out = collect(out, s.Advance(at(60)))
	c := s.Counts()
	if c.Early == 0 || c.Early != c.Accepted-3 {
		t.Errorf("%+v; want all but three out early", c)
	}
	samples := int64(0)
	for _, chunk := range out {
		samples += int64(len(chunk.Values))
	}
	if samples != 3*(c.Accepted-c.Covered)-c.Trimmed {
		t.Errorf("%d samples came out: %+v", samples, c)
	}
}

func TestSteadyStateDoesNotAllocate(t *testing.T) {
	s := New()
	values := make([]float64, 100)
	second := 0.0
	step := func() {
		second++
		s.Advance(at(second))
		s.Offer(at(second), signal.Chunk{Channel: air, Start: at(second - 1), Step: 10 * time.Millisecond, Values: values})
		s.Offer(at(second), signal.Chunk{Channel: liquid, Start: at(second - 1), Step: 10 * time.Millisecond, Values: values})
		s.Offer(at(second), signal.Chunk{Channel: count, Start: at(second), Values: values[:1]})
	}
	for range 50 {
		step()
	}
	if n := testing.AllocsPerRun(200, step); n != 0 {
		t.Errorf("a second of one pump allocates %g times; want 0", n)
	}
}

func BenchmarkSecondOfOnePump(b *testing.B) {
	s := New()
	values := make([]float64, 100)
	second := 0.0
	b.ReportAllocs()
	for b.Loop() {
		second++
		s.Advance(at(second))
		s.Offer(at(second), signal.Chunk{Channel: air, Start: at(second - 1), Step: 10 * time.Millisecond, Values: values})
		s.Offer(at(second), signal.Chunk{Channel: liquid, Start: at(second - 1), Step: 10 * time.Millisecond, Values: values})
		s.Offer(at(second), signal.Chunk{Channel: count, Start: at(second), Values: values[:1]})
	}
}

var equateEmpty = cmpopts.EquateEmpty()
