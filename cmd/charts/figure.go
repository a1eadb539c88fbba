package main

import (
	"fmt"
	"math"
	"strings"
)

// The figure's size and margins, in its own units.
const (
	width, height          = 720.0, 460.0
	left, right, top, foot = 64.0, 190.0, 44.0, 52.0
)

// hues tell the curves apart, also for eyes that see few colours, and in print by their order (Okabe and Ito 2008).
var hues = []string{"#000000", "#0072B2", "#009E73", "#D55E00", "#CC79A7"}

// axis maps a range to the page by its logarithm.
type axis struct{ low, high, from, to float64 }

func (a axis) at(x float64) float64 {
	return a.from + (a.to-a.from)*math.Log(x/a.low)/math.Log(a.high/a.low)
}

// drawDelays draws delay against shift, both logarithmic.
func drawDelays(curves []curve) string {
	x := axis{shifts[0], shifts[len(shifts)-1], left, width - right}
	y := axis{1, 10000, height - foot, top}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="12" role="img" aria-labelledby="t">
<title id="t">Mean delay of the charts against the size of a shift, at a mean time to a false alarm of a million epochs</title>
<rect width="100%%" height="100%%" fill="#fff"/>
<text x="%g" y="22" font-size="14">Mean delay of a change, at a million epochs to a false alarm</text>
`, width, height, left)
	for _, t := range []float64{0.25, 0.5, 1, 2, 4} {
		grid(&b, x.at(t), y.from, x.at(t), y.to)
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle">%g</text>`+"\n", x.at(t), y.from+18, t)
	}
	for _, t := range []float64{1, 10, 100, 1000, 10000} {
		grid(&b, x.from, y.at(t), x.to, y.at(t))
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="end">%g</text>`+"\n", x.from-8, y.at(t)+4, t)
	}
	fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle">shift, standard deviations of an epoch</text>`+"\n", (x.from+x.to)/2, y.from+40)
	fmt.Fprintf(&b, `<text transform="translate(18 %.1f) rotate(-90)" text-anchor="middle">epochs until the alarm</text>`+"\n", (y.from+y.to)/2)
	for i, c := range curves {
		points := make([]string, len(c.delay))
		for k, d := range c.delay {
			points[k] = fmt.Sprintf("%.1f,%.1f", x.at(shifts[k]), y.at(min(y.high, max(y.low, d))))
		}
		dash := ""
		if c.dashed {
			dash = ` stroke-dasharray="5 4"`
		}
		legend := top + 16 + 22*float64(i)
		fmt.Fprintf(&b, `<polyline points="%s" fill="none" stroke="%s" stroke-width="2"%s/>`+"\n", strings.Join(points, " "), hues[i], dash)
		fmt.Fprintf(&b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="%s" stroke-width="2"%s/><text x="%.1f" y="%.1f">%s</text>`+"\n",
			x.to+14, legend, x.to+36, legend, hues[i], dash, x.to+42, legend+4, c.name)
	}
	b.WriteString("</svg>\n")
	return b.String()
}

func grid(b *strings.Builder, x1, y1, x2, y2 float64) {
	fmt.Fprintf(b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="#ddd"/>`+"\n", x1, y1, x2, y2)
}

// delayTable gives the figure's curves in numbers.
func delayTable(b *strings.Builder, curves []curve) {
	fmt.Fprintf(b, `## Delay, and the least that theory allows

![delay against shift](delay.svg)

Mean delay in epochs at %g epochs to a false alarm, for independent normal epochs of known mean and standard deviation. Lorden's bound
ln(ARL)/(shift^2/2) is what no chart can beat as the ARL grows (1971, Ann. Math. Stat. 42:1897); at a given ARL a CUSUM lies below it by a constant. The first
two charts are computed, the others simulated (%d changes a shift): a shift of one feature in a known direction, followed at the sizes %v by
the likelihood ratios that follow the faults, whose threshold is a bound and not the exact limit, and the omnibus chart, which knows neither size nor feature and has a memory of days.

| shift |`, falseAlarm, runs, trackSizes)
	for _, c := range curves {
		fmt.Fprintf(b, " %s |", c.name)
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", len(curves)) + "\n")
	for k := 0; k < len(shifts); k += 2 {
		fmt.Fprintf(b, "| %.2f |", shifts[k])
		for _, c := range curves {
			fmt.Fprintf(b, " %.1f |", c.delay[k])
		}
		b.WriteString("\n")
	}
}
