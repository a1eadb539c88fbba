package web

import (
	"fmt"
	"html/template"
	"net/http"
	"time"

	"diastole/agent/web/chart"
)

// CycleView is a pump's latest mean cycle over its healthy one. All values are SI; pressures are gauge.
type CycleView struct {
	// Time is the end of the data of which it is the mean; zero where there is none.
	Time time.Time
	// Strokes is how many strokes it is the mean of, Period the cycle's duration, s.
	Strokes int
	Period  float64
	// ShareA is stroke A's part of the cycle, HealthyShareA that of the healthy pump, 0 where that is not known.
	ShareA, HealthyShareA float64
	// SidesKnown is true where A and B are those of the stroke counter.
	SidesKnown bool
	// Inlet and Discharge are the waves; one that the pump's channels do not show has no Observed.
	Inlet, Discharge CycleWave
}

// CycleWave is one pressure at even steps of a cycle, Pa, the first where stroke A begins; Expected is the healthy pump's at the
// same mean pressure, Band the half-width of its 95 % prediction interval; both are empty where they are not known. Residual is the
// mean square of what is not synchronous with the strokes, Pa2.
type CycleWave struct {
	Observed, Expected, Band []float64
	Residual                 float64
}

// cycleFigure is one wave on the page of a pump.
type cycleFigure struct {
	Name  string
	Chart template.HTML
}

// cycleData is the mean cycle on the page of a pump.
type cycleData struct {
	Figures []cycleFigure
	// Shares says how the cycle's time is parted, and what it is when healthy.
	Shares  string
	Strokes int
	Time    time.Time
	// Compared is true where a healthy cycle is drawn too, SidesKnown where A and B are those of the counter.
	Compared, SidesKnown bool
}

const (
	cycleWidth  = 460
	cycleHeight = 190
)

func (s *Server) cycleData(r *http.Request, p PumpView) (cycleData, error) {
	v, err := s.src.Cycle(r.Context(), p.ID)
	if err != nil {
		return cycleData{}, fmt.Errorf("mean cycle of pump %s: %w", p.ID, err)
	}
	data := cycleData{Strokes: v.Strokes, Time: v.Time, SidesKnown: v.SidesKnown}
	if v.Time.IsZero() {
		return data, nil
	}
	for _, w := range []struct {
		name string
		wave CycleWave
	}{{"Air inlet pressure", v.Inlet}, {"Discharge pressure", v.Discharge}} {
		if len(w.wave.Observed) == 0 {
			continue
		}
		data.Compared = data.Compared || len(w.wave.Expected) > 0
		data.Figures = append(data.Figures, cycleFigure{
			Name: w.name,
			Chart: asHTML(chart.Cycle{
				Title: fmt.Sprintf("%s of pump %s over one mean cycle", w.name, p.ID), Unit: "bar", ShareA: v.ShareA,
				Observed: bars(w.wave.Observed), Expected: bars(w.wave.Expected), Band: bars(w.wave.Band),
				Width: cycleWidth, Height: cycleHeight,
			}),
		})
	}
	data.Shares = fmt.Sprintf("One cycle takes %s s; stroke A %s %% of it", chart.Number(v.Period, 2), chart.Number(100*v.ShareA, 1))
	if v.HealthyShareA > 0 {
		data.Shares += fmt.Sprintf(", %s %% when healthy", chart.Number(100*v.HealthyShareA, 1))
	}
	data.Shares += "."
	return data, nil
}

// bars turns pascals into bar.
func bars(pa []float64) []float64 {
	out := make([]float64, len(pa))
	for i, v := range pa {
		out[i] = v / 1e5
	}
	return out
}
