package chart

import (
	"math"
	"strings"
	"time"
)

// Line is a time series with its expected band, axes and unit.
type Line struct {
	// Title is read out instead of the image.
	Title string
	// Unit stands above the value axis.
	Unit string
	// From and To bound the time axis.
	From, To time.Time
	Points   []Point
	// Width and Height are in CSS pixels.
	Width, Height int
}

// The margins hold the labels, in CSS pixels at the text size of the style sheet (11 px).
const (
	leftMargin   = 44
	rightMargin  = 8
	topMargin    = 16
	bottomMargin = 18
)

// SVG draws the chart. Without a point that can be drawn it says so in the picture.
func (l Line) SVG() string {
	var b strings.Builder
	open(&b, "chart", l.Title, l.Width, l.Height)
	points := drawable(l.Points, l.From, l.To)
	if len(points) == 0 {
		b.WriteString(`<text class="none" x="` + coord(float64(l.Width)/2) + `" y="` + coord(float64(l.Height)/2) + `">no data in this time</text></svg>`)
		return b.String()
	}
	lo, hi := valueRange(points)
	f := frame{
		left: leftMargin, top: topMargin,
		width:  float64(l.Width - leftMargin - rightMargin),
		height: float64(l.Height - topMargin - bottomMargin),
		from:   l.From, to: l.To, lo: lo, hi: hi,
	}
	l.axes(&b, f)
	f.series(&b, points)
	last := points[len(points)-1]
	b.WriteString(`<circle class="last" cx="` + coord(f.x(last.Time)) + `" cy="` + coord(f.y(last.Value)) + `" r="2.4"/></svg>`)
	return b.String()
}

// axes draws the grid and its labels.
func (l Line) axes(b *strings.Builder, f frame) {
	right, bottom := f.left+f.width, f.top+f.height
	ticks := Ticks(f.lo, f.hi, 4)
	digits := decimals(ticks)
	for _, v := range ticks {
		y := coord(f.y(v))
		b.WriteString(`<path class="grid" d="M` + coord(f.left) + ` ` + y + `H` + coord(right) + `"/>`)
		b.WriteString(`<text class="value" x="` + coord(f.left-5) + `" y="` + coord(f.y(v)+3.5) + `">` + Number(v, digits) + `</text>`)
	}
	for _, t := range timeTicks(l.From, l.To, 5) {
		x := f.x(t.at)
		b.WriteString(`<path class="grid" d="M` + coord(x) + ` ` + coord(f.top) + `V` + coord(bottom+3) + `"/>`)
		if x-f.left > 14 && right-x > 14 { // a label at the very edge would be cut off
			b.WriteString(`<text class="time" x="` + coord(x) + `" y="` + coord(bottom+14) + `">` + t.label + `</text>`)
		}
	}
	b.WriteString(`<text class="unit" x="3" y="10">` + escape(l.Unit) + `</text>`)
}

// valueRange spans all values and bands with a little air, and is never empty.
func valueRange(points []Point) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, p := range points {
		lo, hi = min(lo, p.Value), max(hi, p.Value)
		if p.known() {
			lo, hi = min(lo, p.Expected-p.Band), max(hi, p.Expected+p.Band)
		}
	}
	pad := 0.06 * (hi - lo)
	if size := max(math.Abs(lo), math.Abs(hi)); pad <= 1e-9*size {
		pad = max(0.01*size, 1e-9) // a flat line lies in the middle of its picture
	}
	return lo - pad, hi + pad
}
