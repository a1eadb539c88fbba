package feature

// usualHops is how many looks what is usual is the mean of: a minute of them.
const usualHops = 20

// lastStroke is the end of the last stroke that tells of running. A single edge after a long silence does not: a valve that leaks
// lets a stalled pump creep by a stroke now and then, and noise can look like an edge.
func (r *running) lastStroke() int64 {
	if r.Previous > 0 && r.Newest-r.Previous > patience {
		return r.Previous
	}
	return r.Newest
}

// The discharge of a pump that stops against a closed valve rises toward the air pressure. One that stops by itself loses it.
const risen = 0.15

// rose reports whether the discharge stands clearly higher than it was while the pump ran, by a share of what it then lay
// below the inlet. This tells a dead-head where the pump's own friction holds the discharge further below the air pressure than usual.
func (r *running) rose() bool {
	gap := r.UsualInlet - r.UsualDischarge
	return r.UsualDischarge > 0 && gap > 0 && r.Discharge > r.UsualDischarge+risen*gap && r.Inlet < r.UsualInlet+gap
}

// A pump that sucks air races at once, long before its discharge line has run empty: gas needs no force to be moved. It then
// strokes at least twice as fast as usual, and its ripple is less than about half the usual one, for gas is soft.
const (
	gasRate  = 2
	gasSwing = 0.55
)

// displacesGas reports whether a pump with a habit races as only one that sucks air does.
func (r *running) displacesGas(rate float64) bool {
	return r.UsualRate > 0 && rate > gasRate*r.UsualRate && r.Swing < gasSwing*r.UsualSwing &&
		r.Discharge < r.UsualDischarge && r.Inlet < 1.1*r.UsualInlet
}

// runs follows a pump that strokes: after a true stop it starts, and runs once the strokes that are left out are over. Where only a
// counter tells of strokes, none is looked at by itself and none left out.
func (b *Builder) runs(now, since int64) {
	r := &b.st.Running
	switch {
	case b.st.Slow.Active:
		b.change(Running, now, since)
	case r.State == Off || r.State == Stalled:
		r.Gate, r.GateEnd = gatedStrokes, 0
		b.gateRecorded(since)
		b.change(Starting, now, since)
	case r.State == Starting && r.Gate > 0:
	case r.State == Starting:
		b.change(Running, now, max(r.GateEnd, since))
	default:
		b.change(Running, now, since)
	}
}
