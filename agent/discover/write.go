package discover

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"diastole/agent/config"
	"diastole/detect/signal"
)

// Source says where a survey was made.
type Source struct {
	Broker string
	// Lines are further lines of the section mqtt, such as "username: agent".
	Lines []string
	For   time.Duration
}

// Write writes a proposal as a configuration in YAML, with what is a guess in comments. Its error is that of w.
func (p *Proposal) Write(w io.Writer, src Source) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Proposed by `diastole discover` from %s of listening. Names, units and what belongs together are guesses:\n"+
		"# check each line against the plant, then run `diastole check -c FILE`.\n", src.For)
	fmt.Fprintf(&b, "site: %q # a guess from the topics\nmqtt:\n  broker: %q\n", p.site(), src.Broker)
	for _, line := range src.Lines {
		fmt.Fprintf(&b, "  %s\n", line)
	}
	b.WriteString("pumps:\n")
	for i := range p.Pumps {
		writePump(&b, &p.Pumps[i])
	}
	if len(p.left)+len(p.silent) > 0 {
		b.WriteString("\n# Heard, but not used:\n")
	}
	for _, l := range p.left {
		fmt.Fprintf(&b, "#   %s: %s%s\n", where(l.seen), l.why, values(l.seen))
	}
	for _, topic := range p.silent {
		fmt.Fprintf(&b, "#   %s: the payload is in no format that is known here\n", comment(topic))
	}
	_, err := w.Write(b.Bytes())
	return err
}

// site is the first level that the topics of all pumps have in common, where it is a name.
func (p *Proposal) site() string {
	first := ""
	for i := range p.Pumps {
		for _, c := range p.Pumps[i].Channels {
			levels := strings.Split(c.seen.topic, "/")
			level := levels[0]
			if c.seen.format == config.FormatSparkplugB {
				level = levels[1]
			}
			if first != "" && level != first {
				return "plant"
			}
			first = level
		}
	}
	if first == "" {
		return "plant"
	}
	return pumpName(first)
}

func writePump(b *bytes.Buffer, p *Pump) {
	fmt.Fprintf(b, "  - id: %q", p.ID)
	if !p.Sure {
		b.WriteString(" # a guess from the place in the topics")
	}
	b.WriteString("\n    # model: generic-one-inch   the size of the pump; see diastole schema config for others\n")
	b.WriteString("    # condition_at_start: used   new, rebuilt or used, where it is known\n    channels:\n")
	for i := range p.Channels {
		c := &p.Channels[i]
		fmt.Fprintf(b, "      %s: {%s} # %s\n", c.ID, entry(c), strings.Join(remarks(c), "; "))
	}
}

// entry is a channel as the configuration has it.
func entry(c *Channel) string {
	x := c.seen
	out := []string{fmt.Sprintf("topic: %q", x.topic), "format: " + string(x.format)}
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch x.format {
	case config.FormatJSON:
		add("value: %q", x.selector)
		if x.timePointer != "" {
			add("time: %q", x.timePointer)
		}
		if x.timeUnit != "" {
			add("time_unit: %s", x.timeUnit)
		}
	case config.FormatSenML, config.FormatSparkplugB:
		add("name: %q", x.selector)
	}
	if c.unit.unit != "" {
		add("unit: %q", c.unit.unit)
	}
	if c.unit.unit == "mA" {
		add("scale: {from: [4, 20], to: [0, 10], unit: %s}", engineering(c.ID))
	}
	if x.unspaced {
		add("dt: 0.01")
	}
	switch c.ID {
	case signal.StrokeCount, signal.StrokeEdge:
		if cycles(x) {
			add("counts: cycle")
		}
		if n := wraps(x); n > 0 && c.ID == signal.StrokeCount {
			add("wraps_at: %d", n)
		}
	case signal.SideSignal:
		add("side: left")
	case signal.ServiceState:
		add("states: {%s}", strings.Join(states(x), ", "))
	}
	if x.onChange() && c.ID != signal.StrokeEdge {
		add("report: on-change")
	}
	if c.shared {
		add("shared: true")
	}
	return strings.Join(out, ", ")
}

func engineering(c signal.Channel) string {
	switch {
	case strings.HasSuffix(c.String(), "_pressure"):
		return "bar"
	case strings.HasSuffix(c.String(), "_temperature"):
		return "Cel"
	}
	return "L/min"
}

// cycles tells a counter that says that it counts cycles.
func cycles(x *signalSeen) bool {
	for _, w := range words(x.place()...) {
		if w == "cycle" || w == "cycles" {
			return true
		}
	}
	return false
}

// wraps is the count at which a counter was seen to begin again: the power of two or ten just above.
func wraps(x *signalSeen) int64 {
	if x.falls != 1 {
		return 0
	}
	for _, n := range []int64{1 << 8, 1000, 1 << 10, 1 << 12, 10_000, 1 << 14, 1 << 15, 1 << 16, 100_000, 1_000_000, 1 << 24, 1 << 31, 1 << 32} {
		// Within a hundred counts or one in a thousand of where it fell from.
		if d := float64(n) - x.fallFrom; d > 0 && d <= max(100, 1e-3*float64(n)) && x.newest < float64(n)/2 {
			return n
		}
	}
	return 0
}

// states proposes what each word of a state means: all are running, but for those that say otherwise.
func states(x *signalSeen) []string {
	texts := slices.Sorted(maps.Keys(x.texts))
	if !x.words {
		for v := int64(x.min); v <= int64(x.max); v++ {
			texts = append(texts, fmt.Sprint(v))
		}
		if x.truths {
			texts = []string{"false", "true"}
		}
	}
	out := make([]string, 0, len(texts))
	for _, text := range texts {
		state := signal.ServiceRun
		for _, w := range words(text) {
			switch w {
			case "cip", "clean", "cleaning", "rinse", "wash":
				state = signal.ServiceClean
			case "purge", "purging", "flush":
				state = signal.ServicePurge
			case "out", "off", "maintenance", "stop", "stopped", "fault", "standby":
				state = signal.ServiceOut
			}
		}
		out = append(out, fmt.Sprintf("%q: %s", text, state))
	}
	return out
}

// remarks say what was heard, and what of the line is a guess.
func remarks(c *Channel) []string {
	x := c.seen
	var out []string
	switch {
	case x.step > 0:
		out = append(out, fmt.Sprintf("%.4g Hz in blocks of %d", x.rate(), x.block))
	case x.rate() > 0:
		out = append(out, fmt.Sprintf("about %.3g a second", x.rate()))
	}
	if c.why != "" {
		out = append(out, "a guess: "+c.why)
	}
	if c.unit.unit != "" {
		out = append(out, "unit: "+c.unit.why)
	}
	if c.unit.unit == "mA" {
		out = append(out, "the range of the transmitter is a guess")
	}
	switch c.ID {
	case signal.StrokeCount:
		out = append(out, "strokes or cycles (counts: cycle)? one cycle is two strokes")
		if x.max > 1<<24 {
			out = append(out, "above 16777216 a total in single precision stands still")
		}
		if wraps(x) > 0 {
			out = append(out, fmt.Sprintf("it fell from %.0f to %.0f", x.fallFrom, x.newest))
		} else if x.falls > 0 {
			out = append(out, fmt.Sprintf("it fell from %.0f: reset, or does it wrap (wraps_at)?", x.fallFrom))
		}
	case signal.SideSignal:
		out = append(out, "which chamber discharges while it is 1 is a guess")
	case signal.LiquidInAir:
		out = append(out, "wet_value: 0 where 0 means wet")
	case signal.ServiceState:
		out = append(out, "which states are no running is a guess; name those that were not heard")
	case signal.AirInletPressure:
		out = append(out, "tap: before-valve where it is taken before the shut-off valve")
	}
	if x.unspaced {
		out = append(out, "dt, the spacing of the array, is a guess")
	}
	if x.onChange() {
		out = append(out, "seems to be sent on change; give its deadband")
	}
	if x.format == config.FormatNumber || x.format == config.FormatJSON && x.timePointer == "" {
		out = append(out, "without a time of its own")
	}
	if len(out) == 0 {
		out = append(out, "heard once")
	}
	for i := range out {
		out[i] = comment(out[i])
	}
	return out
}

// where names a signal in a comment.
func where(x *signalSeen) string {
	if x.selector == "" {
		return comment(fmt.Sprintf("%s (%s)", x.topic, x.format))
	}
	return comment(fmt.Sprintf("%s (%s, %s)", x.topic, x.format, x.selector))
}

func values(x *signalSeen) string {
	switch {
	case x.n == 0 || x.edges:
		return ""
	case x.words:
		return comment(fmt.Sprintf("; it said %s", strings.Join(slices.Sorted(maps.Keys(x.texts)), ", ")))
	}
	return fmt.Sprintf("; values of %.4g to %.4g", x.min, x.max)
}

// comment keeps what others sent on one line.
func comment(text string) string {
	const most = 300
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0x85 || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, text)
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + "..."
	}
	return text
}
