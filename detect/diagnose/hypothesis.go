package diagnose

import (
	"fmt"
	"math"
	"slices"

	"diastole/detect/baseline"
	"diastole/detect/chart"
	"diastole/detect/feature"
	"diastole/model/pump"
)

// Hypothesis is one explanation of a change, with what it does to the coordinates at each of a few sizes.
type Hypothesis struct {
	Fault pump.Fault
	Cause pump.Cause
	Side  pump.Side
	// Odds is its prior probability relative to the others.
	Odds    float64
	Effects []chart.Effect
}

// IsFault tells a fault from a cause.
func (h *Hypothesis) IsFault() bool { return h.Fault != "" }

// Hypotheses gives the explanations that are weighed for a pump of the model, from the built-in signatures; a model that
// they lack gets those of the generic pump nearest in size. Faults come first. Pumps of a model share the result, which
// must not be changed.
func Hypotheses(m pump.Model) ([]Hypothesis, error) {
	t, err := DecodeTable(signatureFile)
	if err != nil {
		return nil, err
	}
	var best *ModelTable
	nearest := math.Inf(1)
	for i := range t {
		g, err := pump.Generic(t[i].Model)
		if err != nil {
			return nil, fmt.Errorf("table of signatures: %w", err)
		}
		if d := math.Abs(math.Log(m.StrokeVolume / g.StrokeVolume)); d < nearest {
			nearest, best = d, &t[i]
		}
	}
	if best == nil {
		return nil, fmt.Errorf("the table of signatures has none for %s (stroke volume %g m3)", m.Name, m.StrokeVolume)
	}
	return build(best.Signatures), nil
}

// odds are the prior probabilities of explanations relative to each other, before the strokes since the last rebuild
// are known: the wet end wears first, then the air valve (common practice).
func odds(f pump.Fault, c pump.Cause) float64 {
	switch f {
	case pump.CheckValveLeak:
		return 0.4
	case pump.DiaphragmRupture:
		return 0.15
	case pump.AirValveSticking:
		return 0.15
	case pump.AirValveLeak:
		return 0.1
	case pump.PilotValveSlow:
		return 0.05
	}
	if c == pump.UnexplainedChange {
		return 0.01
	}
	return 0.1
}

// doubt is how far a signature is trusted: the standard deviation of a pump of another make about the simulated ones, as a
// share of the shift, and per coordinate what may move besides at size 1, less at smaller sizes.
//
// What takes no side moves the asymmetries only as far as the two sides of the pump differ: by a part of what it does to
// rate and ripple as a whole.
var doubt = struct {
	share    float64
	floor    baseline.Vector
	sideless struct{ share, asymmetry, rippleAsymmetry float64 }
}{
	share: 0.5,
	floor: baseline.Vector{
		feature.StrokeRate: 0.05, feature.Asymmetry: 0.03, feature.Dispersion: 0.15, feature.Hesitation: 0.2,
		feature.Ripple: 0.15, feature.RippleAsymmetry: 0.1, feature.DipDepth: 0.1, feature.DipWidth: 0.15,
		feature.AirPerStroke: 0.03, feature.Dwell: 0.03, feature.DwellAsymmetry: 0.02,
	},
	sideless: struct{ share, asymmetry, rippleAsymmetry float64 }{share: 0.1, asymmetry: 0.01, rippleAsymmetry: 0.03},
}

// build makes hypotheses of signatures: each side of those that have one, doubt added, and the change of no known kind.
func build(signatures []Signature) []Hypothesis {
	var faults, causes []Hypothesis
	for _, s := range signatures {
		h := Hypothesis{Fault: s.Fault, Cause: s.Cause, Side: s.Side, Effects: doubted(s)}
		if h.Side == "" {
			h.Side = pump.SideUnknown
		}
		if !h.IsFault() {
			causes = append(causes, h)
			continue
		}
		variants := []Hypothesis{h}
		if h.Fault == pump.DiaphragmRupture {
			variants = signs(variants, feature.StrokeRate, feature.Asymmetry)
		}
		for _, v := range variants {
			faults = append(faults, v)
			if v.Side == pump.SideA {
				faults = append(faults, mirrored(v))
			}
		}
	}
	all := append(append(faults, causes...), unexplained())
	for i := range all {
		n := 0.0
		for _, o := range all {
			if o.Fault == all[i].Fault && o.Cause == all[i].Cause {
				n++
			}
		}
		all[i].Odds = odds(all[i].Fault, all[i].Cause) / n
		all[i] = changed(all[i], func(e *chart.Effect) { e.Sudden = sudden(all[i].Fault) })
	}
	return all
}

// sudden is the probability that a fault or a cause (no fault) comes from one epoch to the next: a diaphragm tears, seats
// and seals wear, though a lump may hold a ball off its seat (common practice).
func sudden(f pump.Fault) float64 {
	switch f {
	case pump.DiaphragmRupture:
		return 0.9
	case "":
		return 0.5
	default:
		return 0.2
	}
}

// signs gives every hypothesis with both signs of each of the coordinates. A tear lets air into the liquid or liquid into
// the air, as the pressures and the flap of the tear will have it: it may hasten the stroke or drag it, and no model is
// to be believed in the sign (common practice).
func signs(hs []Hypothesis, coordinates ...feature.ID) []Hypothesis {
	for _, j := range coordinates {
		for _, h := range hs {
			hs = append(hs, changed(h, func(e *chart.Effect) { e.Mean[j] = -e.Mean[j] }))
		}
	}
	return hs
}

// changed is the hypothesis with every effect changed.
func changed(h Hypothesis, change func(*chart.Effect)) Hypothesis {
	h.Effects = slices.Clone(h.Effects)
	for i := range h.Effects {
		change(&h.Effects[i])
	}
	return h
}

// doubted widens simulated effects to what is believed of a pump that nobody simulated.
func doubted(s Signature) []chart.Effect {
	out := followed(s)
	for i := range out {
		e := &out[i]
		floor := doubt.floor
		if s.Side != pump.SideA {
			d := doubt.sideless
			floor[feature.Asymmetry] = math.Hypot(d.asymmetry, d.share*e.Mean[feature.StrokeRate]/math.Sqrt(e.Size))
			floor[feature.DwellAsymmetry] = floor[feature.Asymmetry]
			floor[feature.RippleAsymmetry] = math.Hypot(d.rippleAsymmetry, d.share*e.Mean[feature.Ripple]/math.Sqrt(e.Size))
		}
		for j := range baseline.Dim {
			e.Spread[j] = math.Sqrt(e.Spread[j]*e.Spread[j] +
				doubt.share*doubt.share*e.Mean[j]*e.Mean[j] + floor[j]*floor[j]*min(1, e.Size))
		}
	}
	return out
}

// followed are the effects at the simulated sizes, and of a fault also at twice the largest: on a pump of another make it may
// do as much more, and a fault larger than any hypothesis would look like nothing known.
func followed(s Signature) []chart.Effect {
	out := slices.Clone(s.Effects)
	if s.Fault == "" {
		return out
	}
	e := out[len(out)-1]
	e.Size *= 2
	for j := range baseline.Dim {
		e.Mean[j] *= 2
		e.Spread[j] *= 2
		e.Scatter[j] *= 2
	}
	return append(out, e)
}

// mirrored is the same fault on the other side.
func mirrored(h Hypothesis) Hypothesis {
	h.Side = h.Side.Other()
	return changed(h, func(e *chart.Effect) {
		e.Mean[feature.Asymmetry] = -e.Mean[feature.Asymmetry]
		e.Mean[feature.RippleAsymmetry] = -e.Mean[feature.RippleAsymmetry]
		e.Mean[feature.DwellAsymmetry] = -e.Mean[feature.DwellAsymmetry]
	})
}

// unexplained is a change of every coordinate by itself.
func unexplained() Hypothesis {
	h := Hypothesis{Cause: pump.UnexplainedChange, Side: pump.SideUnknown}
	for _, s := range []float64{1, 4} {
		e := chart.Effect{Size: s}
		for j := range baseline.Dim {
			e.Spread[j] = s * doubt.floor[j]
		}
		h.Effects = append(h.Effects, e)
	}
	return h
}

// Visible reports whether the coordinates that are known show the shift of a hypothesis at its largest size against its
// spread. A hypothesis that they do not show would only be a licence to explain anything.
func (h *Hypothesis) Visible(known *[baseline.Dim]bool) bool {
	if h.Cause == pump.UnexplainedChange {
		return true
	}
	const enough = 2.4 // sum of squares: a component known to within 65 %
	for _, e := range h.Effects {
		power := 0.0
		for j := range baseline.Dim {
			if known[j] && e.Spread[j] > 0 {
				r := e.Mean[j] / e.Spread[j]
				power += r * r
			}
		}
		if power >= enough {
			return true
		}
	}
	return false
}
