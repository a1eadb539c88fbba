package detect_test

import (
	"bufio"
	"cmp"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/signal"
	"diastole/model/advice"
	"diastole/model/pump"
)

// TestRecordings runs pumps that another simulator made through a monitor that learns until the truth says that all
// was healthy. A pump without a fault must bring no ticket; one with a fault must bring the right kit before the fault
// passes the size that calls for a rebuild, and never another kit. With -v it prints what was found.
func TestRecordings(t *testing.T) {
	files, err := filepath.Glob("../../shared/recordings/*.truth.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Skip("no recordings beside the checkout (../shared/recordings)")
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".truth.json"), func(t *testing.T) {
			t.Parallel()
			truth := readTruth(t, file)
			findings := truth.monitor(t, readRecording(t, strings.TrimSuffix(file, ".truth.json")+".ndjson.gz"))
			if testing.Verbose() {
				report(t, findings)
			}
			truth.judge(t, findings)
		})
	}
}

// truth is what is known of a recording.
type truth struct {
	Size       string
	Kit        pump.Kit
	Crosses    map[string]time.Time
	Start      time.Time
	LearnUntil time.Time `json:"learn_until"`
}

func readTruth(t *testing.T, file string) truth {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var out truth
	if err := json.Unmarshal(data, &out); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return out
}

// monitor runs the chunks through a monitor for a pump of the recorded size.
func (r truth) monitor(t *testing.T, chunks []signal.Chunk) []detect.Finding {
	t.Helper()
	model, err := pump.Generic("generic-" + r.Size + "-inch")
	if err != nil {
		t.Fatal(err)
	}
	hypotheses, err := diagnose.Hypotheses(model)
	if err != nil {
		t.Fatal(err)
	}
	set := detect.Settings{
		Model: model, Hypotheses: hypotheses, FalseTicketsPerYear: 0.05,
		Learn: detect.LearnSettings{For: r.LearnUntil.Sub(r.Start)},
	}
	for _, c := range chunks {
		set.Channels[c.Channel] = true
	}
	m := detect.New(set)
	for _, c := range chunks {
		m.Push(c)
	}
	m.Advance(chunks[len(chunks)-1].End().Add(time.Hour))
	return m.Take()
}

// judge holds the findings against the truth.
func (r truth) judge(t *testing.T, findings []detect.Finding) {
	t.Helper()
	var learned, raised time.Time
	for _, f := range findings {
		switch f.Kind {
		case detect.BaselineLearned:
			learned = f.Time
		case detect.CauseRaised:
			if x := f.Diagnosis; x.Cause == pump.SensorFault {
				t.Errorf("%v: the sound sensor of %s is blamed: %s", f.Time, x.Channel, x.Sensor.Kind)
			}
		case detect.FaultRaised, detect.FaultChanged:
			kit := advice.For(f.Diagnosis.Fault, f.Diagnosis.Side, f.Diagnosis.Severity, false).Kit
			switch {
			case r.Kit == "":
				t.Errorf("%v %s: %s where the pump has no fault", f.Time, f.Kind, f.Diagnosis.Fault)
			case kit != r.Kit:
				t.Errorf("%v %s: %s asks for the kit %s, the truth is %s", f.Time, f.Kind, f.Diagnosis.Fault, kit, r.Kit)
			case raised.IsZero():
				raised = f.Time
			}
		}
	}
	if learned.IsZero() {
		t.Error("the healthy pump was never learned")
	}
	full := r.Crosses["1.00"]
	switch {
	case r.Kit == "":
	case raised.IsZero():
		t.Errorf("no ticket for %s", r.Kit)
	case raised.After(full):
		t.Errorf("the ticket for %s came at %v, after the fault had passed its full size at %v", r.Kit, raised, full)
	}
}

// report prints what was found, apart from the epochs.
func report(t *testing.T, findings []detect.Finding) {
	t.Helper()
	for _, f := range findings {
		at := f.Time.Format("02 15:04")
		switch d := f.Diagnosis; {
		case f.Kind == detect.EpochDone:
		case d != nil:
			t.Logf("%s %-14s %s%s side %s, probability %.2f, severity %.2f±%.2f, since %s, statistic %.1f of %.1f", at, f.Kind,
				d.Fault, d.Cause, d.Side, d.Probability, d.Severity, d.SeveritySE, d.Since.Format("02 15:04"), d.Statistic, d.Threshold)
		default:
			t.Logf("%s %s", at, f.Kind)
		}
	}
}

// topicChannels are the topics' last parts of the recordings, with what makes SI of their units.
var topicChannels = map[string]struct {
	channel signal.Channel
	factor  float64
}{
	"air-inlet-pressure": {signal.AirInletPressure, 1e5},  // bar
	"discharge-pressure": {signal.DischargePressure, 1e5}, // bar
	"air-flow":           {signal.AirFlow, 1e-3 / 60},     // L/min ANR
	"stroke-count":       {signal.StrokeCount, 1},
}

// readRecording decodes the messages of a recording, a waveform {"t", "dt", "v"} or a number each, leaves out what came
// twice and puts the rest in the order that a monitor wants.
func readRecording(t *testing.T, file string) []signal.Chunk {
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
	lines := bufio.NewScanner(z)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		c, err := chunkOf(lines.Bytes())
		if err != nil {
			t.Fatalf("%s, message %d: %v", file, len(chunks)+1, err)
		}
		chunks = append(chunks, c)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(chunks, func(a, b signal.Chunk) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.Channel, b.Channel))
	})
	return slices.CompactFunc(chunks, func(a, b signal.Chunk) bool { return a.Channel == b.Channel && a.Start.Equal(b.Start) })
}

func chunkOf(line []byte) (signal.Chunk, error) {
	var m struct {
		Time           time.Time
		Topic, Payload string
	}
	if err := json.Unmarshal(line, &m); err != nil {
		return signal.Chunk{}, err
	}
	ch, known := topicChannels[m.Topic[strings.LastIndexByte(m.Topic, '/')+1:]]
	if !known {
		return signal.Chunk{}, fmt.Errorf("topic %q is none of a recording's", m.Topic)
	}
	c := signal.Chunk{Channel: ch.channel, Start: m.Time}
	if ch.channel == signal.StrokeCount {
		v, err := strconv.ParseFloat(m.Payload, 64)
		c.Values = []float64{v}
		return c, err
	}
	var w struct {
		T  time.Time
		Dt float64
		V  []float64
	}
	err := json.Unmarshal([]byte(m.Payload), &w)
	c.Start, c.Step, c.Values = w.T, time.Duration(math.Round(w.Dt*1e9)), w.V
	for i := range c.Values {
		c.Values[i] *= ch.factor
	}
	return c, err
}
