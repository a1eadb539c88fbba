package feature

import (
	"math"

	"diastole/detect/robust"
	"diastole/model/air"
)

// SupplyPath is what lies between the regulator and the pump's air inlet, as the installation's data sheets or a test with a flow
// meter tell. The zero value is not known.
type SupplyPath struct {
	// Path is the flow behaviour of filter, hose and shut-off valve together (ISO 6358).
	Path air.Conductance
	// Droop is by how much the regulator's outlet falls below its set-point per mass flow, Pa s/kg.
	Droop float64
	// Spread is the relative standard uncertainty of the flow at a given drop.
	Spread float64
}

// What is not known of instruments, as standard uncertainties: meterSpread is that of a flow meter's gain, half of 1.5 % of reading;
// zeroSpread that of the difference of two pressure transmitters' zeros, Pa, and steadySpread that of one transmitter from
// minute to minute (all common practice). pathModel is the relative error that a mean droop and a mean cycle leave (AIR.md).
const (
	pathModel    = 0.015
	meterSpread  = 0.0075
	zeroSpread   = 500
	steadySpread = 60
)

// stall is what the pressures were when the pump last stood under pressure. As long as the air valve is tight and no air flows, the
// inlet then shows the regulator's set-point, and a transmitter before the hose the same.
type stall struct {
	Stretch       int
	Inlet, Supply float64 // Pa gauge; Supply is NaN where it is not sensed
	Valid         bool
}

// noteStall follows the pressures of a stall in the stretch that is being looked at.
func (b *Builder) noteStall(from, to int64) {
	r := &b.st.Running
	if r.State != Stalled || to-r.lastStroke() < patience || math.IsNaN(r.Inlet) {
		return
	}
	s := stall{Stretch: b.st.Stretch.ID, Inlet: r.Inlet, Supply: math.NaN(), Valid: true}
	if v := b.readingsMean(b.st.Supply, from, to); v.Valid {
		s.Supply = v.V
	}
	b.st.Stall = s
}

// use fills in air and liquid per stroke in every way that the channels allow.
func (c *condenser) use() {
	stroke := c.meanStroke()
	if !stroke.Valid {
		return
	}
	if flow := c.meanReadings(c.b.st.Flow); flow.Valid {
		c.out.Air[AirMetered] = perStroke(flow, stroke, meterSpread)
	}
	if flow := c.meanReadings(c.b.st.Liquid); flow.Valid {
		c.out.LiquidPerStroke = perStroke(flow, stroke, meterSpread)
	}
	if c.out.Cycle == nil || len(c.out.Cycle.Inlet.Pa) == 0 {
		return
	}
	c.virtual(stroke)
	c.filling()
}

// meanStroke is the mean duration of a stroke, s.
func (c *condenser) meanStroke() Value {
	rate := c.out.Features[StrokeRate]
	if !rate.Valid || rate.V <= 0 {
		return Value{}
	}
	return Value{V: 1 / rate.V, SE: rate.SE / rate.V / rate.V, Valid: true}
}

// perStroke is a mean flow times a stroke's duration, with the relative uncertainty of the flow's scale.
func perStroke(flow, stroke Value, spread float64) Value {
	if flow.V <= 0 {
		return Value{}
	}
	v := flow.V * stroke.V
	return Value{V: v, SE: v * math.Hypot(spread, math.Hypot(flow.SE/flow.V, stroke.SE/stroke.V)), Valid: true}
}

// meanReadings is the mean of readings over the strokes of the runs, its error from their differences.
func (c *condenser) meanReadings(all []reading) Value {
	v := c.b.scratch.a[:0]
	for _, r := range c.runs {
		from := r.strokes[0].End - int64(math.Round(r.strokes[0].Dur*1e9))
		to := r.strokes[len(r.strokes)-1].End
		for _, x := range all {
			if x.T >= from && x.T < to {
				v = append(v, x.V)
			}
		}
	}
	c.b.scratch.a = v
	if len(v) < 8 {
		return Value{}
	}
	return Value{V: robust.Mean(v), SE: robust.MeanError(v, correlated), Valid: true}
}

// slowUse fills in air and liquid per stroke from readings alone.
func (b *Builder) slowUse(out *Epoch, flow Value, from, to int64) {
	rate := out.Features[StrokeRate]
	stroke := Value{V: 1 / rate.V, SE: rate.SE / rate.V / rate.V, Valid: true}
	if flow.Valid {
		out.Air[AirMetered] = perStroke(flow, stroke, meterSpread)
	}
	if liquid := b.readingsMean(b.st.Liquid, from, to); liquid.Valid {
		out.LiquidPerStroke = perStroke(liquid, stroke, meterSpread)
	}
}

// virtual is the air that the pressure drop over the supply path lets through, by ISO 6358 from the mean cycle: a sensed
// pressure before the path, or the set-point that a stall in the same stretch showed, less the regulator's droop. By a stall it is
// what the strokes use: an air valve that leaks lets its air flow in the stall too, and that falls out of the difference.
func (c *condenser) virtual(stroke Value) {
	path := c.b.set.Supply
	if path.Path.C <= 0 {
		return
	}
	var source, droop, zero float64
	st := c.b.st.Stall
	st.Valid = st.Valid && c.withinStretch(st.Stretch)
	supply := c.meanReadings(c.b.st.Supply)
	switch {
	case supply.Valid:
		offset, spread := st.zeros()
		source, zero = supply.V-offset, math.Hypot(spread, supply.SE)
	case st.Valid:
		source, droop, zero = st.Inlet, path.Droop, steadySpread
	default:
		return
	}
	flow := c.pathFlow(source, droop)
	if flow <= 0 {
		return
	}
	// How far the flow moves with the zero.
	slope := (c.pathFlow(source+zero, droop) - c.pathFlow(source-zero, droop)) / (2 * zero)
	rest := math.Sqrt(c.out.Cycle.Inlet.Residual / float64(c.out.Cycle.Strokes))
	se := math.Hypot(slope*zero, slope*rest)
	c.out.Air[AirVirtual] = perStroke(Value{V: flow, SE: se, Valid: true}, stroke, math.Hypot(path.Spread, pathModel))
}

// leakDrop is the widest pressure drop that the air of a leaking valve is reckoned to make on the supply path in a stall, Pa, evenly
// spread from none.
const leakDrop = 5000

// zeros is by how much the supply's transmitter reads more than the inlet's where both should be alike, and how uncertain that is, Pa.
// What they differ by in a stall is that, if the air valve is tight; if it leaks, an unknown drop is in it too. Either is as
// probable before the difference is seen, and the two are weighed by it.
func (s stall) zeros() (offset, spread float64) {
	d := s.Supply - s.Inlet
	if !s.Valid || math.IsNaN(d) {
		return 0, zeroSpread
	}
	u := d / zeroSpread
	density := math.Exp(-u*u/2) / math.Sqrt(2*math.Pi)
	below := math.Erfc(-u/math.Sqrt2) / 2
	tight := density / zeroSpread
	leak := below / leakDrop
	if tight+leak < 1e-300 {
		return 0, zeroSpread // so far below zero that neither explains it
	}
	p := tight / (tight + leak)
	// With a leak the zero is a normal one, cut off above d: its mean and variance.
	ratio := density / max(below, 1e-300)
	mean := -zeroSpread * ratio
	variance := zeroSpread * zeroSpread * max(1-u*ratio-ratio*ratio, 0)
	offset = p*d + (1-p)*mean
	square := p*(d-offset)*(d-offset) + (1-p)*(variance+(mean-offset)*(mean-offset))
	return offset, math.Sqrt(steadySpread*steadySpread + square)
}

// withinStretch reports whether all strokes of the epoch are of one stretch.
func (c *condenser) withinStretch(id int) bool {
	for _, r := range c.runs {
		if r.strokes[0].Stretch != int32(id) {
			return false
		}
	}
	return true
}

// pathFlow is the mean flow through the supply path over the mean cycle, m3/s ANR, at a pressure before it, Pa gauge, that
// falls by the droop with the mean flow. Air is at 20 degC.
func (c *condenser) pathFlow(source, droop float64) float64 {
	at := func(p1 float64) float64 {
		sum := 0.0
		for _, p2 := range c.out.Cycle.Inlet.Pa {
			sum += c.b.set.Supply.Path.MassFlow(p1, air.AnrTemperature, float64(p2)+atmosphere)
		}
		return sum / float64(len(c.out.Cycle.Inlet.Pa))
	}
	p1 := source + atmosphere
	if droop <= 0 {
		return air.VolumeANR(at(p1))
	}
	// More flow, more droop, less flow: the balance lies between none and the flow without droop.
	lo, hi := 0.0, at(p1)
	for range 30 {
		m := (lo + hi) / 2
		if at(p1-droop*m) > m {
			lo = m
		} else {
			hi = m
		}
	}
	return air.VolumeANR((lo + hi) / 2)
}

// Of a chamber that is filled: deadShare is its dead volume over the displacement, residual the absolute pressure at which the
// exhaust leaves it, Pa. fillSpread is the relative standard uncertainty of the sum, over the sizes and makes of the model pumps
// (AIR.md).
const (
	deadShare  = 0.31
	residual   = 1.15e5
	fillSpread = 0.027
)

// filling is the air that fills a chamber to the inlet pressure at the end of its stroke, over what the last exhaust left in it:
// (p_end (V + V_dead) - p_residual V_dead) over the reference pressure, at the reference temperature. It rests on the
// displacement of the model, and knows of no leak.
func (c *condenser) filling() {
	volume := c.b.set.StrokeVolume
	if volume <= 0 {
		return
	}
	pa := c.out.Cycle.Inlet.Pa
	n := len(pa)
	endA := int(c.out.Cycle.ShareA*float64(n)) - 1
	end := (float64(pa[(endA+n)%n])+float64(pa[n-1]))/2 + atmosphere
	v := volume * (end*(1+deadShare) - residual*deadShare) / air.AnrPressure
	c.out.Air[AirFilling] = Value{V: v, SE: v * math.Hypot(fillSpread, c.b.set.StrokeVolumeSpread), Valid: true}
}

// standstill fills in what a stalled pump shows: strokes that creep and air that flows though nothing moves.
func (b *Builder) standstill(out *Epoch) {
	span := out.End.Sub(out.Start).Seconds()
	if span < 10 {
		return
	}
	strokes := float64(out.Strokes)
	if out.Counter.Valid {
		strokes = out.CounterDelta
	}
	// Each end of the span is uncertain by a stroke that is evenly spread; strokes that creep come as they like.
	out.Creep = Value{V: strokes / span, SE: math.Sqrt(strokes+1.0/6) / span, Valid: true}
	out.StallAir = b.readingsMean(b.st.Flow, out.Start.UnixNano(), out.End.UnixNano())
}
