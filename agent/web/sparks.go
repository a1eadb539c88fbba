package web

import (
	"context"
	"html/template"
	"sync"
	"time"

	"diastole/agent/web/chart"
	"diastole/detect/feature"
)

// The spark of a pump shows the stroke rate's residual: the rate reacts to every fault of the wet end
// and of the air valve, and needs only the counter and the pressures.
const (
	sparkSpan   = 14 * 24 * time.Hour
	sparkPoints = 80
)

// sparkCache keeps the trends behind the sparks of the fleet page, so that a refresh does not read two
// weeks of every pump again. A trend is read again once it would be visibly longer.
type sparkCache struct {
	mu      sync.Mutex
	entries map[string]sparkEntry
}

type sparkEntry struct {
	until    time.Time
	learning bool
	points   []Point
}

// sparkStep is a quarter of the distance between two points of a spark.
const sparkStep = sparkSpan / sparkPoints / 4

// spark draws a pump's spark. The cache's lock is not held while the source is asked.
func (s *Server) spark(ctx context.Context, p PumpView, width, height int) (template.HTML, error) {
	from, to := p.LastData.Add(-sparkSpan), p.LastData
	s.sparks.mu.Lock()
	entry, found := s.sparks.entries[p.ID]
	s.sparks.mu.Unlock()

	age := to.Sub(entry.until)
	if !found || age < 0 || age > sparkStep || entry.learning != (p.Learning != "") {
		points, err := s.src.Trend(ctx, p.ID, feature.StrokeRate, from, to, sparkPoints)
		if err != nil {
			return "", err
		}
		entry = sparkEntry{to, p.Learning != "", points}
		s.sparks.mu.Lock()
		if s.sparks.entries == nil {
			s.sparks.entries = make(map[string]sparkEntry)
		}
		s.sparks.entries[p.ID] = entry
		s.sparks.mu.Unlock()
	}
	return asHTML(chart.Spark{
		Title: "Stroke rate against what is expected, in bands, the last 14 days",
		From:  from, To: to, Points: chartPoints(entry.points, quantities[feature.StrokeRate]),
		Width: width, Height: height,
	}), nil
}

// chartPoints turns points into the unit in which they are drawn.
func chartPoints(points []Point, q quantity) []chart.Point {
	drawn := make([]chart.Point, len(points))
	for i, p := range points {
		drawn[i] = chart.Point{Time: p.Time, Value: p.Value * q.factor}
		if p.Known() {
			drawn[i].Expected, drawn[i].Band = p.Expected*q.factor, p.Band*q.factor
		}
	}
	return drawn
}

// asHTML trusts the picture of package chart, which escapes its texts.
func asHTML(picture interface{ SVG() string }) template.HTML {
	return template.HTML(picture.SVG()) //nolint:gosec // see the comment above
}
