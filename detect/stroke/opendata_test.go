package stroke

import (
	"bufio"
	"compress/gzip"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// openData is a file of measurements beside the checkout; the test is skipped where there is none.
func openData(t *testing.T, path string) string {
	t.Helper()
	file := filepath.Join("../../../shared/open-data", path)
	if _, err := os.Stat(file); err != nil {
		t.Skipf("no open data beside the checkout: %v", err)
	}
	return file
}

// columns reads the numbers of a table, but for lines that begin with something else.
func columns(t *testing.T, lines *bufio.Scanner, want int) [][]float64 {
	t.Helper()
	out := make([][]float64, want)
	for lines.Scan() {
		words := strings.Fields(lines.Text())
		if len(words) < want || !strings.Contains("-0123456789", words[0][:1]) {
			continue
		}
		for i := range out {
			v, err := strconv.ParseFloat(words[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			out[i] = append(out[i], v)
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestVentilator finds the breaths of a pneumatic ventilator that was recorded on hardware, 31 s at 100 Hz, by its flow, which
// falls where a breath ends as an inlet does at a changeover, and by its pressure, which turns there as a discharge does. The
// labels are the recorder's own: breath_id rises at each change of the pressure's set-point. RespiraWorks,
// github.com/RespiraWorks/Ventilator, software/gui/app/sample-data/gui-sample-data.dat, Apache-2.0.
func TestVentilator(t *testing.T) {
	f, err := os.Open(openData(t, "ventilator-waveform/gui-sample-data.dat"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	data := columns(t, bufio.NewScanner(f), 5)
	const step = 0.01
	var pressure, flow []float32
	var breaths []float64
	for i, id := range data[4] {
		pressure = append(pressure, float32(data[1][i]*98.0665)) // cmH2O
		flow = append(flow, float32(data[2][i]))
		if i > 1 && id != data[4][i-1] && float64(i)*step > 0.5 {
			breaths = append(breaths, float64(i)*step)
		}
	}
	if len(breaths) != 10 {
		t.Fatalf("%d breaths are labelled, 10 are known", len(breaths))
	}
	rms := check(t, decode(flow, nil, step, 0.2, nil), breaths)
	t.Logf("by the flow: %d breaths, times within %.4f s rms", len(breaths), rms)
	if rms > step {
		t.Errorf("times are off by %.4f s rms, want at most a sample", rms)
	}
	// The pressure turns at both ends of a breath.
	turns := decode(nil, pressure, step, 0.1, nil)
	if d := len(turns) - 2*len(breaths); d < 0 || d > 1 {
		t.Errorf("the pressure shows %d ends of breaths, want two for each of %d", len(turns), len(breaths))
	}
	for _, b := range breaths {
		best := math.Inf(1)
		for _, e := range turns {
			best = min(best, math.Abs(e.At-b))
		}
		if best > 0.06 {
			t.Errorf("the pressure's turn nearest to the breath at %.2f s lies %.3f s off", b, best)
		}
	}
}

// TestCylinder finds the double strokes of a pneumatic cylinder by the dips of its supply at the reversals: eight files of
// some ten runs out and back each, measured at 97 Hz, with the piston's place beside the pressure. The piston takes 3 to 4 s a run, a
// diaphragm pump a tenth of that: time runs sixteen times as fast here. E. Zillen, TU Delft, 3D-printed pneumatic actuator,
// results_pneumatic-actuator/data/friction, CC0 1.0.
func TestCylinder(t *testing.T) {
	folder := openData(t, "pneumatic-actuator-cc0/friction")
	files, err := filepath.Glob(filepath.Join(folder, "*.csv.gz"))
	if err != nil || len(files) != 8 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".csv.gz")
		t.Run(name, func(t *testing.T) {
			out, back, supply := cylinder(t, file)
			found := decode(supply, nil, cylinderGrid/16, 0.05, nil)
			if len(out) != 10 || len(back) != 10 || len(found) != 10 {
				t.Fatalf("%d dips at the reversals of %d runs out and %d back, want 10 of each", len(found), len(out), len(back))
			}
			for i, e := range found {
				if at := 16 * e.At; at < out[i] || at > back[i] {
					t.Errorf("dip %d is found at %.2f s; the piston reverses between %.2f and %.2f s", i, at, out[i], back[i])
				}
			}
		})
	}
}

// cylinderGrid is the spacing of the cylinder's supply pressure, s.
const cylinderGrid = 0.08

// cylinder reads a file: when the piston passes the middle of its travel outward and back, and the supply's pressure on
// its grid, Pa.
func cylinder(t *testing.T, file string) (out, back []float64, supply []float32) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	data := columns(t, bufio.NewScanner(z), 6)
	ms, place, bar := data[0][1:], data[4][1:], data[5][1:]
	low, high := place[0], place[0]
	for _, v := range place {
		low, high = min(low, v), max(high, v)
	}
	armed := 0
	for i := range place {
		at := (ms[i] - ms[0]) / 1000
		switch share := (place[i] - low) / (high - low); {
		case share < 0.3:
			armed = 1
		case share > 0.7:
			armed = -1
		case armed == 1 && share >= 0.5:
			out, armed = append(out, at), 0
		case armed == -1 && share <= 0.5:
			back, armed = append(back, at), 0
		}
	}
	k := 0
	for at := ms[0]; at+1000*cylinderGrid <= ms[len(ms)-1]; at += 1000 * cylinderGrid {
		sum := 0.0
		for j := range 8 {
			u := at + 10*float64(j)
			for ms[k+1] < u {
				k++
			}
			sum += bar[k] + (u-ms[k])/(ms[k+1]-ms[k])*(bar[k+1]-bar[k])
		}
		supply = append(supply, float32(sum/8*1e5))
	}
	return out, back, supply
}
