package steady

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"diastole/model/plant"
)

func measured(t *testing.T) []Point {
	t.Helper()
	p, err := plant.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	points, err := Map(p, plant.Faults{}, 3e5, 6e5)
	if err != nil {
		t.Fatal(err)
	}
	return points
}

// TestMap checks what every published curve of such pumps shows: flow and rate fall with head from their
// highest at no head, more air pressure gives more flow, efficiency is nothing at either end and best
// between, never above the ideal (a pump handbook's chapter and a trade article on reading curves).
func TestMap(t *testing.T) {
	points := measured(t)
	curves := byAir(points)
	if len(curves) != 2 || len(curves[0]) != len(heads) {
		t.Fatalf("%d curves", len(curves))
	}
	for _, curve := range curves {
		best := 0
		for i, p := range curve {
			if i > 0 && !(p.Flow < curve[i-1].Flow && p.Rate < curve[i-1].Rate && p.Discharge > curve[i-1].Discharge) {
				t.Errorf("air %g, head %g: flow %g, rate %g do not fall", p.Air, p.Head, p.Flow, p.Rate)
			}
			if p.Efficiency > curve[best].Efficiency {
				best = i
			}
		}
		if best < 3 || best == len(curve)-1 || curve[best].Efficiency > 0.45 || math.Abs(curve[0].Efficiency) > 0.03 {
			t.Errorf("air %g: efficiency %.3f without head, best %.3f at point %d", curve[0].Air, curve[0].Efficiency, curve[best].Efficiency, best)
		}
	}
	if !(curves[1][0].Flow > curves[0][0].Flow) {
		t.Error("more air pressure does not give more flow")
	}
}

// TestCSV checks that the table reads back as the points.
func TestCSV(t *testing.T) {
	points := measured(t)
	var b bytes.Buffer
	if err := CSV(&b, points); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(points)+1 || rows[0][3] != "flow_m3_s" {
		t.Fatalf("%d rows, header %v", len(rows), rows[0])
	}
	for i, p := range points {
		flow, err := strconv.ParseFloat(rows[i+1][3], 64)
		if err != nil || math.Abs(flow-p.Flow) > 1e-5*p.Flow {
			t.Errorf("row %d has flow %v, want %g: %v", i+1, rows[i+1][3], p.Flow, err)
		}
	}
}

// TestSVG checks that the drawing is well-formed, has a curve per panel and air pressure, stays inside its
// frame and escapes its title.
func TestSVG(t *testing.T) {
	var b bytes.Buffer
	if err := SVG(&b, "a <b> & c", measured(t)); err != nil {
		t.Fatal(err)
	}
	curves := 0
	for d := xml.NewDecoder(&b); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		e, ok := token.(xml.StartElement)
		if !ok || e.Name.Local != "polyline" {
			continue
		}
		curves++
		for _, a := range e.Attr {
			if a.Name.Local != "points" {
				continue
			}
			for pair := range strings.FieldsSeq(a.Value) {
				x, y, _ := strings.Cut(pair, ",")
				px, errX := strconv.ParseFloat(x, 64)
				py, errY := strconv.ParseFloat(y, 64)
				if errX != nil || errY != nil || px < left || px > width-right || py < top || py > float64(top+len(panels)*(tall+gap)) {
					t.Errorf("the point %s lies outside the frame", pair)
				}
			}
		}
	}
	if curves != 2*len(panels) {
		t.Errorf("%d curves", curves)
	}
}

// TestTicks checks that ticks are few, round and reach the end.
func TestTicks(t *testing.T) {
	for _, hi := range []float64{1e-6, 0.9, 1, 4.4, 5, 8.6, 99, 100, 730, 12345} {
		v := ticks(hi)
		if len(v) < 3 || len(v) > 8 || v[0] != 0 || v[len(v)-1] < hi*(1-1e-9) {
			t.Errorf("to %g: %v", hi, v)
		}
	}
	if v := ticks(0); len(v) != 2 {
		t.Errorf("to 0: %v", v)
	}
}

// TestErrors checks what is refused.
func TestErrors(t *testing.T) {
	p, err := plant.Generic("generic-one-inch")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Map(p, plant.Faults{}, -1); err == nil || !strings.Contains(err.Error(), "allowed") {
		t.Errorf("a negative air pressure gives %v", err)
	}
	p.Mass = 0
	if _, err := Map(p, plant.Faults{}, 5e5); err == nil {
		t.Error("a pump without mass is measured")
	}
	full := writer{}
	if CSV(full, nil) == nil || SVG(full, "x", nil) == nil {
		t.Error("a full disk goes unnoticed")
	}
}

// writer refuses everything.
type writer struct{}

func (writer) Write([]byte) (int, error) { return 0, errors.New("no space") }
