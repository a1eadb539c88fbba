package outlet

import (
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/agent/store"
	"diastole/detect/feature"
)

func influxTo(t *testing.T, address string) *Influx {
	t.Helper()
	s := must(NewInflux(InfluxOptions{
		Name: "tsdb", URL: address, Org: "works", Bucket: "pumps", Token: "token", Site: "north-works",
		Model: func(pump string) string { return map[string]string{"P-101": "generic-one-inch"}[pump] },
	}))(t)
	t.Cleanup(s.Close)
	return s
}

// fakeInflux answers each write request, given as its lines.
func fakeInflux(t *testing.T, answer func(w http.ResponseWriter, lines []string)) *Influx {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		want := "/api/v2/write?bucket=pumps&org=works&precision=ns"
		if r.Method != http.MethodPost || r.URL.String() != want || r.Header.Get("Authorization") != "Token token" {
			t.Errorf("%s %s %v", r.Method, r.URL, r.Header)
		}
		text := must(io.ReadAll(must(gzip.NewReader(r.Body))(t)))(t)
		answer(w, strings.Split(strings.TrimSuffix(string(text), "\n"), "\n"))
	}))
	t.Cleanup(srv.Close)
	return influxTo(t, srv.URL)
}

// The lines are compared with a golden file: field types and names must never drift, a server refuses a
// field that changes its type. UPDATE_GOLDEN=1 writes it anew.
func TestLines(t *testing.T) {
	full := epochRow(1)
	full.Epoch.Discharge = feature.Value{V: 2.5e5, SE: 90, Valid: true}
	for i := range full.Epoch.Features {
		full.Epoch.Features[i] = feature.Value{V: float64(i) + 0.5, SE: 0.125, Valid: true}
	}
	full.Epoch.Features[feature.Ripple] = feature.Value{V: math.NaN(), SE: 1, Valid: true}
	full.Epoch.Features[feature.DipDepth] = feature.Value{V: 0.25, SE: math.Inf(1), Valid: true}
	off := epochRow(2)
	off.Epoch = feature.Epoch{Start: off.Time, End: off.Time.Add(90 * time.Second), State: feature.Off}
	other := epochRow(3)
	other.Pump = "P 102, left=a"
	noEvent := store.Row{Kind: store.KindEvent, Pump: "P-101", Time: t0, ID: "x", JSON: []byte("no event")}
	var got []string
	s := fakeInflux(t, func(w http.ResponseWriter, lines []string) {
		got = lines
		w.WriteHeader(http.StatusNoContent)
	})
	rows := []store.Row{full, off, other, eventRow(1), noEvent}
	if done, err := s.Send(t.Context(), rows); done != len(rows) || err != nil {
		t.Fatalf("%d, %v", done, err)
	}
	path := filepath.Join("testdata", "lines.golden")
	text := strings.Join(got, "\n") + "\n"
	if os.Getenv("UPDATE_GOLDEN") == "1" {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff(string(must(os.ReadFile(path))(t)), text); d != "" {
		t.Errorf("(-golden +got):\n%s", d)
	}
}

func TestInfluxStatuses(t *testing.T) {
	f := func(status int, permanent bool) {
		t.Helper()
		calls := 0
		s := fakeInflux(t, func(w http.ResponseWriter, _ []string) {
			calls++
			w.Header().Set("Content-Type", "application/json")
			w.Header().Set("Retry-After", "30")
			w.WriteHeader(status)
			_, _ = io.WriteString(w, `{"code":"some code","message":"some reason"}`)
		})
		done, err := s.Send(t.Context(), []store.Row{epochRow(1)})
		if done != 0 || err == nil || IsPermanent(err) != permanent || calls != 1 || !strings.Contains(err.Error(), "some reason") {
			t.Errorf("%d: %d rows done in %d calls, error %v", status, done, calls, err)
		}
		if !permanent && waitAsked(err) != 30*time.Second {
			t.Errorf("%d: wait %s", status, waitAsked(err))
		}
	}
	for _, s := range []int{400, 413, 422} {
		f(s, true)
	}
	for _, s := range []int{301, 401, 403, 404, 429, 500, 503} {
		f(s, false)
	}
}

// The bodies are those that InfluxDB 2 answers with (api/v2/write documentation: "partial write",
// "unable to parse", field type conflict). One bad row among many is found; all before it are confirmed.
func TestOneBadPointIsFound(t *testing.T) {
	const n = 137
	for _, bad := range []int{0, 1, 68, 135, 136} {
		calls := 0
		s := fakeInflux(t, func(w http.ResponseWriter, lines []string) {
			calls++
			for _, l := range lines {
				if strings.Contains(l, fmt.Sprintf("strokes=%di", someEpoch(bad).Strokes)) {
					w.Header().Set("Content-Type", "application/json")
					w.WriteHeader(http.StatusUnprocessableEntity)
					_, _ = io.WriteString(w, `{"code":"unprocessable entity","message":"failure writing points to database: partial write: points beyond retention policy dropped=1"}`)
					return
				}
			}
			w.WriteHeader(http.StatusNoContent)
		})
		rows := make([]store.Row, n)
		for i := range rows {
			rows[i] = epochRow(i)
		}
		done, err := s.Send(t.Context(), rows)
		if done != bad || !IsPermanent(err) || calls > 2*9 {
			t.Errorf("row %d is bad: %d rows done in %d calls, error %v", bad, done, calls, err)
		}
	}
}

// Another point with the same tags and time would overwrite the first.
func TestTwoEventsAtOneTimeAreTwoPoints(t *testing.T) {
	a, b := eventRow(1), eventRow(2)
	b.Time = a.Time
	s := influxTo(t, "http://127.0.0.1:1")
	pa, pb := s.point(&a), s.point(&b)
	if pa.Time().Equal(pb.Time()) {
		t.Error("both are at the same time")
	}
	if d := pa.Time().Sub(a.Time); d < 0 || d >= time.Millisecond {
		t.Errorf("the point is %s from its event", d)
	}
	if again := s.point(&a); !again.Time().Equal(pa.Time()) {
		t.Error("the same event again is another point")
	}
}

func TestInfluxConfiguration(t *testing.T) {
	for _, bad := range []string{"", "host:8086", "ftp://host"} {
		if _, err := NewInflux(InfluxOptions{Name: "tsdb", URL: bad}); err == nil {
			t.Errorf("url %q was taken", bad)
		}
	}
}

// Against a real time-series database: what is in the outbox is there afterwards, also when it is sent twice.
func TestVictoriaMetrics(t *testing.T) {
	path := server(t, "victoria-metrics")
	port := freePort(t)
	base := fmt.Sprintf("http://127.0.0.1:%d", port)
	launch(t, port, path, "-storageDataPath="+t.TempDir(), fmt.Sprintf("-httpListenAddr=127.0.0.1:%d", port),
		"-retentionPeriod=100y", "-search.latencyOffset=0s", "-loggerLevel=ERROR", "-memory.allowedBytes=64MB")
	s := influxTo(t, base)
	box := openStore(t, store.Options{}, store.Receiver{Name: "tsdb", Kinds: s.Kinds()})
	defer closeStore(t, box)
	var b store.Batch
	const n = 120
	for i := range n {
		b.Epochs = append(b.Epochs, store.Epoch{Pump: "P-101", Epoch: someEpoch(i)})
	}
	b.Events = append(b.Events, someEvent(3))
	commit(t, box, b)
	for range 2 { // a lost confirmation makes all of it be sent again
		rows := must(box.Pending(t.Context(), "tsdb", 1000))(t)
		if done, err := s.Send(t.Context(), rows); done != n+1 || err != nil {
			t.Fatalf("%d rows done, error %v", done, err)
		}
	}
	if res, err := http.Get(base + "/internal/force_flush"); err != nil || res.Body.Close() != nil {
		t.Fatal(err)
	}
	export := func(series string) (values []float64, times []int64, labels map[string]string) {
		t.Helper()
		q := url.Values{"match[]": {series}}
		res := must(http.Get(base + "/api/v1/export?" + q.Encode()))(t)
		defer res.Body.Close()
		var answer struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		if err := json.NewDecoder(res.Body).Decode(&answer); err != nil {
			t.Fatalf("%s: %v", series, err)
		}
		return answer.Values, answer.Timestamps, answer.Metric
	}
	values, times, labels := export("diastole_epoch_stroke_rate")
	seen := map[int64]float64{}
	for i, at := range times {
		seen[at] = values[i]
	}
	want := map[int64]float64{}
	for i := range n {
		e := someEpoch(i)
		want[e.Start.UnixMilli()] = e.Features[feature.StrokeRate].V
	}
	// The database keeps decimal fractions, some 15 digits of them.
	if d := cmp.Diff(want, seen, cmpopts.EquateApprox(1e-14, 0)); d != "" {
		t.Errorf("stroke rates (-want +read back):\n%s", d)
	}
	delete(labels, "db") // the database's own
	wantLabels := map[string]string{"__name__": "diastole_epoch_stroke_rate", "site": "north-works", "pump": "P-101", "model": "generic-one-inch"}
	if d := cmp.Diff(wantLabels, labels); d != "" {
		t.Errorf("labels (-want +got):\n%s", d)
	}
	if v, at, _ := export("diastole_event_severity"); len(v) == 0 || v[0] != 0.25 || at[0] != someEvent(3).Time.UnixMilli() {
		t.Errorf("event: %v at %v", v, at)
	}
	// The query API, as a dashboard asks.
	q := url.Values{"query": {`diastole_epoch_strokes{pump="P-101"}`}, "time": {someEpoch(7).Start.Format(time.RFC3339)}}
	res := must(http.Get(base + "/api/v1/query?" + q.Encode()))(t)
	defer res.Body.Close()
	body := must(io.ReadAll(res.Body))(t)
	if !strings.Contains(string(body), fmt.Sprintf(`"%d"`, someEpoch(7).Strokes)) {
		t.Errorf("query: %s", body)
	}
}
