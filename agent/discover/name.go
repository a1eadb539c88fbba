package discover

import (
	"regexp"
	"slices"
	"strings"
	"unicode"

	"diastole/detect/signal"
)

// words takes names apart: at what is neither letter nor digit, at capitals inside, and where letters and digits meet.
func words(names ...string) []string {
	var out []string
	for _, name := range names {
		var word []rune
		flush := func() {
			if len(word) > 0 {
				out = append(out, strings.ToLower(string(word)))
				word = nil
			}
		}
		var before rune
		for _, r := range name {
			switch {
			case !unicode.IsLetter(r) && !unicode.IsDigit(r):
				flush()
			case unicode.IsUpper(r) && unicode.IsLower(before), unicode.IsDigit(r) != unicode.IsDigit(before) && before != 0:
				flush()
				word = append(word, r)
			default:
				word = append(word, r)
			}
			before = r
		}
		flush()
	}
	return out
}

// hint is a channel with the words that speak for it. The first hint whose every group has one of its words is taken, so
// the more special ones stand first. English words of instrument lists and their usual short forms (common practice).
var hints = []struct {
	channel signal.Channel
	groups  [][]string
}{
	{signal.StrokeEdge, [][]string{{"edge", "edges"}}},
	{signal.LiquidInAir, [][]string{{"wet", "leak", "leakage", "moisture", "probe"}}},
	{signal.LiquidInAir, [][]string{{"liquid", "fluid"}, {"in"}, {"air"}}},
	{signal.AirValveOpen, [][]string{{"air"}, {"valve", "sv", "solenoid", "xv"}}},
	{signal.DischargeValveOpen, [][]string{{"discharge", "outlet", "delivery"}, {"valve", "xv"}}},
	{signal.AirFlow, [][]string{{"air"}, {"flow", "consumption", "fi", "fit", "scfm"}}},
	{signal.AirFlow, [][]string{{"airflow"}}},
	{signal.LiquidFlow, [][]string{{"flow", "fit", "fi"}}},
	{signal.AmbientTemperature, [][]string{{"ambient", "room", "outdoor"}}},
	{signal.LiquidTemperature, [][]string{{"temperature", "temp", "tit", "tt"}}},
	{signal.SideSignal, [][]string{{"side", "left", "right"}}},
	{signal.StrokeCount, [][]string{{"stroke", "strokes", "cycle", "cycles", "pulse", "pulses", "count", "counter", "counts", "total", "totaliser", "totalizer"}}},
	{signal.AirSupplyPressure, [][]string{{"supply", "header", "main", "compressor", "upstream"}}},
	{signal.ExhaustPressure, [][]string{{"exhaust", "muffler"}}},
	{signal.SuctionPressure, [][]string{{"suction"}}},
	{signal.DischargePressure, [][]string{{"discharge", "outlet", "delivery", "liquid", "fluid"}}},
	{signal.AirInletPressure, [][]string{{"air", "inlet", "pneumatic"}}},
	{signal.ServiceState, [][]string{{"mode", "state", "status", "service", "phase", "operation"}}},
}

// named guesses a channel from the words of a signal's place, the last ones first: they are the most special.
func named(place []string) (signal.Channel, bool) {
	for from := range slices.Backward(place) {
		w := words(place[from:]...)
		for _, h := range hints {
			if all(h.groups, w) {
				return h.channel, true
			}
		}
	}
	return 0, false
}

func all(groups [][]string, w []string) bool {
	for _, g := range groups {
		if !slices.ContainsFunc(g, func(x string) bool { return slices.Contains(w, x) }) {
			return false
		}
	}
	return true
}

// fits tells whether what was heard can be that channel.
func (x *signalSeen) fits(c signal.Channel) bool {
	switch c {
	case signal.StrokeEdge:
		return x.edges || x.truths && (x.format == "senml" || x.format == "sparkplug-b" || x.format == "json" && x.timePointer != "")
	case signal.StrokeCount:
		return !x.edges && !x.words && x.step == 0 && x.whole && !x.truths
	case signal.ServiceState:
		return !x.edges && x.step == 0 && (x.words || x.isBit() || x.whole && x.max < 32)
	case signal.SideSignal, signal.AirValveOpen, signal.DischargeValveOpen, signal.LiquidInAir:
		return x.isBit() && !x.edges
	}
	return !x.edges && !x.words && !x.truths && x.n > 0
}

// position is the id of a pump position or of its tag, such as P-101, p101, PU_3 or pump2.
var position = regexp.MustCompile(`^(?i:[a-z]{1,4}[-_ ]?\d{1,5}[a-z]?|pumps?[-_ ]?\d{1,5}[a-z]?|aodd[-_ ]?\d{1,5})$`)

// place lists the names that lead to a signal, from the topic to the selector.
func (x *signalSeen) place() []string {
	levels := strings.Split(x.topic, "/")
	switch x.format {
	case "json":
		for token := range strings.SplitSeq(strings.TrimPrefix(x.selector, "/"), "/") {
			levels = append(levels, strings.NewReplacer("~1", "/", "~0", "~").Replace(token))
		}
	case "senml":
		levels = append(levels, strings.FieldsFunc(x.selector, func(r rune) bool { return r == ':' || r == '/' })...)
	case "sparkplug-b":
		levels = append(slices.Delete(levels, 2, 3), strings.Split(x.selector, "/")...)
	}
	return levels
}

// group is what a signal belongs to: the level that looks like a position, the last one left out, which names the signal;
// else all but the last level.
func (x *signalSeen) group() (id string, sure bool) {
	place := x.place()
	for i := len(place) - 2; i >= 0; i-- {
		if position.MatchString(place[i]) {
			return place[i], true
		}
	}
	if x.format == "sparkplug-b" {
		levels := strings.Split(x.topic, "/")
		return levels[len(levels)-1], false // the device, else the node
	}
	levels := strings.Split(x.topic, "/")
	if x.format == "number" || x.format == "waveform" || x.format == "edges" {
		levels = levels[:max(1, len(levels)-1)]
	}
	return strings.Join(levels, "-"), false
}
