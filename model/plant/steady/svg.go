package steady

import (
	"bytes"
	"fmt"
	"html"
	"io"
	"strconv"
)

// panels is what the drawing shows, one below the other.
var panels = []column{
	{"", "delivered flow, l/min", func(p Point) float64 { return p.Flow * 6e4 }},
	{"", "strokes per minute", func(p Point) float64 { return p.Rate * 60 }},
	{"", "air, l/min ANR", func(p Point) float64 { return p.AirFlow * 6e4 }},
	{"", "efficiency, %", func(p Point) float64 { return max(0, p.Efficiency*100) }},
}

// Sizes of the drawing, in its own units.
const (
	width, left, right = 660, 70, 110
	tall, gap, top     = 190, 44, 46
)

// inks are the colours of the curves in turn: dark enough on white, apart for common colour blindness.
var inks = []string{"#0b559f", "#b34700", "#2b7a3d", "#6a3d9a", "#444444"}

// SVG draws a map under a title: four panels over the discharge pressure in bar, one curve for each air
// pressure, which is written at the curve.
func SVG(w io.Writer, title string, points []Point) error {
	var b bytes.Buffer
	height := top + len(panels)*(tall+gap)
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="12">`+"\n", width, height)
	fmt.Fprintf(&b, `<title>%s</title><rect width="100%%" height="100%%" fill="#fff"/>`+"\n", html.EscapeString(title))
	fmt.Fprintf(&b, `<text x="%d" y="20" font-size="15">%s</text>`+"\n", left, html.EscapeString(title))
	curves := byAir(points)
	var far float64
	for _, p := range points {
		far = max(far, p.Discharge/1e5)
	}
	for i, c := range panels {
		panel(&b, top+i*(tall+gap), c, curves, ticks(far))
	}
	b.WriteString("</svg>\n")
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("steady: writing the drawing: %w", err)
	}
	return nil
}

// byAir splits the points into one curve per air pressure, in their order.
func byAir(points []Point) (curves [][]Point) {
	for i, p := range points {
		if i == 0 || p.Air != points[i-1].Air {
			curves = append(curves, nil)
		}
		k := len(curves) - 1
		curves[k] = append(curves[k], p)
	}
	return curves
}

func panel(b *bytes.Buffer, y0 int, c column, curves [][]Point, across []float64) {
	var high float64
	for _, curve := range curves {
		for _, p := range curve {
			high = max(high, c.of(p))
		}
	}
	up := ticks(high)
	x := func(v float64) float64 { return left + v/across[len(across)-1]*(width-left-right) }
	y := func(v float64) float64 { return float64(y0) + tall - v/up[len(up)-1]*tall }
	fmt.Fprintf(b, `<text x="%d" y="%d">%s</text>`+"\n", left, y0-6, html.EscapeString(c.title))
	for _, v := range up {
		fmt.Fprintf(b, `<path d="M%d %.1fH%d" stroke="#ddd"/><text x="%d" y="%.1f" text-anchor="end">%s</text>`+"\n",
			left, y(v), width-right, left-6, y(v)+4, number(v))
	}
	for _, v := range across {
		fmt.Fprintf(b, `<path d="M%.1f %dV%d" stroke="#ddd"/><text x="%.1f" y="%d" text-anchor="middle">%s</text>`+"\n",
			x(v), y0, y0+tall, x(v), y0+tall+16, number(v))
	}
	fmt.Fprintf(b, `<text x="%d" y="%d">discharge, bar</text>`+"\n", width-right+16, y0+tall+16)
	for k, curve := range curves {
		ink := inks[k%len(inks)]
		fmt.Fprintf(b, `<polyline fill="none" stroke="%s" stroke-width="1.8" points="`, ink)
		for _, p := range curve {
			fmt.Fprintf(b, "%.1f,%.1f ", x(max(0, p.Discharge/1e5)), y(c.of(p)))
		}
		last := curve[len(curve)/2]
		fmt.Fprintf(b, `"/><text x="%.1f" y="%.1f" fill="%s">%s bar air</text>`+"\n",
			x(last.Discharge/1e5)+5, y(c.of(last))-5, ink, number(last.Air/1e5))
	}
}

// number prints what a tick needs and no more.
func number(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }
