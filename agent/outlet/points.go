package outlet

import (
	"encoding/json"
	"hash/fnv"
	"math"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"diastole/agent/event"
	"diastole/agent/store"
	"diastole/detect/feature"
)

// point makes the point of a row. Tags are site, pump and model only: everything else has too many values
// for an index.
func (s *Influx) point(row *store.Row) *write.Point {
	tags := map[string]string{"site": s.opts.Site}
	if row.Pump != "" {
		tags["pump"] = row.Pump
		if model := s.opts.Model(row.Pump); model != "" {
			tags["model"] = model
		}
	}
	if row.Kind == store.KindEpoch {
		return write.NewPoint("diastole_epoch", tags, epochFields(&row.Epoch), row.Epoch.Start)
	}
	return write.NewPoint("diastole_event", tags, eventFields(row), eventTime(row))
}

// epochFields are state and strokes, and of the rest what is valid: each feature under its name and its
// standard error under name_se, what stands beside them the same, the operating point in Pa gauge, the length in seconds.
func epochFields(e *feature.Epoch) map[string]any {
	f := map[string]any{
		"state":   e.State.String(),
		"strokes": int64(e.Strokes),
		"seconds": e.End.Sub(e.Start).Seconds(),
	}
	add := func(name string, v feature.Value) {
		if v.Valid && finite(v.V) {
			f[name] = v.V
			if finite(v.SE) {
				f[name+"_se"] = v.SE
			}
		}
	}
	add("inlet_pa", e.Inlet)
	add("discharge_pa", e.Discharge)
	for id, v := range e.Features {
		add(feature.ID(id).String(), v)
	}
	if e.Tier != feature.TierNone {
		f["tier"] = e.Tier.String()
	}
	for _, n := range e.Beside() {
		add(n.Name, n.Value)
	}
	return f
}

// finite tells whether line protocol can write v.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// eventFields are the event's id and type, the whole event as text, and the two numbers of a ticket that
// are worth a curve: a database that stores numbers only keeps at least these.
func eventFields(row *store.Row) map[string]any {
	f := map[string]any{"id": row.ID, "json": string(row.JSON), "count": int64(1)}
	var e event.Event
	if json.Unmarshal(row.JSON, &e) != nil {
		return f // what is no event is kept as the text that it is
	}
	f["type"] = string(e.Type)
	var ticket struct {
		Severity    *float64 `json:"severity"`
		Probability *float64 `json:"probability"`
	}
	if json.Unmarshal(e.Data, &ticket) == nil {
		if ticket.Severity != nil {
			f["severity"] = *ticket.Severity
		}
		if ticket.Probability != nil {
			f["probability"] = *ticket.Probability
		}
	}
	return f
}

// eventTime is the event's time and a part of a millisecond that follows from its id: two events of a pump
// at the same time would be one point, the second overwriting the first.
func eventTime(row *store.Row) time.Time {
	h := fnv.New32a()
	h.Write([]byte(row.ID))
	return row.Time.Add(time.Duration(h.Sum32() % uint32(time.Millisecond)))
}
