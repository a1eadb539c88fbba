package web

import (
	"math"
	"net/http"
	"time"

	"diastole/detect/cycle"
	"diastole/detect/feature"
)

// besideQuantities is how what stands beside the features is shown.
var besideQuantities = map[string]quantity{
	"cycle_jitter":           {"Jitter from beat to beat", "%", 100, 2},
	"air_per_stroke_metered": {"Air per stroke, by meter", "L ANR", 1000, 3},
	"air_per_stroke_virtual": {"Air per stroke, by the drop over the supply path", "L ANR", 1000, 3},
	"air_per_stroke_filling": {"Air per stroke, by displacement alone", "L ANR", 1000, 3},
	"liquid_per_stroke":      {"Liquid per stroke", "L", 1000, 3},
	"stall_creep":            {"Creep while stalled", "strokes/h", 3600, 1},
	"stall_air_flow":         {"Air flow while stalled", "L/min ANR", 60000, 1},
}

// besideRow is one such value on the page of a pump.
type besideRow struct{ Name, Value, Band, Unit string }

// besideRows are those of the values that are known, each with the half-width of its 95 % interval.
func besideRows(all []feature.Named) []besideRow {
	var rows []besideRow
	for _, n := range all {
		q, known := besideQuantities[n.Name]
		if !n.Value.Valid || !known {
			continue
		}
		rows = append(rows, besideRow{q.name, q.number(n.Value.V), q.number(1.96 * n.Value.SE), q.unit})
	}
	return rows
}

// cycleJSON is a mean cycle in the API: pressures in Pa gauge at even steps of one cycle that begins with stroke A.
type cycleJSON struct {
	Pump          string     `json:"pump"`
	Time          *time.Time `json:"time,omitempty"`
	Strokes       int        `json:"strokes"`
	Period        *float64   `json:"period_s,omitempty"`
	ShareA        *float64   `json:"share_a,omitempty"`
	HealthyShareA *float64   `json:"healthy_share_a,omitempty"`
	SidesKnown    bool       `json:"sides_known"`
	Inlet         *waveJSON  `json:"air_inlet_pressure,omitempty"`
	Discharge     *waveJSON  `json:"discharge_pressure,omitempty"`
}

// waveJSON is one pressure of a mean cycle. Order k is amplitude*cos(k*angle + phase), to a tenth of a pascal and 1e-4 rad.
type waveJSON struct {
	Observed []float64   `json:"observed_pa"`
	Expected []float64   `json:"expected_pa,omitempty"`
	Band     []float64   `json:"band_pa,omitempty"`
	Residual *float64    `json:"not_synchronous_pa2,omitempty"`
	Orders   []orderJSON `json:"orders"`
}

type orderJSON struct {
	Order     int     `json:"order"`
	Amplitude float64 `json:"amplitude_pa"`
	Phase     float64 `json:"phase_rad"`
}

// getCycle answers with the latest mean cycle; without one it has neither time nor waves.
func (s *Server) getCycle(r *http.Request) (any, error) {
	id := r.PathValue("id")
	v, err := s.src.Cycle(r.Context(), id)
	if err != nil {
		return nil, err
	}
	j := cycleJSON{Pump: id, Strokes: v.Strokes, SidesKnown: v.SidesKnown, Inlet: waveJSONOf(v.Inlet), Discharge: waveJSONOf(v.Discharge)}
	if !v.Time.IsZero() {
		t := v.Time.UTC()
		j.Time, j.Period, j.ShareA = &t, number(v.Period), number(v.ShareA)
	}
	if v.HealthyShareA > 0 {
		j.HealthyShareA = number(v.HealthyShareA)
	}
	return j, nil
}

func waveJSONOf(w CycleWave) *waveJSON {
	if len(w.Observed) <= 2*cycle.NumOrders {
		return nil
	}
	j := &waveJSON{Observed: w.Observed, Expected: w.Expected, Band: w.Band, Residual: number(w.Residual)}
	for k, o := range cycle.Orders(w.Observed) {
		j.Orders = append(j.Orders, orderJSON{k + 1, math.Round(o.Amplitude*10) / 10, math.Round(o.Phase*1e4) / 1e4})
	}
	return j
}
