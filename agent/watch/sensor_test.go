package watch

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/sensor"
	"diastole/detect/signal"
	trade "diastole/model/pump"
)

// TestEverySensorFaultHasWords: of each kind the advisory names the channel, says what was seen and what to check; it opens and closes.
func TestEverySensorFaultHasWords(t *testing.T) {
	at := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	for _, k := range sensor.Kinds() {
		var b book
		var out Output
		f := detect.Finding{Kind: detect.CauseRaised, Time: at, Key: "sensor-fault-x", Diagnosis: &diagnose.Diagnosis{
			Likelihood: diagnose.Likelihood{Cause: trade.SensorFault, Probability: 1}, Channel: "stroke_count", Since: at,
			Sensor: &sensor.Fault{Channel: signal.StrokeCount, Kind: k, Observed: 3, Limit: 1},
		}}
		b.cause("site", &config.Pump{ID: "P-1"}, &f, &out)
		f.Kind = detect.CauseCleared
		b.cause("site", &config.Pump{ID: "P-1"}, &f, &out)
		if len(out.Events) != 2 || out.Events[0].Type != event.AdvisoryOpened || out.Events[1].Type != event.AdvisoryClosed {
			t.Fatalf("%s: events %v", k, out.Events)
		}
		var a event.Advisory
		if err := json.Unmarshal(out.Events[0].Data, &a); err != nil {
			t.Fatal(err)
		}
		if a.Channel != "stroke_count" || len(a.Evidence) != 1 || a.Evidence[0].Feature != k.String() || a.Evidence[0].Meaning == "" || !strings.Contains(a.Action, "Until it is mended") {
			t.Errorf("%s: %+v", k, a)
		}
	}
}
