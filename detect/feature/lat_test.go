package feature

import (
	"math"
	"os"
	"testing"
	"time"
)

func TestLat(t *testing.T) {
	name := os.Getenv("REC")
	if name == "" {
		t.Skip()
	}
	file := "/work/shared/recordings/" + name + ".ndjson.gz"
	chunks := readRecording(t, file)
	b := NewBuilder(recordedPump(t, file, chunks))
	base := chunks[0].Start
	for _, c := range chunks {
		b.Push(c)
		ep, _ := b.Take()
		for _, e := range ep {
			if e.State != Running {
				continue
			}
			s := ""
			for _, l := range b.st.Latency.Log {
				switch {
				case l > -0.7:
					s += "#"
				case l > -3:
					s += "+"
				case l > -7:
					s += "."
				default:
					s += " "
				}
			}
			t.Logf("%5.0f %6.3f [%s] %6.3f %6.3f", e.Start.Sub(base).Hours(), e.Features[StrokeRate].V, s, e.Features[Asymmetry].V, e.Features[RippleAsymmetry].V)
		}
	}
	_ = time.Now
	_ = math.Pi
}
