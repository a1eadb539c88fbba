package feature

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"diastole/detect/signal"
)

// recordings lists the recordings beside the module; the test is skipped where there are none.
func recordings(t testing.TB) []string {
	t.Helper()
	files, _ := filepath.Glob("../../../shared/recordings/*.ndjson.gz")
	if len(files) == 0 {
		t.Skip("no recordings beside the module")
	}
	return files
}

// readRecording decodes a recording: JSON lines of {"time", "topic", "payload"}, the payload a waveform {"t", "dt", "v"}
// or one number. Duplicates are left out and the chunks put in the order of their times.
func readRecording(t testing.TB, file string) []signal.Chunk {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var chunks []signal.Chunk
	seen := map[string]bool{}
	lines := bufio.NewScanner(z)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var m struct {
			Time           time.Time
			Topic, Payload string
		}
		if err := json.Unmarshal(lines.Bytes(), &m); err != nil {
			t.Fatal(err)
		}
		name := strings.ReplaceAll(m.Topic[strings.LastIndexByte(m.Topic, '/')+1:], "-", "_")
		ch, err := signal.ParseChannel(name)
		if err != nil {
			t.Fatal(err)
		}
		c := signal.Chunk{Channel: ch, Start: m.Time}
		if ch == signal.StrokeCount {
			v, err := strconv.ParseFloat(m.Payload, 64)
			if err != nil {
				t.Fatal(err)
			}
			c.Values = []float64{v}
		} else {
			var w struct {
				T  time.Time
				Dt float64
				V  []float64
			}
			if err := json.Unmarshal([]byte(m.Payload), &w); err != nil {
				t.Fatal(err)
			}
			factor := 1e5
			if ch == signal.AirFlow {
				factor = 1e-3 / 60
			}
			c.Start, c.Step, c.Values = w.T, time.Duration(w.Dt*1e9+0.5), w.V
			for i := range c.Values {
				c.Values[i] *= factor
			}
		}
		key := fmt.Sprint(ch, c.Start.UnixNano())
		if !seen[key] {
			seen[key] = true
			chunks = append(chunks, c)
		}
	}
	sort.SliceStable(chunks, func(i, j int) bool {
		if !chunks[i].Start.Equal(chunks[j].Start) {
			return chunks[i].Start.Before(chunks[j].Start)
		}
		return chunks[i].Channel < chunks[j].Channel
	})
	return chunks
}

// recordedPump is the pump of a recording as far as its name and truth tell.
func recordedPump(t testing.TB, file string, chunks []signal.Chunk) Settings {
	data, err := os.ReadFile(strings.TrimSuffix(file, ".ndjson.gz") + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var truth struct{ Size string }
	if err := json.Unmarshal(data, &truth); err != nil {
		t.Fatal(err)
	}
	var s Settings
	// Twice the generic models' free-flow cycle rates.
	s.MaxStrokeRate = 2 * map[string]float64{"half": 300.0 / 60, "one": 220.0 / 60, "two": 125.0 / 60}[truth.Size]
	for _, c := range chunks {
		s.Channels[c.Channel] = true
	}
	return s
}

// TestRecordings wants strokes and counter to differ by at most one in every complete burst.
func TestRecordings(t *testing.T) {
	for _, file := range recordings(t) {
		name := strings.TrimSuffix(filepath.Base(file), ".ndjson.gz")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			chunks := readRecording(t, file)
			b := NewBuilder(recordedPump(t, file, chunks))
			for _, c := range chunks {
				b.Push(c)
			}
			b.Advance(chunks[len(chunks)-1].Start.Add(time.Hour))
			epochs, transitions := b.Take()
			dump(t, name, epochs)
			if len(epochs) < 240 {
				t.Errorf("%d epochs of 240 bursts", len(epochs))
			}
			var bursts, apart int
			var worst float64
			for _, e := range epochs {
				// A valve that hangs for longer than the pump strokes parts the counter's switch from the dip: what
				// was lost or seen twice then is not what this test asks for.
				if !e.CounterExcess.Valid || e.Features[Dispersion].Valid && e.Features[Dispersion].V > 0.1 {
					continue
				}
				bursts++
				if d := math.Abs(e.CounterExcess.V); d > 1 {
					apart++
					worst = max(worst, d)
					t.Logf("%s: the counter saw %+g strokes more", e.Start, e.CounterExcess.V)
				}
			}
			t.Logf("%d epochs, %d compared with the counter, %d transitions", len(epochs), bursts, len(transitions))
			if apart > 0 {
				t.Errorf("in %d of %d bursts strokes and counter differ by more than one, at most by %g", apart, bursts, worst)
			}
		})
	}
}

// dump writes the epochs as CSV to the folder that DIASTOLE_DUMP names, to be looked at.
func dump(t *testing.T, name string, epochs []Epoch) {
	dir := os.Getenv("DIASTOLE_DUMP")
	if dir == "" {
		return
	}
	f, err := os.Create(filepath.Join(dir, name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fmt.Fprint(f, "start,length,state,strokes,counter_delta,excess,anchored,inlet,inlet_se,discharge,discharge_se")
	for id := range NumFeatures {
		fmt.Fprintf(f, ",%s,%s_se", id, id)
	}
	fmt.Fprintln(f)
	show := func(v Value) string {
		if !v.Valid {
			return "nan,nan"
		}
		return fmt.Sprintf("%g,%g", v.V, v.SE)
	}
	for _, e := range epochs {
		fmt.Fprintf(f, "%d,%g,%s,%d,%g,%g,%t,%s,%s", e.Start.Unix(), e.End.Sub(e.Start).Seconds(), e.State, e.Strokes,
			e.CounterDelta, e.CounterExcess.V, e.Anchored, show(e.Inlet), show(e.Discharge))
		for id := range NumFeatures {
			fmt.Fprint(f, ",", show(e.Features[id]))
		}
		fmt.Fprintln(f)
	}
}
