package table

import (
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/config"
	"diastole/agent/intake"
	"diastole/agent/intake/payload"
	"diastole/detect/signal"
)

func berlin(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("this machine has no zones")
	}
	return zone
}

// read gives the rows as text and the bad ones by line.
func read(t *testing.T, text string, o Options) (rows, bad []string, sum Summary, err error) {
	t.Helper()
	o.Pump, o.Channel = "P-101", signal.AirInletPressure
	sum, err = Read(strings.NewReader(text), o, func(m intake.Message) error {
		if m.Topic != "$diastole/import/P-101/air_inlet_pressure" {
			t.Errorf("topic %s", m.Topic)
		}
		rows = append(rows, m.Arrival.Format(time.RFC3339Nano)+" "+string(m.Payload))
		return nil
	}, func(e *RowError) { bad = append(bad, e.Error()) })
	return rows, bad, sum, err
}

func TestReadTables(t *testing.T) {
	zone := berlin(t)
	for name, x := range map[string]struct {
		text string
		o    Options
		want []string // time and value
	}{
		"two columns":      {"2026-03-09T10:00:00Z,4.8\n2026-03-09T10:00:01.5Z,4.9\n", Options{}, []string{"2026-03-09T10:00:00Z 4.8", "2026-03-09T10:00:01.5Z 4.9"}},
		"a header":         {"Time;Value\n2026-03-09T11:00:00+01:00;4.8\n", Options{}, []string{"2026-03-09T10:00:00Z 4.8"}},
		"columns by name":  {"tag,value,quality,when\nA,4.8,good,2026-03-09 10:00:00\n", Options{Time: "When", Value: "value", Zone: time.UTC}, []string{"2026-03-09T10:00:00Z 4.8"}},
		"columns by place": {"x\t2026-03-09 10:00:00\t4.8\n", Options{Time: "2", Value: "3", Zone: time.UTC}, []string{"2026-03-09T10:00:00Z 4.8"}},
		"decimal comma":    {"\xef\xbb\xbfZeit;Druck\n09.03.2026 11:00:00;4,8\n", Options{Zone: zone, DecimalComma: true}, []string{"2026-03-09T10:00:00Z 4.8"}},
		"comma in quotes":  {"2026-03-09T10:00:00Z,\"4,8\"\n", Options{DecimalComma: true}, []string{"2026-03-09T10:00:00Z 4.8"}},
		"seconds":          {"1772323201.25,4.8\n1772323202,5\n", Options{}, []string{"2026-03-01T00:00:01.25Z 4.8", "2026-03-01T00:00:02Z 5"}},
		"milliseconds":     {"1772323201250,1e-1\n", Options{}, []string{"2026-03-01T00:00:01.25Z 0.1"}},
		"month first":      {"3/9/2026 1:00:00 PM,4.8\n", Options{Zone: time.UTC, MonthFirst: true}, []string{"2026-03-09T13:00:00Z 4.8"}},
		"day first":        {"9/3/2026 13:00,4.8\n", Options{Zone: time.UTC, DayFirst: true}, []string{"2026-03-09T13:00:00Z 4.8"}},
		"a contact":        {"2026-03-09T10:00:00Z,TRUE\n2026-03-09T10:00:01Z,off\n", Options{}, []string{"2026-03-09T10:00:00Z 1", "2026-03-09T10:00:01Z 0"}},
		// The clocks of Berlin went from 3:00 back to 2:00 on 26 October 2025, 01:00 UTC.
		"the hour twice": {"t,v\n2025-10-26 02:30:00,1\n2025-10-26 02:45:00,2\n2025-10-26 02:00:00,3\n2025-10-26 02:30:00,4\n2025-10-26 03:00:00,5\n", Options{Zone: zone}, []string{
			"2025-10-26T00:30:00Z 1", "2025-10-26T00:45:00Z 2", "2025-10-26T01:00:00Z 3", "2025-10-26T01:30:00Z 4", "2025-10-26T02:00:00Z 5",
		}},
	} {
		rows, bad, _, err := read(t, x.text, x.o)
		var want []string
		for _, w := range x.want {
			at, v, _ := strings.Cut(w, " ")
			want = append(want, fmt.Sprintf(`%s {"t":%q,"v":%s}`, at, at, v))
		}
		if diff := cmp.Diff(want, rows); diff != "" || err != nil || len(bad) > 0 {
			t.Errorf("%s: %v, %q (-want +got):\n%s", name, err, bad, diff)
		}
	}
}

// Bad rows are named by line and cost nothing but themselves; gaps are told.
func TestBadRowsAndGaps(t *testing.T) {
	text := `time,value
2026-03-09T10:00:00Z,4.8
2026-03-09T10:00:10Z,Bad
2026-03-09T10:00:20Z,
2026-03-09T10:00:30Z,"4,9"
yesterday,5
2026-03-09 10:00:40,5
3/9/2026 10:00:40,5
2026-03-09T10:00:40Z,5
2026-03-09T10:00:40Z,5.1
1970-01-01T00:00:00Z,5
2026-03-09T10:00:50Z
2026-03-09T10:00:50Z,NaN
2026-03-09T10:00:50Z,0x10
2026-03-09T10:00:50Z,5.5
2026-03-09T12:00:00Z,4.5
2026-03-09T12:00:10Z,4.6
`
	rows, bad, sum, err := read(t, text, Options{})
	if err != nil || len(rows) != 5 {
		t.Fatalf("%v, %q", err, rows)
	}
	wants := []string{
		`line 3: "Bad" is no number`, `line 4: the value is empty`, `line 5: "4,9" is no number; is its decimal mark a comma?`, `line 6: "yesterday" is no time`,
		`line 7: "2026-03-09 10:00:40" has no zone`, `line 8: "3/9/2026 10:00:40" may be a day or a month first`, `line 10: 2026-03-09T10:00:40Z is not after the row before`,
		`line 11: "1970-01-01T00:00:00Z" is in the year 1970`, `line 12: there are 1 columns; the row needs 2`, `line 13: "NaN" is no number`, `line 14: "0x10" is no number`,
	}
	if len(bad) != len(wants) {
		t.Fatalf("%q", bad)
	}
	for i, w := range wants {
		if !strings.HasPrefix(bad[i], w) {
			t.Errorf("%q, want %q", bad[i], w)
		}
	}
	at := func(text string) time.Time {
		x, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	want := Summary{
		Rows: 5, Bad: 11, First: at("2026-03-09T10:00:00Z"), Last: at("2026-03-09T12:00:10Z"), Min: 4.5, Max: 5.5,
		Longest: 1*time.Hour + 59*time.Minute + 10*time.Second, LongestEnd: at("2026-03-09T12:00:00Z"), Usual: 40 * time.Second,
	}
	if diff := cmp.Diff(want, sum); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestTablesThatCannotBeRead(t *testing.T) {
	for text, x := range map[string]struct {
		table string
		o     Options
	}{
		"the table is empty":                {"", Options{}},
		"line 1: there is one column":       {"4.8\n", Options{}},
		`there is no column "when" for the`: {"time,value\n", Options{Time: "when"}},
		`there is no column "3" for the`:    {"time,value\n", Options{Value: "3"}},
	} {
		if _, _, _, err := read(t, x.table, x.o); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%v; want %q", err, text)
		}
	}
	full := errors.New("no space")
	if _, err := Read(strings.NewReader("2026-03-09T10:00:00Z,4.8\n"), Options{}, func(intake.Message) error { return full }, nil); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
}

// What is imported becomes the samples that the channel's configuration makes of the raw numbers, whatever its live format.
func TestImportedIsRead(t *testing.T) {
	cfg, err := config.Parse("t.yaml", []byte(`
site: north
mqtt: {broker: mqtt://127.0.0.1}
pumps:
  - id: P-101
    channels:
      air_inlet_pressure: {topic: spBv1.0/G/DDATA/E/D, format: sparkplug-b, name: air, unit: mA, scale: {from: [4, 20], to: [0, 10], unit: bar}}
`))
	if err != nil {
		t.Fatal(err)
	}
	router, err := intake.NewRouter(cfg.Pumps, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	var got []signal.Chunk
	_, err = Read(strings.NewReader("2026-03-09T10:00:00Z,12\n2026-03-09T10:00:10Z,2\n"), Options{Pump: "P-101", Channel: signal.AirInletPressure}, func(m intake.Message) error {
		router.Decode(new(payload.Samples), m, func(_ *intake.Route, chunks []signal.Chunk) { got = append(got, chunks...) })
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []signal.Chunk{{Channel: signal.AirInletPressure, Start: time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC), Values: []float64{5e5}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if st := router.Routes()[0].Stats(); st.Messages != 2 || st.Malformed[payload.OutOfRange] != 1 {
		t.Errorf("%+v", st)
	}
}

func FuzzRead(f *testing.F) {
	f.Add("time;value\n2026-03-09 10:00:00;4,8\n", true)
	f.Add("1772323201,1\n\"", false)
	f.Fuzz(func(t *testing.T, text string, comma bool) {
		last := time.Time{}
		sum, err := Read(strings.NewReader(text), Options{Zone: time.UTC, DecimalComma: comma, DayFirst: true}, func(m intake.Message) error {
			if !m.Arrival.After(last) {
				t.Fatalf("%v after %v", m.Arrival, last)
			}
			last = m.Arrival
			return nil
		}, func(e *RowError) {
			if e.Line < 1 || e.Err == nil {
				t.Fatalf("%+v", e)
			}
		})
		if err == nil && sum.Rows+sum.Bad > int64(strings.Count(text, "\n")+1) {
			t.Fatalf("%+v of %q", sum, text)
		}
	})
}
