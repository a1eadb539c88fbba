package agent_test

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/detect/feature"
)

// TestEpochsInATimeSeriesDatabase: VictoriaMetrics takes the InfluxDB v2 write API; what it gives back is what the pump showed.
func TestEpochsInATimeSeriesDatabase(t *testing.T) {
	t.Parallel()
	path := program(t, "victoria-metrics")
	address := freeAddress(t)
	launch(t, address, path, "-storageDataPath="+t.TempDir(), "-httpListenAddr="+address, "-retentionPeriod=100y",
		"-search.latencyOffset=0s", "-loggerLevel=ERROR", "-memory.allowedBytes=64MB")
	r := start(t, setup{outlets: fmt.Sprintf("  influxdb: {url: \"http://%s\", org: works, bucket: pumps}\n", address)})
	messages := must(wear())(t)
	connect(t, r.brokerURL(), "plant").feed(t, r, messages)
	wanted := epochsOf(t)
	ask := func(path string, query url.Values) []byte {
		t.Helper()
		res, err := client.Get("http://" + address + path + "?" + query.Encode())
		_, body := answer(t, res, err)
		return []byte(body)
	}
	series := func(name string) map[int64]float64 {
		ask("/internal/force_flush", nil)
		got := map[int64]float64{}
		for line := range strings.Lines(string(ask("/api/v1/export", url.Values{"match[]": {name + `{site="works",pump="P-101",model="generic-one-inch"}`}}))) {
			var x struct {
				Values     []float64
				Timestamps []int64
			}
			if err := json.Unmarshal([]byte(line), &x); err != nil {
				t.Fatalf("%s: %v: %s", name, err, line)
			}
			for i, at := range x.Timestamps {
				got[at] = x.Values[i]
			}
		}
		return got
	}
	rates, strokes := map[int64]float64{}, map[int64]float64{}
	for _, e := range wanted {
		strokes[e.Start.UnixMilli()] = float64(e.Strokes)
		if v := e.Features[feature.StrokeRate]; v.Valid {
			rates[e.Start.UnixMilli()] = v.V
		}
	}
	eventually(t, "the last epoch has arrived", func() bool { return len(series("diastole_epoch_strokes")) >= len(strokes) })
	near := cmpopts.EquateApprox(1e-12, 0) // the database keeps decimal fractions
	if d := cmp.Diff(strokes, series("diastole_epoch_strokes"), near); d != "" {
		t.Errorf("strokes (-epochs +database):\n%s", d)
	}
	if d := cmp.Diff(rates, series("diastole_epoch_stroke_rate"), near); d != "" {
		t.Errorf("stroke rates (-epochs +database):\n%s", d)
	}
	severities := map[int64]float64{}
	for _, e := range wearEvents(t) {
		if strings.HasPrefix(string(e.Type), "diastole.ticket") {
			var x event.Ticket
			if err := json.Unmarshal(e.Data, &x); err != nil {
				t.Fatal(err)
			}
			severities[e.Time.UnixMilli()] = x.Severity
		}
	}
	if d := cmp.Diff(severities, series("diastole_event_severity"), near); d != "" {
		t.Errorf("events (-told +database):\n%s", d)
	}
	r.stop()
}

// epochsOf are the epochs of the recording that are finished when it ends.
func epochsOf(t *testing.T) []feature.Epoch {
	t.Helper()
	s := must(watch.New(configure(t, setup{}), slog.New(slog.DiscardHandler)))(t)
	var all []feature.Epoch
	for _, m := range must(wear())(t) {
		s.Message(m)
		for _, e := range s.Take().Epochs {
			all = append(all, e.Epoch)
		}
	}
	return all
}

// TestPrometheusScrapes: a real server takes the page's metrics, and its own checker finds nothing to say of them.
func TestPrometheusScrapes(t *testing.T) {
	t.Parallel()
	path, checker := program(t, "prometheus"), program(t, "promtool")
	r := start(t, setup{})
	feedUntilTicket(t, r, connect(t, r.brokerURL(), "plant"))
	eventually(t, "the ticket is counted", func() bool {
		return r.metric(t, `diastole_pump_open_tickets{pump="P-101",site="works",urgency="planned"}`) == "1"
	})

	_, metrics := r.get(t, "/metrics")
	check := exec.Command(checker, "check", "metrics")
	check.Stdin = strings.NewReader(metrics)
	if out, err := check.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}

	dir, address := t.TempDir(), freeAddress(t)
	file := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs: [{job_name: diastole, static_configs: [{targets: [%q]}]}]\n", r.Addr())
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(checker, "check", "config", file).CombinedOutput(); err != nil {
		t.Fatalf("promtool check config: %v\n%s", err, out)
	}
	launch(t, address, path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--log.level=warn")
	query := func(q string) (values []string) {
		res, err := client.Get("http://" + address + "/api/v1/query?" + url.Values{"query": {q}}.Encode())
		_, body := answer(t, res, err)
		var answer struct {
			Data struct {
				Result []struct{ Value [2]any }
			}
		}
		if err := json.Unmarshal([]byte(body), &answer); err != nil {
			return nil // it is still starting
		}
		for _, x := range answer.Data.Result {
			values = append(values, fmt.Sprint(x.Value[1]))
		}
		return values
	}
	eventually(t, "the server has scraped", func() bool { return len(query(`up{job="diastole"} == 1`)) == 1 })
	for q, want := range map[string]string{
		`diastole_pump_open_tickets{pump="P-101",site="works",urgency="planned"}`: "1",
		`diastole_pump_info{model="generic-one-inch",serial="0007"}`:              "1",
		`diastole_broker_connected`:                                               "1",
		`sum(diastole_channel_malformed_total) or vector(0)`:                      "0",
		`diastole_pump_statistic`:                                                 r.metric(t, `diastole_pump_statistic{pump="P-101",site="works"}`),
	} {
		if got := query(q); len(got) != 1 || got[0] != want {
			t.Errorf("%s: %v, want %s", q, got, want)
		}
	}
	r.stop()
}
