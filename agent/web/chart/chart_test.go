package chart

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var start = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// drifting is ten days of hourly values that leave their band at the end, with a gap and a stretch in
// which nothing was expected.
func drifting() []Point {
	var points []Point
	for hour := range 240 {
		if hour >= 100 && hour < 120 {
			continue
		}
		wave := math.Sin(float64(hour) / 9)
		p := Point{Time: start.Add(time.Duration(hour) * time.Hour), Value: 180 + 5*wave, Expected: 180 + 5*wave, Band: 4}
		if hour > 200 {
			p.Value += float64(hour-200) / 3
		}
		if hour < 40 {
			p.Band = 0
		}
		points = append(points, p)
	}
	return points
}

func TestGolden(t *testing.T) {
	end := start.Add(240 * time.Hour)
	for name, picture := range map[string]interface{ SVG() string }{
		"line":        Line{Title: "Stroke rate <P-1> & more", Unit: "strokes/min", From: start, To: end, Points: drifting(), Width: 400, Height: 150},
		"line-empty":  Line{Title: "Nothing", Unit: "%", From: start, To: end, Width: 400, Height: 150},
		"line-lone":   Line{Title: "One", Unit: "%", From: start, To: start, Points: drifting()[:1], Width: 400, Height: 150},
		"cycle":       beat(12),
		"cycle-lone":  Cycle{Title: "No healthy one yet", Unit: "bar", Observed: beat(12).Observed, ShareA: 0.5, Width: 460, Height: 190},
		"cycle-empty": Cycle{Title: "Nothing", Unit: "bar", ShareA: 0.5, Width: 460, Height: 190},
		"spark":       Spark{Title: "Residual", From: start, To: end, Points: drifting(), Width: 98, Height: 24},
		"bar":         Bar{Title: "3.1 of 9.4", Value: 3.1, Limit: 9.4, Width: 44, Height: 10},
		"bar-over":    Bar{Title: "over", Value: 100, Limit: 9.4, Width: 44, Height: 10},
		"bar-none":    Bar{Title: "none", Value: math.NaN(), Limit: 9.4, Width: 44, Height: 10},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join("testdata", name+".svg")
			// One element a line, so that a difference can be read.
			got := strings.ReplaceAll(picture.SVG(), "><", ">\n<") + "\n"
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
		})
	}
}

// beat is a cycle of n points in which stroke A is short.
func beat(n int) Cycle {
	c := Cycle{Title: "Air inlet <P-1>", Unit: "bar", ShareA: 0.4, Width: 460, Height: 190}
	for i := range n {
		dip := func(share float64) float64 {
			return 4 - float64(bit(i == 0)) - float64(bit(i == int(share*float64(n))))
		}
		c.Observed = append(c.Observed, dip(0.4))
		c.Expected = append(c.Expected, dip(0.5))
		c.Band = append(c.Band, 0.1)
	}
	return c
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestAnyPoints draws whatever numbers there are: the picture must stay well-formed, keep its title and
// stay inside its box.
func TestAnyPoints(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 10),
		rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 0, 5e-324}))
	rapid.Check(t, func(t *rapid.T) {
		points := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Point {
			return Point{
				Time:  start.Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "time"))),
				Value: number.Draw(t, "value"), Expected: number.Draw(t, "expected"), Band: number.Draw(t, "band"),
			}
		}), 0, 20).Draw(t, "points")
		title := rapid.String().Draw(t, "title")
		from := start.Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "from")))
		to := start.Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "to")))
		checkPicture(t, Line{Title: title, Unit: title, From: from, To: to, Points: points, Width: 400, Height: 150}.SVG(), 400, 150)
		checkPicture(t, Spark{Title: title, From: from, To: to, Points: points, Width: 98, Height: 24}.SVG(), 98, 24)
		values := rapid.SliceOfN(number, 0, 20).Draw(t, "cycle")
		healthy := rapid.SliceOfN(number, 0, 20).Draw(t, "healthy")
		share := number.Draw(t, "share")
		checkPicture(t, Cycle{Title: title, Unit: title, Observed: values, Expected: healthy, Band: healthy, ShareA: share, Width: 460, Height: 190}.SVG(), 460, 190)
		checkPicture(t, Cycle{Title: title, Unit: title, Observed: values, Expected: values, Band: values, ShareA: 0.5, Width: 460, Height: 190}.SVG(), 460, 190)
		checkPicture(t, Bar{Title: title, Value: number.Draw(t, "v"), Limit: number.Draw(t, "limit"), Width: 44, Height: 10}.SVG(), 44, 10)
	})
}

// pathNumbers finds the coordinates of a path, which are written x y, or x alone after H and y after V.
var pathNumbers = regexp.MustCompile(`([MLHVh]?)(-?[0-9.]+)`)

func checkPicture(t *rapid.T, svg string, width, height float64) {
	decoder := xml.NewDecoder(strings.NewReader(svg))
	titles := 0
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
		element, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		if element.Name.Local == "title" {
			titles++
		}
		for _, a := range element.Attr {
			switch a.Name.Local {
			case "x", "cx", "y", "cy":
				v, err := strconv.ParseFloat(a.Value, 64)
				limit := width
				if strings.HasSuffix(a.Name.Local, "y") {
					limit = height
				}
				if err != nil || v < 0 || v > limit {
					t.Fatalf("%s=%q lies outside 0 to %g\n%s", a.Name.Local, a.Value, limit, svg)
				}
			case "d":
				for _, m := range pathNumbers.FindAllStringSubmatch(a.Value, -1) {
					if v, err := strconv.ParseFloat(m[2], 64); err != nil || v < 0 || v > max(width, height) {
						t.Fatalf("path %q leaves the picture", a.Value)
					}
				}
				if strings.ContainsAny(a.Value, "NIf") {
					t.Fatalf("path %q holds what is no number", a.Value)
				}
			case "style", "onload":
				t.Fatalf("attribute %s is not allowed under the content policy", a.Name.Local)
			}
		}
	}
	if titles != 1 {
		t.Fatalf("%d titles, want 1", titles)
	}
}

func TestTicks(t *testing.T) {
	f := func(lo, hi float64, n int, want ...float64) {
		t.Helper()
		if diff := cmp.Diff(want, Ticks(lo, hi, n), cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })); diff != "" {
			t.Errorf("Ticks(%g, %g, %d) (-want +got)\n%s", lo, hi, n, diff)
		}
	}
	// By hand after the rule of 1, 2 and 5.
	f(0, 10, 5, 0, 2, 4, 6, 8, 10)
	f(170.2, 211.9, 4, 180, 200)
	f(-0.3, 0.3, 4, -0.2, 0, 0.2)
	f(4.87, 5.13, 3, 4.9, 5, 5.1)
	f(3, 3, 4)
	f(5, 1, 4)
	f(math.NaN(), 1, 4)
	f(0, math.Inf(1), 4)
}

// TestTicksAreRound holds the properties of the rule over all ranges: inside the range, evenly spaced,
// never more than asked for and one.
func TestTicksAreRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e6, 1e6).Draw(t, "lo")
		hi := lo + rapid.Float64Range(1e-3, 1e6).Draw(t, "span")
		n := rapid.IntRange(1, 10).Draw(t, "n")
		ticks := Ticks(lo, hi, n)
		if len(ticks) > n+1 {
			t.Fatalf("%d ticks, want at most %d", len(ticks), n+1)
		}
		for i, v := range ticks {
			if slack := (hi - lo) * 1e-6; v < lo-slack || v > hi+slack {
				t.Fatalf("tick %g outside %g to %g", v, lo, hi)
			}
			if i > 1 && math.Abs((ticks[i]-ticks[i-1])-(ticks[1]-ticks[0])) > (hi-lo)*1e-6 {
				t.Fatalf("ticks %v are not even", ticks)
			}
		}
	})
}

func TestTimeTicks(t *testing.T) {
	f := func(span time.Duration, want ...string) {
		t.Helper()
		var got []string
		for _, tick := range timeTicks(start.Add(-time.Hour), start.Add(-time.Hour+span), 5) {
			got = append(got, tick.label)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("span %s (-want +got)\n%s", span, diff)
		}
	}
	day := 24 * time.Hour
	f(3*time.Hour, "23:00", "2 Mar", "01:00", "02:00")
	f(day, "2 Mar", "06:00", "12:00", "18:00")
	f(7*day, "2 Mar", "4 Mar", "6 Mar", "8 Mar") // 2 March 2026 is a Monday
	f(30*day, "2 Mar", "9 Mar", "16 Mar", "23 Mar", "30 Mar")
	f(365*day, "Apr 2026", "Jul 2026", "Oct 2026", "Jan 2027")
	f(6*365*day, "Jan 2028", "Jan 2030", "Jan 2032")
	f(0)
	f(-day)
}

func TestNumber(t *testing.T) {
	f := func(v float64, decimals int, want string) {
		t.Helper()
		if got := Number(v, decimals); got != want {
			t.Errorf("Number(%g, %d) = %q, want %q", v, decimals, got, want)
		}
	}
	f(186.04, 1, "186.0")
	f(-0.7, 1, "−0.7")
	f(-0.04, 1, "0.0")
	f(math.Copysign(0, -1), 2, "0.00")
	f(math.NaN(), 1, "–")
	f(math.Inf(-1), 1, "–")
}
