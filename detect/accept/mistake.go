// Package accept judges a rebuilt pump from its first strokes: is it as good as it was, or which assembly mistake fits
// what is seen.
package accept

// Mistake is something that goes wrong when a pump is put together.
type Mistake string

// The mistakes that strokes can show, and those that a person sees.
const (
	SeatSealMissing   Mistake = "seat-seal-missing"
	BallWrong         Mistake = "ball-wrong"
	DiaphragmReversed Mistake = "diaphragm-reversed"
	ChamberMisaligned Mistake = "chamber-misaligned"
	GasketWrong       Mistake = "gasket-wrong"
	PilotNotSeated    Mistake = "pilot-not-seated"
	// DoesNotStroke is a pump that has air and stands.
	DoesNotStroke Mistake = "does-not-stroke"
	// LeaksAir and LeaksLiquid were seen outside; DoesNotRestart is a pump that stood still after a stall.
	LeaksAir       Mistake = "leaks-air"
	LeaksLiquid    Mistake = "leaks-liquid"
	DoesNotRestart Mistake = "does-not-restart"
)

// words and checks are common practice; they defer to the service manual, as all that is printed does.
var words = map[Mistake]string{
	SeatSealMissing:   "a check valve leaks from the first stroke: the o-ring of a seat is missing or pinched, or a seat sits upside down",
	BallWrong:         "a check valve does not close: a ball of the wrong size or material, dirt under it, or a seat upside down",
	DiaphragmReversed: "one stroke ends too soon: a diaphragm or its plate is the wrong way round",
	ChamberMisaligned: "air goes astray on one side: a chamber is clamped crooked, or a clamp is uneven",
	GasketWrong:       "the air valve passes or holds back air: its gasket is wrong, torn or turned, or the valve sits wrong on it",
	PilotNotSeated:    "a stroke ends too late: a pilot valve is not seated, or its o-ring is missing",
	DoesNotStroke:     "the pump has air and does not stroke: the spool is the wrong way round, the gasket covers a port, or the pilot is not in place",
	LeaksAir:          "air escapes outside: a chamber is clamped crooked, a clamp is uneven, or a gasket is not in place",
	LeaksLiquid:       "liquid escapes outside: a chamber or a manifold is not aligned, or an o-ring is missing",
	DoesNotRestart:    "the pump does not start again after a stall: the spool drags or sits wrong, or the pilot is not seated",
}

var checks = map[Mistake][]string{
	SeatSealMissing: {
		"Listen at the four check valves with a contact probe: the one that hisses while it should be shut is the one.",
		"Where the site allows it and nothing points to a torn diaphragm: close the discharge valve slowly. Strokes that go on mean leaks that serve both strokes; a pump that stalls is not cleared, one leaking check valve stalls too.",
		"Isolate, lock, relieve both sides; then open that check valve: the right o-ring, whole and in its groove, and the seat's side as the service manual shows.",
	},
	BallWrong: {
		"Listen at the four check valves with a contact probe: a missing tap is a ball that does not close.",
		"Isolate, lock, relieve both sides; then open that check valve: clean, ball and seat of the kit, seat's side as the service manual shows.",
	},
	DiaphragmReversed: {
		"Listen: a short stroke on one side knocks early.",
		"Isolate, lock, relieve both sides; then open the chambers: air side of the diaphragm as marked, the plate's large radius toward the diaphragm.",
	},
	ChamberMisaligned: {
		"Soap water around both chambers and the air valve while the pump runs slowly; look for a weep at the same joints.",
		"Isolate, lock, relieve both sides; then loosen the clamps, set the chambers level with each other and tighten evenly, as the service manual says.",
	},
	GasketWrong: {
		"Listen at the muffler: a steady hiss between the strokes is air that passes the valve.",
		"Where the site allows it: at a stall the exhaust is silent on a sound pump.",
		"Isolate, lock, bleed; then take the air valve off: gasket whole, its ports over those of the block.",
	},
	PilotNotSeated: {
		"Listen: the pump pauses at the end of every other stroke.",
		"Isolate, lock, bleed; then open the pilot valve: seated, o-rings in place, retaining ring home.",
	},
	DoesNotStroke: {
		"Is the air valve open, and the discharge?",
		"Isolate, lock, bleed; then open the air valve: spool the right way round, gasket over its ports, pilot in place.",
	},
	LeaksAir:       {"Isolate, lock, bleed; then set and tighten the joint that bubbles, as the service manual says. Never tighten under pressure."},
	LeaksLiquid:    {"Isolate, lock, relieve both sides; then open the joint that weeps: o-ring in place, faces clean, aligned. Never tighten under pressure."},
	DoesNotRestart: {"Isolate, lock, bleed; then open the air valve and the pilot: clean, free to move, o-rings in place."},
}

// Words says what the mistake is.
func (m Mistake) Words() string { return words[m] }

// Checks are what to look at, before and after opening. The slice is the caller's own.
func (m Mistake) Checks() []string { return append([]string(nil), checks[m]...) }

// Asked judges by what a person saw at the start: that the pump started again after a stall, that air or liquid escaped
// outside. nil was not looked at. The first answer that is wrong counts; ok is false where none is.
func Asked(restarts, leaksAir, leaksLiquid *bool) (m Mistake, wrong bool) {
	switch {
	case leaksLiquid != nil && *leaksLiquid:
		return LeaksLiquid, true
	case leaksAir != nil && *leaksAir:
		return LeaksAir, true
	case restarts != nil && !*restarts:
		return DoesNotRestart, true
	}
	return "", false
}
