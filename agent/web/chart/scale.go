// Package chart draws small time series as SVG text: no script, no style attribute, only classes, so
// that a page under a strict content security policy can colour them for light, dark and print.
package chart

import (
	"math"
	"strconv"
	"time"
)

// Ticks places at most n+1 round values over [lo, hi]: multiples of 1, 2 or 5 times a power of ten.
// It returns nil where lo < hi does not hold for finite numbers. The rounding follows Heckbert,
// "Nice Numbers for Graph Labels", Graphics Gems (1990), pp. 61-63.
func Ticks(lo, hi float64, n int) []float64 {
	if !(lo < hi) || n < 1 || math.IsInf(hi-lo, 0) {
		return nil
	}
	step := niceCeil((hi - lo) / float64(n))
	if step == 0 || math.IsInf(step, 0) {
		return nil
	}
	var ticks []float64
	first := math.Ceil(lo/step - 1e-9)
	for i := 0; i <= n+1; i++ {
		v := (first + float64(i)) * step
		if v > hi+step*1e-9 {
			break
		}
		ticks = append(ticks, v+0) // +0 turns a negative zero into zero
	}
	return ticks
}

// niceCeil is the smallest of 1, 2, 5 or 10 times a power of ten that is not below x.
func niceCeil(x float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if x <= m*power*(1+1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// decimals is how many decimals a label needs so that neighbouring ticks differ.
func decimals(ticks []float64) int {
	if len(ticks) < 2 {
		return 1
	}
	d := -math.Floor(math.Log10(ticks[1]-ticks[0]) + 1e-9)
	return int(min(max(d, 0), 6))
}

// Number writes v with a fixed number of decimals, U+2212 for a minus sign, and never "−0"; what is
// not finite becomes a dash.
func Number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if s[0] != '-' {
		return s
	}
	if r, err := strconv.ParseFloat(s, 64); err == nil && r == 0 {
		return s[1:]
	}
	return "\u2212" + s[1:]
}

// timeSteps are the distances of time ticks below a month. Truncating to them meets full hours, UTC
// midnights and Mondays, since Go counts from Monday, 1 January of year 1.
var timeSteps = []time.Duration{
	time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	24 * time.Hour, 2 * 24 * time.Hour, 7 * 24 * time.Hour, 14 * 24 * time.Hour,
}

// timeTick is one labelled instant of a time axis.
type timeTick struct {
	at    time.Time
	label string
}

// timeTicks places at most n+1 labelled instants over [from, to] on round UTC times.
func timeTicks(from, to time.Time, n int) []timeTick {
	from, to = from.UTC(), to.UTC()
	span := to.Sub(from)
	if span <= 0 {
		return nil
	}
	for _, step := range timeSteps {
		if span > step*time.Duration(n) {
			continue
		}
		var ticks []timeTick
		t := from.Truncate(step)
		if t.Before(from) {
			t = t.Add(step)
		}
		for ; !t.After(to); t = t.Add(step) {
			ticks = append(ticks, timeTick{t, timeLabel(t, step)})
		}
		return ticks
	}
	return monthTicks(from, to, n)
}

// timeLabel names an instant as briefly as the distance of the ticks allows.
func timeLabel(t time.Time, step time.Duration) string {
	if step < 24*time.Hour && (t.Hour() != 0 || t.Minute() != 0) {
		return t.Format("15:04")
	}
	return t.Format("2 Jan")
}

// monthTicks places ticks on the first days of months, whole years for long spans.
func monthTicks(from, to time.Time, n int) []timeTick {
	months := (to.Year()-from.Year())*12 + int(to.Month()) - int(from.Month())
	step := 12 * (1 + months/(12*n))
	for _, s := range []int{1, 2, 3, 6, 12} {
		if months <= s*n {
			step = s
			break
		}
	}
	var ticks []timeTick
	index := from.Year()*12 + int(from.Month()) - 1
	for index = (index / step) * step; ; index += step {
		t := time.Date(index/12, time.Month(index%12+1), 1, 0, 0, 0, 0, time.UTC)
		if t.After(to) {
			return ticks
		}
		if !t.Before(from) {
			ticks = append(ticks, timeTick{t, t.Format("Jan 2006")})
		}
	}
}
