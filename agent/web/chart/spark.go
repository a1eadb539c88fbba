package chart

import (
	"math"
	"strings"
	"time"
)

// Spark is a small picture of how far a value strays from what is expected of it. It draws the
// residual in units of its band, so that pumps of any size compare at a glance: the band is always
// the strip from -1 to 1, and a move of the operating point, which moves value and expectation
// alike, does not show.
type Spark struct {
	// Title is read out instead of the image.
	Title    string
	From, To time.Time
	// Points without an expectation are left out.
	Points        []Point
	Width, Height int
}

// The vertical range in bands: at least 2 either side so that a quiet pump looks quiet, at most 6 so
// that one wild value does not flatten the rest.
const (
	leastBands = 2
	mostBands  = 6
)

// SVG draws the spark; without a point to draw it is an empty picture with its title.
func (s Spark) SVG() string {
	var b strings.Builder
	open(&b, "spark", s.Title, s.Width, s.Height)
	residuals := s.residuals()
	if len(residuals) > 0 {
		reach := float64(leastBands)
		for _, p := range residuals {
			reach = max(reach, math.Abs(p.Value))
		}
		reach = min(reach, mostBands)
		f := frame{
			left: 2, top: 2, width: float64(s.Width - 5), height: float64(s.Height - 4),
			from: s.From, to: s.To, lo: -reach, hi: reach,
		}
		f.series(&b, residuals)
		last := residuals[len(residuals)-1]
		b.WriteString(`<circle class="last" cx="` + coord(f.x(last.Time)) + `" cy="` + coord(f.y(last.Value)) + `" r="2"/>`)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

func (s Spark) residuals() []Point {
	var residuals []Point
	for _, p := range drawable(s.Points, s.From, s.To) {
		if p.known() {
			z := (p.Value - p.Expected) / p.Band
			if finite(z) {
				residuals = append(residuals, Point{Time: p.Time, Value: z, Band: 1})
			}
		}
	}
	return residuals
}
