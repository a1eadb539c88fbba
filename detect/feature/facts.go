package feature

// CounterFacts is how the stroke counter behaved in an epoch: what a faulty one is told by.
type CounterFacts struct {
	// Readings is how many there were.
	Readings int32 `json:"readings"`
	// Wraps is how often the total began again from zero where it may, Resets how often it fell by more than half elsewhere, and Leaps how often it
	// rose faster than any pump strokes.
	Wraps  int32 `json:"wraps"`
	Resets int32 `json:"resets"`
	Leaps  int32 `json:"leaps"`
	// Still is the most strokes that waveform or switch showed while the total stood still over at least two readings.
	Still int32 `json:"still"`
	// Waveform is the strokes that the waveform showed between first and last reading of each run without a gap, Counted those of
	// the counter: half of them where it misses every second or counts cycles, twice as many where it counts double.
	Waveform int32   `json:"waveform"`
	Counted  float64 `json:"counted"`
}

// facts notes how the readings went, one after the other.
func (b *Builder) facts(out *CounterFacts, from, to reading) {
	switch d, ok := b.delta(from, to); {
	case to.V < from.V && ok:
		out.Wraps++
	case to.V < from.V/2: // a smaller fall is an older total that came late
		out.Resets++
	case !ok && d > 0:
		out.Leaps++
	}
}

// compare notes what strokes and counter make of the runs.
func (b *Builder) compare(out *CounterFacts, runs []run, readings []reading) {
	latency := b.st.Latency.likeliest()
	for _, r := range runs {
		var last reading
		still, at := 0, -1
		b.seen(r, readings, latency, func(c reading, _ int64, k int) {
			if at < 0 {
				last, at, still = c, k, k
				return
			}
			if d, ok := b.delta(last, c); ok {
				out.Waveform += int32(k - at)
				out.Counted += d
			}
			if c.V != last.V {
				still = k
			}
			out.Still = max(out.Still, int32(k-still))
			last, at = c, k
		})
	}
}
