package chart

import (
	"math"
	"strings"
)

// Cycle is a quantity over one cycle of a pump, stroke A and then stroke B, over what it is when the pump is healthy.
type Cycle struct {
	// Title is read out instead of the image.
	Title string
	// Unit stands above the value axis.
	Unit string
	// Observed are values at even steps of one cycle, the first where stroke A begins. Expected and Band, the half-width
	// around it, have as many values, or none where nothing is expected.
	Observed, Expected, Band []float64
	// ShareA is the part of the cycle that stroke A takes, 0 to 1.
	ShareA float64
	// Width and Height are in CSS pixels.
	Width, Height int
}

// margin is how much of the cycle before and after is shown beside it, so that what happens at its ends is seen whole.
const margin = 0.125

// SVG draws the cycle. Without a value that can be drawn it says so in the picture.
func (c Cycle) SVG() string {
	var b strings.Builder
	open(&b, "chart", c.Title, c.Width, c.Height)
	if !c.drawable() {
		b.WriteString(`<text class="none" x="` + coord(float64(c.Width)/2) + `" y="` + coord(float64(c.Height)/2) + `">no mean cycle</text></svg>`)
		return b.String()
	}
	d := c.drawing()
	d.axes(&b, c)
	if len(c.Band) > 0 {
		path(&b, "band", d.band(c.Expected, c.Band))
	}
	if len(c.Expected) > 0 {
		path(&b, "expected", d.curve(c.Expected))
	}
	path(&b, "observed", d.curve(c.Observed))
	path(&b, "away", d.away(c))
	b.WriteString(`</svg>`)
	return b.String()
}

// drawable tells whether there are values, as many expected ones or none, and all of them finite, and where the strokes meet.
func (c Cycle) drawable() bool {
	n := len(c.Observed)
	if !(c.ShareA >= 0 && c.ShareA <= 1) {
		return false
	}
	if n < 2 || len(c.Expected) != 0 && len(c.Expected) != n || len(c.Band) != 0 && (len(c.Band) != n || len(c.Expected) == 0) {
		return false
	}
	for _, list := range [][]float64{c.Observed, c.Expected, c.Band} {
		for _, v := range list {
			if !finite(v) {
				return false
			}
		}
	}
	return true
}

// drawing maps the share of a cycle and a value to the picture.
type drawing struct {
	left, top, width, height float64
	lo, hi                   float64
}

func (c Cycle) drawing() drawing {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, v := range c.Observed {
		lo, hi = min(lo, v), max(hi, v)
		if len(c.Expected) == 0 {
			continue
		}
		half := 0.0
		if len(c.Band) > 0 {
			half = c.Band[i]
		}
		lo, hi = min(lo, c.Expected[i]-half), max(hi, c.Expected[i]+half)
	}
	pad := 0.06 * (hi - lo)
	if size := max(math.Abs(lo), math.Abs(hi)); pad <= 1e-9*size {
		pad = max(0.01*size, 1e-9)
	}
	return drawing{
		left: leftMargin, top: topMargin, width: float64(c.Width - leftMargin - rightMargin),
		height: float64(c.Height - topMargin - bottomMargin), lo: lo - pad, hi: hi + pad,
	}
}

func (d drawing) x(share float64) float64 {
	return d.left + d.width*(share+margin)/(1+2*margin)
}

func (d drawing) y(v float64) float64 { return d.top + d.height*(1-clamp((v-d.lo)/(d.hi-d.lo))) }

// axes draws the values' grid, the changeovers, and the names of the strokes between them.
func (d drawing) axes(b *strings.Builder, c Cycle) {
	right, bottom := d.left+d.width, d.top+d.height
	ticks := Ticks(d.lo, d.hi, 4)
	digits := decimals(ticks)
	for _, v := range ticks {
		b.WriteString(`<path class="grid" d="M` + coord(d.left) + ` ` + coord(d.y(v)) + `H` + coord(right) + `"/>`)
		b.WriteString(`<text class="value" x="` + coord(d.left-5) + `" y="` + coord(d.y(v)+3.5) + `">` + Number(v, digits) + `</text>`)
	}
	for _, share := range []float64{0, c.ShareA, 1} {
		b.WriteString(`<path class="changeover" d="M` + coord(d.x(share)) + ` ` + coord(d.top) + `V` + coord(bottom+3) + `"/>`)
	}
	for _, name := range []struct {
		at   float64
		text string
	}{{c.ShareA / 2, "stroke A"}, {(1 + c.ShareA) / 2, "stroke B"}} {
		b.WriteString(`<text class="time" x="` + coord(d.x(name.at)) + `" y="` + coord(bottom+14) + `">` + name.text + `</text>`)
	}
	b.WriteString(`<text class="unit" x="3" y="10">` + escape(c.Unit) + `</text>`)
}

// shown are the numbers of the first and the last point that are drawn of n to a cycle: the points go on around it.
func shown(n int) (first, last int) {
	edge := int(margin * float64(n))
	return -edge, n + edge
}

// point writes one point of a path.
func (d drawing) point(b *strings.Builder, first bool, i, n int, v float64) {
	command := byte('L')
	if first {
		command = 'M'
	}
	b.WriteByte(command)
	b.WriteString(coord(d.x(float64(i)/float64(n))) + " " + coord(d.y(v)))
}

func (d drawing) curve(x []float64) string {
	var b strings.Builder
	n := len(x)
	first, last := shown(n)
	for i := first; i <= last; i++ {
		d.point(&b, i == first, i, n, x[(i+n)%n])
	}
	return b.String()
}

func (d drawing) band(middle, half []float64) string {
	var b strings.Builder
	n := len(middle)
	first, last := shown(n)
	for i := first; i <= last; i++ {
		k := (i + n) % n
		d.point(&b, i == first, i, n, middle[k]+half[k])
	}
	for i := last; i >= first; i-- {
		k := (i + n) % n
		d.point(&b, false, i, n, middle[k]-half[k])
	}
	return b.String() + "Z"
}

// away is the part of the observed curve that lies outside the band.
func (d drawing) away(c Cycle) string {
	if len(c.Band) == 0 {
		return ""
	}
	var b strings.Builder
	n := len(c.Observed)
	first, last := shown(n)
	outside := func(i int) bool {
		k := (i + n) % n
		return math.Abs(c.Observed[k]-c.Expected[k]) > c.Band[k]
	}
	for i := first; i < last; i++ {
		if outside(i) && outside(i+1) {
			d.point(&b, true, i, n, c.Observed[(i+n)%n])
			d.point(&b, false, i+1, n, c.Observed[(i+1+n)%n])
		}
	}
	return b.String()
}
