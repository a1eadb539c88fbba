package feature

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"diastole/detect/signal"
	"diastole/model/air"
	"diastole/model/plant"
	"diastole/model/pump"
)

// airTrial is one scattered pump at a duty drawn at random: against a closed valve first, then running.
type airTrial struct {
	model string
	seed  uint64
	// leak is the size of an air valve leak; supply makes the pressure behind the regulator a channel.
	leak   float64
	supply bool
}

// run simulates the trial and gives its running epoch, the air and the liquid that a stroke truly used, and of the air what would flow in
// that time in a stall too, m3. What instruments and
// data sheets do not know is drawn: gain of the flow meters, zeros of the transmitters, conductance, displacement.
func (a airTrial) run(t *testing.T) (e Epoch, trueAir, trueLiquid, leaked float64) {
	t.Helper()
	p, err := plant.Generic(a.model)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(a.seed, 77))
	p = p.Scatter(rng, 1)
	pr := p.Reference()
	pr.Setting = 3e5 + 3e5*rng.Float64()
	pr.StaticHead = 0.3e5 + 1.2e5*rng.Float64()
	pr.ThrottleFactor = 0.3 + 3*rng.Float64()
	s := plant.New(p, a.seed)
	s.Used(1e9)
	var faults plant.Faults
	if a.leak > 0 {
		if faults, err = plant.Fault(pump.AirValveLeak, pump.SideA, a.leak, p); err != nil {
			t.Fatal(err)
		}
	}
	dead := pr
	dead.DeadHead = true
	s.Set(faults, dead)
	s.Run(4*time.Second, time.Second, nil)

	set := modelSettings(t, a.model)
	for _, c := range []signal.Channel{signal.LiquidFlow, signal.AirSupplyPressure} {
		set.Channels[c] = true
	}
	const pathSpread, volumeSpread = 0.015, 0.03
	wrong := math.Exp(pathSpread * rng.NormFloat64())
	set.Supply = SupplyPath{Path: air.Conductance{C: p.SupplyLine.C * wrong, B: p.SupplyLine.B}, Droop: p.Droop / wrong, Spread: pathSpread}
	set.StrokeVolume, set.StrokeVolumeSpread = p.StrokeVolume()*math.Exp(volumeSpread*rng.NormFloat64()), volumeSpread
	gainAir, gainLiquid := 1+meterSpread*rng.NormFloat64(), 1+meterSpread*rng.NormFloat64()
	zeroInlet, zeroSupply := zeroSpread/math.Sqrt2*rng.NormFloat64(), zeroSpread/math.Sqrt2*rng.NormFloat64()

	const step = 10 * time.Millisecond
	in, out, supply, flow, liquid := []float64{}, []float64{}, []float64{}, []float64{}, []float64{}
	var chunks []signal.Chunk
	total := []struct{ air, liquid, strokes float64 }{{}}
	play := func(d time.Duration) {
		s.Run(d, step, func(x plant.Sample) {
			noise := func(v float64) float64 { return v * (1 + 0.002*rng.NormFloat64()) }
			in = append(in, noise(x.Inlet)+zeroInlet)
			out = append(out, noise(x.Discharge))
			supply = append(supply, noise(x.Regulated)+zeroSupply)
			flow = append(flow, x.AirFlow*gainAir)
			liquid = append(liquid, x.LiquidFlow*gainLiquid)
			if len(in)%100 == 0 {
				chunks = append(chunks, signal.Chunk{Channel: signal.StrokeCount, Start: start.Add(time.Duration(len(in)) * step), Values: []float64{float64(x.Strokes)}})
			}
			last := total[len(total)-1]
			last.air += x.AirFlow * step.Seconds()
			last.liquid += x.LiquidFlow * step.Seconds()
			last.strokes = float64(x.Strokes)
			total = append(total, last)
		})
	}
	play(12 * time.Second)
	s.Set(faults, pr)
	play(85 * time.Second)
	chunks = append(chunks, cut(signal.AirInletPressure, step, in, 100)...)
	chunks = append(chunks, cut(signal.DischargePressure, step, out, 100)...)
	if a.supply {
		chunks = append(chunks, cut(signal.AirSupplyPressure, 100*time.Millisecond, decimate(supply, 10), 10)...)
	}
	chunks = append(chunks, cut(signal.AirFlow, 100*time.Millisecond, decimate(flow, 10), 10)...)
	chunks = append(chunks, cut(signal.LiquidFlow, 100*time.Millisecond, decimate(liquid, 10), 10)...)
	order(chunks)
	epochs, _ := build(set, chunks)
	for _, x := range epochs {
		if x.State == Running && x.Strokes > e.Strokes {
			e = x
		}
	}
	if e.Strokes == 0 {
		t.Fatalf("%+v: no running epoch", a)
	}
	from, to := total[e.Start.Sub(start)/step], total[min(int(e.End.Sub(start)/step), len(total)-1)]
	strokes := to.strokes - from.strokes
	// The last six seconds against the closed valve.
	still := (total[1200].air - total[600].air) / 6
	return e, (to.air - from.air) / strokes, (to.liquid - from.liquid) / strokes, still * e.End.Sub(e.Start).Seconds() / strokes
}

// TestAirUse holds air and liquid per stroke of a few pumps against what the simulated pump used. campaign_air_test.go has the
// many from which the coverage is known.
func TestAirUse(t *testing.T) {
	for i, model := range []string{"generic-quarter-inch", "generic-one-inch", "generic-three-inch"} {
		for _, supply := range []bool{false, true} {
			e, trueAir, trueLiquid, _ := airTrial{model: model, seed: uint64(i), supply: supply}.run(t)
			for _, c := range []struct {
				name  string
				got   Value
				want  float64
				bound float64
			}{
				{"metered", e.Air[AirMetered], trueAir, 0.025},
				{"virtual", e.Air[AirVirtual], trueAir, 0.05},
				{"filling", e.Air[AirFilling], trueAir, 0.2},
				{"liquid", e.LiquidPerStroke, trueLiquid, 0.025},
			} {
				off := c.got.V/c.want - 1
				t.Logf("%s, supply %v: %s %.4g L, true %.4g L, off %+.2f %%, stated %.2f %%", model, supply, c.name, 1e3*c.got.V, 1e3*c.want, 100*off, 100*c.got.SE/c.got.V)
				if !c.got.Valid || math.Abs(off) > c.bound || math.Abs(c.got.V-c.want) > 4*c.got.SE {
					t.Errorf("%s, supply %v: %s is %v, true %.5g", model, supply, c.name, c.got, c.want)
				}
			}
		}
	}
}
