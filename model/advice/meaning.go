package advice

// meanings says in words what it means that a feature is higher (up) or lower (down) than this healthy pump
// would show at the same inlet and discharge pressure. The keys are the features' names in events.
var meanings = map[string]struct{ up, down string }{
	"stroke_rate": {
		up:   "strokes faster than this pressure difference calls for",
		down: "strokes slower than this pressure difference calls for",
	},
	"asymmetry": {
		up:   "stroke A takes longer against stroke B than it used to",
		down: "stroke B takes longer against stroke A than it used to",
	},
	"dispersion": {
		up:   "stroke times scatter more than they used to",
		down: "stroke times scatter less than they used to",
	},
	"hesitation": {
		up:   "some strokes hang far longer than the usual ones",
		down: "fewer strokes hang than used to",
	},
	"ripple": {
		up:   "discharge pressure swings more with each stroke than it used to",
		down: "discharge pressure swings less with each stroke than it used to",
	},
	"ripple_asymmetry": {
		up:   "discharge pressure swings more after stroke A against stroke B than it used to",
		down: "discharge pressure swings more after stroke B against stroke A than it used to",
	},
	"dip_depth": {
		up:   "inlet air dips deeper at each changeover than it used to",
		down: "inlet air dips less deep at each changeover than it used to",
	},
	"dip_width": {
		up:   "inlet air takes longer to come back after each changeover",
		down: "inlet air comes back sooner after each changeover than it used to",
	},
	"stall_creep": {
		up:   "the pump goes on stroking against a shut valve",
		down: "the pump holds against a shut valve",
	},
	"air_per_stroke": {
		up:   "each stroke uses more air than this air pressure calls for",
		down: "each stroke uses less air than this air pressure calls for",
	},
	"dwell": {
		up:   "the pump waits longer at the ends of its strokes before it changes over",
		down: "the pump waits less at the ends of its strokes before it changes over",
	},
	"dwell_asymmetry": {
		up:   "the pump waits longer at the end of stroke A against stroke B than it used to",
		down: "the pump waits longer at the end of stroke B against stroke A than it used to",
	},
}

// Meaning says in words what a feature that lies above (up) or below its expectation tells; a feature without
// words of its own is described by its name.
func Meaning(feature string, up bool) string {
	m, known := meanings[feature]
	switch {
	case known && up:
		return m.up
	case known:
		return m.down
	case up:
		return feature + " is higher than expected"
	default:
		return feature + " is lower than expected"
	}
}
