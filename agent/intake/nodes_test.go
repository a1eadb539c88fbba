package intake

import (
	"bytes"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/intake/payload"
	"diastole/agent/intake/sparkplug"
	"diastole/detect/signal"
)

const (
	nodeData   = "spBv1.0/North/NDATA/gw-1"
	deviceData = "spBv1.0/North/DDATA/gw-1/P-101"
)

// plant is a router of three metrics of one node and its device, with all that came out of it.
type plant struct {
	router *Router
	log    bytes.Buffer
	now    time.Time
	seq    uint64
	got    map[signal.Channel][]signal.Chunk
}

func newPlant(t *testing.T) *plant {
	t.Helper()
	p := &plant{now: t0, got: map[signal.Channel][]signal.Chunk{}}
	var err error
	p.router, err = NewRouter([]config.Pump{{ID: "P-101", Channels: []config.Channel{
		{Channel: signal.AirInletPressure, Topic: deviceData, Format: config.FormatSparkplugB, Name: "air", Factor: 1e5},
		{Channel: signal.DischargePressure, Topic: deviceData, Format: config.FormatSparkplugB, Name: "discharge", Factor: 1e5, Spacing: 20 * time.Millisecond},
		{Channel: signal.AirSupplyPressure, Topic: nodeData, Format: config.FormatSparkplugB, Name: "main", Factor: 1e5},
		{Channel: signal.StrokeCount, Topic: "north/strokes", Format: config.FormatNumber, Factor: 1},
	}}}, slog.New(slog.NewTextHandler(&p.log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *plant) send(kind sparkplug.Type, metrics ...sparkplug.Metric) {
	topic := sparkplug.Topic{Group: "North", Type: kind, Node: "gw-1"}
	if strings.HasPrefix(string(kind), "D") {
		topic.Device = "P-101"
	}
	p.now = p.now.Add(time.Second)
	b := sparkplug.Payload{Timestamp: uint64(p.now.UnixMilli()), HasTimestamp: true, Metrics: metrics}
	if kind != sparkplug.NodeDeath {
		b.Seq, b.HasSeq = p.seq%256, true
		p.seq++
	}
	p.take(topic.String(), b.Encode())
}

func (p *plant) take(topic string, body []byte) {
	var s payload.Samples
	p.router.Decode(&s, Message{Arrival: p.now, Topic: topic, Payload: body}, func(r *Route, chunks []signal.Chunk) {
		for _, c := range chunks {
			c.Values = slices.Clone(c.Values)
			p.got[r.Channel] = append(p.got[r.Channel], c)
		}
	})
}

func (p *plant) births() {
	p.send(sparkplug.NodeBirth, sparkplug.NewMetric("bdSeq", sparkplug.Int64, p.now, 0), sparkplug.NewMetric("main", sparkplug.Float, p.now, 7))
	p.send(sparkplug.DeviceBirth,
		sparkplug.NewArray("air", sparkplug.FloatArray, p.now, 10*time.Millisecond, []float64{5, 5}),
		sparkplug.NewArray("discharge", sparkplug.FloatArray, p.now, 0, []float64{2}))
}

func TestSparkplugTopics(t *testing.T) {
	p := newPlant(t)
	want := []string{
		"north/strokes",
		"spBv1.0/North/DBIRTH/gw-1/+", "spBv1.0/North/DDATA/gw-1/+", "spBv1.0/North/DDEATH/gw-1/+",
		"spBv1.0/North/NBIRTH/gw-1", "spBv1.0/North/NDATA/gw-1", "spBv1.0/North/NDEATH/gw-1",
	}
	if diff := cmp.Diff(want, p.router.Topics()); diff != "" {
		t.Error(diff)
	}
	for topic, text := range map[string]string{
		"spBv1.0/North/DBIRTH/gw-1/P-101": "name the topic of the data, NDATA or DDATA, not DBIRTH",
		"north/p101/air":                  "does not begin with spBv1.0/",
	} {
		_, err := NewRouter([]config.Pump{{ID: "P-101", Channels: []config.Channel{{Topic: topic, Format: config.FormatSparkplugB, Name: "x"}}}}, slog.Default())
		if err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%s: %v; want %q", topic, err, text)
		}
	}
}

// A waveform is an array with its spacing in the metric or in the configuration; the arrays of a birth are old and tell nothing.
func TestSparkplugSamples(t *testing.T) {
	p := newPlant(t)
	p.births()
	at := p.now
	p.send(sparkplug.DeviceData,
		sparkplug.NewArray("air", sparkplug.FloatArray, at, 10*time.Millisecond, []float64{5, 4.5}),
		sparkplug.NewArray("discharge", sparkplug.DoubleArray, at, 0, []float64{2, 2.5, 3}),
		sparkplug.NewMetric("other", sparkplug.Float, at, 9))
	want := map[signal.Channel][]signal.Chunk{
		signal.AirSupplyPressure: {{Channel: signal.AirSupplyPressure, Start: t0, Values: []float64{7e5}}},
		signal.AirInletPressure:  {{Channel: signal.AirInletPressure, Start: at, Step: 10 * time.Millisecond, Values: []float64{5e5, 4.5e5}}},
		signal.DischargePressure: {{Channel: signal.DischargePressure, Start: at, Step: 20 * time.Millisecond, Values: []float64{2e5, 2.5e5, 3e5}}},
	}
	// "other" was in no birth: it is asked for, and harms nobody.
	if diff := cmp.Diff(want, p.got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if n := len(p.router.Requests()); n != 1 {
		t.Errorf("%d requests", n)
	}
	if n := p.router.Unrouted(); n != 0 {
		t.Errorf("%d unrouted", n)
	}
	p.take("spBv1.0/North/NDATA/another", nil)
	p.take("spBv1.0/STATE/scada", []byte(`{"online":true,"timestamp":1}`))
	if n := p.router.Unrouted(); n != 2 {
		t.Errorf("%d unrouted", n)
	}
}

// Historical values keep their times and their order; evenly spaced ones are one waveform.
func TestSparkplugHistory(t *testing.T) {
	p := newPlant(t)
	p.births()
	var metrics []sparkplug.Metric
	past := p.now.Add(-time.Hour)
	for i := range 50 {
		m := sparkplug.NewMetric("air", sparkplug.Float, past.Add(time.Duration(i)*10*time.Millisecond), float64(i))
		m.Historical = true
		metrics = append(metrics, m)
	}
	p.send(sparkplug.DeviceData, metrics...)
	got := p.got[signal.AirInletPressure]
	if len(got) != 1 || len(got[0].Values) != 50 || got[0].Step != 10*time.Millisecond || !got[0].Start.Equal(past) || got[0].Values[49] != 49e5 {
		t.Errorf("%v", got)
	}
}

func TestSparkplugRefusals(t *testing.T) {
	p := newPlant(t)
	p.births()
	null := sparkplug.NewMetric("main", sparkplug.Float, p.now, 0)
	null.Null = true
	stale := sparkplug.NewMetric("main", sparkplug.Float, p.now, 7)
	stale.Quality = sparkplug.QualityStale
	bare := sparkplug.NewArray("air", sparkplug.FloatArray, p.now, 0, []float64{5})
	short := sparkplug.NewArray("air", sparkplug.FloatArray, p.now, time.Nanosecond, []float64{5})
	for _, tt := range []struct {
		kind   sparkplug.Type
		metric sparkplug.Metric
		route  int
		reason payload.Reason
		text   string
	}{
		{sparkplug.NodeData, null, 2, payload.Quality, "the metric is null"},
		{sparkplug.NodeData, stale, 2, payload.Quality, "Quality is 500; 192 is good"},
		{sparkplug.NodeData, sparkplug.NewText("main", p.now, "high"), 2, payload.NotANumber, `"high" is not a number`},
		{sparkplug.NodeData, sparkplug.NewMetric("main", sparkplug.Float, time.Unix(1, 0), 1), 2, payload.Clock, "before 2000"},
		{sparkplug.DeviceData, bare, 0, payload.Spacing, "without the property dt"},
		{sparkplug.DeviceData, short, 0, payload.Spacing, "the property dt is 1e-09 s"},
		{sparkplug.DeviceData, sparkplug.NewArray("air", sparkplug.FloatArray, p.now, time.Second, nil), 0, payload.Empty, "no samples"},
	} {
		p.send(tt.kind, tt.metric)
		bad := p.router.Routes()[tt.route].Stats().LastBad
		if bad == nil || bad.Reason != tt.reason || !strings.Contains(bad.Text, tt.text) {
			t.Errorf("%+v; want %s %q", bad, tt.reason, tt.text)
		}
	}
	// A birth that lacks the metric says what there is.
	p.send(sparkplug.DeviceBirth, sparkplug.NewMetric("Air", sparkplug.Float, p.now, 5))
	if bad := p.router.Routes()[0].Stats().LastBad; !strings.Contains(bad.Text, `the birth has no metric "air"; it has "Air"`) {
		t.Errorf("%+v", bad)
	}
	p.take(deviceData, []byte("{}"))
	if bad := p.router.Routes()[0].Stats().LastBad; bad.Reason != payload.Syntax {
		t.Errorf("%+v", bad)
	}
}

// Death makes the channels offline, birth brings them back: those of the device alone, or all of the node.
func TestSparkplugOffline(t *testing.T) {
	p := newPlant(t)
	offline := func() (out []bool) {
		for _, r := range p.router.Routes() {
			out = append(out, !r.Offline().IsZero())
		}
		return out
	}
	check := func(when string, want ...bool) {
		t.Helper()
		if diff := cmp.Diff(want, offline()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", when, diff)
		}
	}
	p.births()
	check("after the births", false, false, false, false)
	p.send(sparkplug.DeviceDeath)
	check("after the device's death", true, true, false, false)
	p.send(sparkplug.NodeDeath, sparkplug.NewMetric("bdSeq", sparkplug.Int64, p.now, 0))
	check("after the node's death", true, true, true, false)
	if at := p.router.Routes()[2].Offline(); !at.Equal(p.now) {
		t.Errorf("offline since %v, not %v", at, p.now)
	}
	p.births()
	check("after the births", false, false, false, false)
}

// After a new connection nothing is believed before the births come again, which all nodes are asked for.
func TestSparkplugConnected(t *testing.T) {
	p := newPlant(t)
	p.births()
	p.take(ConnectedTopic, nil)
	if n := len(p.router.Requests()); n != 1 {
		t.Errorf("%d requests", n)
	}
	n := len(p.got[signal.AirSupplyPressure])
	p.send(sparkplug.NodeData, sparkplug.NewMetric("main", sparkplug.Float, p.now, 7))
	if len(p.got[signal.AirSupplyPressure]) != n {
		t.Error("a value was believed")
	}
	if s := p.router.Routes()[2].Stats(); s.Malformed[payload.Sequence] != 1 {
		t.Errorf("%+v", s)
	}
}

// Nothing of Sparkplug is retained (chapter 4); what is nevertheless may be of any session.
func TestRetainedSparkplugIsIgnored(t *testing.T) {
	p := newPlant(t)
	birth := sparkplug.Payload{HasSeq: true, Metrics: []sparkplug.Metric{sparkplug.NewMetric("main", sparkplug.Float, t0, 7)}}
	m := Message{Arrival: t0, Topic: "spBv1.0/North/NBIRTH/gw-1", Payload: birth.Encode(), Retained: true}
	p.router.Decode(new(payload.Samples), m, func(r *Route, chunks []signal.Chunk) { t.Errorf("%v gives %v", r.Channel, chunks) })
	if s := p.router.Routes()[2].Stats(); s.Messages != 1 || s.Retained != 1 {
		t.Errorf("%+v", s)
	}
}

func TestMatches(t *testing.T) {
	for _, tt := range []struct {
		filter, topic string
		want          bool
	}{ // MQTT 3.1.1, section 4.7.1.3, and plain topics
		{"a/+", "a/b", true}, {"a/+", "a", false}, {"a/+", "a/b/c", false}, {"+", "finance", true}, {"+", "/finance", false},
		{"+/+", "/finance", true}, {"/+", "/finance", true}, {"a/b", "a/b", true}, {"a/b", "a/c", false}, {"a/+/c", "a/b/c", true},
		{"sport/tennis/player1/#", "sport/tennis/player1", true}, {"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true}, // 4.7.1.2
		{"sport/#", "sport", true}, {"#", "a/b", true}, {"#", "$SYS/x", false}, {"+/x", "$SYS/x", false}, {"sport/#", "sports", false},
	} {
		if got := Matches(tt.filter, tt.topic); got != tt.want {
			t.Errorf("%s %s: %t", tt.filter, tt.topic, got)
		}
	}
}

func FuzzSparkplugMessages(f *testing.F) {
	f.Add("DDATA", sparkplug.Payload{Seq: 2, HasSeq: true, Metrics: []sparkplug.Metric{
		sparkplug.NewArray("air", sparkplug.FloatArray, t0, time.Millisecond, []float64{1, 2}),
		sparkplug.NewMetric("air", sparkplug.Float, t0, 5), sparkplug.NewText("air", t0, "5"),
	}}.Encode())
	f.Add("DBIRTH", sparkplug.Payload{Seq: 2, HasSeq: true}.Encode())
	f.Fuzz(func(t *testing.T, kind string, body []byte) {
		p := newPlant(t)
		p.births()
		p.take("spBv1.0/North/"+kind+"/gw-1/P-101", body)
		for channel, chunks := range p.got {
			for _, c := range chunks {
				if c.Channel != channel || len(c.Values) == 0 || c.Step < 0 || c.Start.IsZero() {
					t.Fatalf("%v", c)
				}
			}
		}
	})
}
