package intake_test

import (
	"errors"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/recording"
	"diastole/agent/intake/settle"
	"diastole/detect/signal"
)

// pump is the one pump of the recordings of other origin (testdata/intake/README.md).
var pump = []config.Pump{{ID: "P1", Channels: []config.Channel{
	{Channel: signal.AirInletPressure, Topic: "site/p1/air-inlet-pressure", Format: config.FormatWaveform, Factor: 1e5},
	{Channel: signal.DischargePressure, Topic: "site/p1/discharge-pressure", Format: config.FormatWaveform, Factor: 1e5},
	{Channel: signal.StrokeCount, Topic: "site/p1/stroke-count", Format: config.FormatNumber, Factor: 1},
}}}

func readAll(t testing.TB, path string) []intake.Message {
	t.Helper()
	r, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all []intake.Message
	for {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, m)
	}
}

// run takes messages all the way to settled chunks, with ticks ticks between two messages.
func run(t testing.TB, messages []intake.Message, ticks int) ([]signal.Chunk, settle.Counts) {
	t.Helper()
	router, err := intake.NewRouter(pump, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	settler := settle.New()
	var settled []signal.Chunk
	advance := func(now time.Time) {
		for _, c := range settler.Advance(now) {
			c.Values = slices.Clone(c.Values)
			settled = append(settled, c)
		}
	}
	var samples payload.Samples
	for i, m := range messages {
		for _, route := range router.Find(m.Topic) {
			chunks := route.Decode(&samples, m)
			if len(chunks) != 1 {
				t.Fatalf("message %d gives %d chunks: %+v", i, len(chunks), route.Stats().LastBad)
			}
			settler.Offer(m.Arrival, chunks[0])
		}
		if i+1 < len(messages) {
			for k := range ticks {
				gap := messages[i+1].Arrival.Sub(m.Arrival)
				advance(m.Arrival.Add(gap * time.Duration(k) / time.Duration(ticks)))
			}
		}
	}
	advance(messages[len(messages)-1].Arrival.Add(time.Minute))
	if n := router.Unrouted(); n != 0 {
		t.Errorf("%d messages went nowhere", n)
	}
	return settled, settler.Counts()
}

func TestRecordingToSettledSamples(t *testing.T) {
	messages := readAll(t, "../../testdata/intake/two-bursts.ndjson")
	settled, counts := run(t, messages, 0)
	if want := (settle.Counts{Accepted: 72}); counts != want {
		t.Errorf("%+v; want %+v", counts, want)
	}
	if !slices.IsSortedFunc(settled, func(a, b signal.Chunk) int { return a.Start.Compare(b.Start) }) {
		t.Error("the chunks are not in order of time")
	}
	samples := map[signal.Channel]int{}
	for _, c := range settled {
		samples[c.Channel] += len(c.Values)
		if c.Channel != signal.StrokeCount && (slices.Min(c.Values) < 0 || slices.Max(c.Values) > 1e6) {
			t.Errorf("%v at %v reaches from %g to %g Pa", c.Channel, c.Start, slices.Min(c.Values), slices.Max(c.Values))
		}
	}
	// Two bursts of twelve seconds: 100 Hz waveforms and a count a second.
	want := map[signal.Channel]int{signal.AirInletPressure: 2400, signal.DischargePressure: 2400, signal.StrokeCount: 24}
	if diff := cmp.Diff(want, samples); diff != "" {
		t.Errorf("samples (-want +got):\n%s", diff)
	}
	// The first sample of the file, by hand: 4.1484 bar.
	first := settled[0]
	if first.Channel != signal.AirInletPressure || first.Step != 10*time.Millisecond || math.Abs(first.Values[0]-414840) > 1e-6 ||
		!first.Start.Equal(time.Date(2026, 3, 1, 0, 6, 20, 0, time.UTC)) {
		t.Errorf("the first chunk is %v at %v, step %v, %g", first.Channel, first.Start, first.Step, first.Values[0])
	}
}

// A live run with ticks, and the replay of what it received, settle to the same samples: on the excerpt, and
// on forty hours of a recording of other origin where it is at hand.
func TestLiveAndReplayAreTheSame(t *testing.T) {
	files := []string{"../../testdata/intake/two-bursts.ndjson"}
	shared, err := filepath.Glob("../../../shared/recordings/discharge-leak-2.ndjson.gz")
	if err != nil {
		t.Fatal(err)
	}
	// What the plant sent twice, counted apart from this code: messages of one topic with the same "t", or
	// the same arrival where there is none.
	sentTwice := map[string]int64{"two-bursts.ndjson": 0, "discharge-leak-2.ndjson.gz": 5}
	for _, file := range append(files, shared...) {
		messages := readAll(t, file)
		messages = messages[:min(len(messages), 1500)]
		replayed, replayCounts := run(t, messages, 0)
		live, liveCounts := run(t, messages, 7)
		if diff := cmp.Diff(replayed, live); diff != "" {
			t.Errorf("%s (-replay +live):\n%s", filepath.Base(file), diff)
		}
		twice := sentTwice[filepath.Base(file)]
		want := settle.Counts{Accepted: int64(len(messages)) - twice, Duplicate: twice}
		if replayCounts != want || liveCounts != want {
			t.Errorf("%s: replay %+v, live %+v; want %+v", filepath.Base(file), replayCounts, liveCounts, want)
		}
	}
}

// From bytes to samples nothing is allocated once the buffer has grown.
func TestMessageToSampleDoesNotAllocate(t *testing.T) {
	router, err := intake.NewRouter(pump, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	messages := readAll(t, "../../testdata/intake/two-bursts.ndjson")
	var samples payload.Samples
	n := 0
	count := func(_ *intake.Route, chunks []signal.Chunk) { n += len(chunks) }
	round := func() {
		for _, m := range messages {
			router.Decode(&samples, m, count)
		}
	}
	if round(); n != len(messages) {
		t.Fatalf("%d messages gave %d chunks", len(messages), n)
	}
	if n := testing.AllocsPerRun(10, round); n != 0 {
		t.Errorf("%d messages allocate %g times; want 0", len(messages), n)
	}
}
