package chart

import (
	"encoding/xml"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Point is one value with what was expected of it, in the unit that is drawn. Band is the half-width
// around Expected; where it is not positive nothing was expected. A point whose Value is not finite
// is left out.
type Point struct {
	Time           time.Time
	Value          float64
	Expected, Band float64
}

func (p Point) known() bool { return p.Band > 0 && finite(p.Expected) && finite(p.Band) }

// outside tells whether the value lies beyond its band.
func (p Point) outside() bool { return p.known() && math.Abs(p.Value-p.Expected) > p.Band }

// finite tells whether v can be drawn: a number, and far enough from the largest ones that sums and
// differences of such numbers are numbers too.
func finite(v float64) bool { return math.Abs(v) < 1e300 }

// drawable keeps the points from one time to the other that can be drawn, in order of time.
func drawable(points []Point, from, to time.Time) []Point {
	kept := slices.DeleteFunc(slices.Clone(points), func(p Point) bool {
		return !finite(p.Value) || p.Time.Before(from) || p.Time.After(to)
	})
	slices.SortStableFunc(kept, func(a, b Point) int { return a.Time.Compare(b.Time) })
	return kept
}

// runs splits points where data is missing: where the distance is over three times the usual one.
func runs(points []Point) [][]Point {
	if len(points) < 3 {
		return [][]Point{points}
	}
	steps := make([]time.Duration, len(points)-1)
	for i := range steps {
		steps[i] = points[i+1].Time.Sub(points[i].Time)
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	limit := 3 * sorted[len(sorted)/2]

	var split [][]Point
	start := 0
	for i, step := range steps {
		if step > limit {
			split = append(split, points[start:i+1])
			start = i + 1
		}
	}
	return append(split, points[start:])
}

// frame maps time and value to the drawing area, whose corner is (left, top), y growing downwards.
type frame struct {
	left, top, width, height float64
	from, to                 time.Time
	lo, hi                   float64
}

func (f frame) x(t time.Time) float64 {
	span := f.to.Sub(f.from).Seconds()
	if span <= 0 {
		return f.left + f.width/2
	}
	return f.left + f.width*clamp(t.Sub(f.from).Seconds()/span)
}

func (f frame) y(v float64) float64 {
	return f.top + f.height*(1-clamp((v-f.lo)/(f.hi-f.lo)))
}

func clamp(share float64) float64 { return min(max(share, 0), 1) }

// line is the path through the values of one run; a lone point becomes a dot through its round cap.
func (f frame) line(run []Point, value func(Point) float64) string {
	var b strings.Builder
	for i, p := range run {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(coord(f.x(p.Time)) + " " + coord(f.y(value(p))))
	}
	if len(run) == 1 {
		b.WriteString("h0")
	}
	return b.String()
}

// area is the closed path of the expected band of one run, which must all be known.
func (f frame) area(run []Point) string {
	var b strings.Builder
	for i, p := range run {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(coord(f.x(p.Time)) + " " + coord(f.y(p.Expected+p.Band)))
	}
	for _, p := range slices.Backward(run) {
		b.WriteString("L" + coord(f.x(p.Time)) + " " + coord(f.y(p.Expected-p.Band)))
	}
	return b.String() + "Z"
}

// series writes band, expectation, values and the points outside the band.
func (f frame) series(b *strings.Builder, points []Point) {
	var band, expected, observed strings.Builder
	for _, run := range runs(points) {
		for _, known := range knownRuns(run) {
			band.WriteString(f.area(known))
			expected.WriteString(f.line(known, func(p Point) float64 { return p.Expected }))
		}
		observed.WriteString(f.line(run, func(p Point) float64 { return p.Value }))
	}
	path(b, "band", band.String())
	path(b, "expected", expected.String())
	path(b, "observed", observed.String())
	for _, p := range points {
		if p.outside() {
			b.WriteString(`<circle class="outside" cx="` + coord(f.x(p.Time)) + `" cy="` + coord(f.y(p.Value)) + `" r="1.6"/>`)
		}
	}
}

// knownRuns splits a run into its stretches with an expectation.
func knownRuns(run []Point) [][]Point {
	var split [][]Point
	start := 0
	for i := 0; i <= len(run); i++ {
		if i < len(run) && run[i].known() {
			continue
		}
		if i > start {
			split = append(split, run[start:i])
		}
		start = i + 1
	}
	return split
}

func path(b *strings.Builder, class, d string) {
	if d != "" {
		b.WriteString(`<path class="` + class + `" d="` + d + `"/>`)
	}
}

// open starts an SVG image that reads as title to those who cannot see it.
func open(b *strings.Builder, class, title string, width, height int) {
	w, h := strconv.Itoa(width), strconv.Itoa(height)
	b.WriteString(`<svg class="` + class + `" role="img" viewBox="0 0 ` + w + ` ` + h + `" width="` + w + `" height="` + h + `"><title>`)
	b.WriteString(escape(title) + `</title>`)
}

// escape makes text safe inside an element; bytes that XML does not allow become U+FFFD.
func escape(text string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(text)) // a strings.Builder does not fail
	return b.String()
}

// coord writes a coordinate to a tenth of a unit: finer cannot be seen and would bloat the page.
func coord(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10+0, 'f', -1, 64)
}
