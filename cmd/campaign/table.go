package main

import (
	"fmt"
	"slices"
	"strings"

	"diastole/model/pump"
)

// row is what came of one kind.
type row struct {
	kind                       *kind
	cases, seen, right, wrong  int
	half                       int // of right, those by half size
	median                     []float64
	advisedRight, advisedWrong int
	worst                      float64
	tickets, words             map[string]int
}

func table(trials []*trial, seed uint64) string {
	var rows []row
	for i := range kinds {
		r := row{kind: &kinds[i], tickets: map[string]int{}, words: map[string]int{}}
		for _, t := range trials {
			if t.kind.name == r.kind.name {
				r.add(t)
			}
		}
		if r.cases > 0 {
			rows = append(rows, r)
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, `# How the detection does on pumps that nobody tuned it for

Made by `+"`go run ./cmd/campaign -cases %d -seed %d`"+`. Each case is ten days of one simulated pump of a random size, seen for
12 s an hour: of another make than those that the signatures came from, with its own piping and instruments, operators who turn
regulator and valve, a header that swings, a liquid that thickens at night. It is healthy for the first three and a half days, of
which two and a half are learned from. Kit: how many of the cases got a ticket for the right kit before size 1 (which
calls for a rebuild). Size: the median when the ticket came. Wrong: cases with any ticket for another kit, or without need. Told: cases with an
advisory of the right cause, and with another. Statistic: the largest, over its threshold.

| kind | cases | shown by the channels | kit | size | wrong | first ticket | told right | told other | statistic |
|---|---|---|---|---|---|---|---|---|---|
`, rows[0].cases, seed)
	for _, r := range rows {
		b.WriteString(r.String())
	}
	b.WriteString(total(rows))
	return b.String()
}

func (r *row) add(t *trial) {
	r.cases++
	if t.seen {
		r.seen++
	}
	right, wrong := t.ticket()
	if right != nil {
		r.median = append(r.median, right.size)
		if right.size <= 1 {
			r.right++
		}
		if right.size <= 0.5 {
			r.half++
		}
	}
	if wrong {
		r.wrong++
	}
	if len(t.tickets) > 0 {
		r.tickets[string(t.tickets[0].d.Fault)]++
	}
	var good, other bool
	for _, a := range t.advisory {
		if a.d.Cause == t.kind.cause {
			good = true
		} else {
			other = true
		}
		r.words[string(a.d.Cause)]++
	}
	if good {
		r.advisedRight++
	}
	if other {
		r.advisedWrong++
	}
	r.worst = max(r.worst, t.worst)
}

func (r *row) String() string {
	kit, size := "", ""
	if r.kind.fault != "" {
		kit = fmt.Sprintf("%d", r.right)
		if len(r.median) > 0 {
			slices.Sort(r.median)
			size = fmt.Sprintf("%.2f", r.median[len(r.median)/2])
		}
	}
	right := ""
	if r.kind.cause != "" {
		right = fmt.Sprint(r.advisedRight)
	}
	seen := ""
	if r.kind.fault != "" || r.kind.cause != "" {
		seen = fmt.Sprint(r.seen)
	}
	return fmt.Sprintf("| %s | %d | %s | %s | %s | %d | %s | %s | %s | %.2f |\n", r.kind.name, r.cases, seen, kit, size, r.wrong,
		r.named(), right, r.others(), r.worst)
}

// named counts the faults that first tickets named.
func (r *row) named() string {
	var names []string
	for _, f := range pump.Faults() {
		if n := r.tickets[string(f)]; n > 0 {
			names = append(names, fmt.Sprintf("%s %d", f, n))
		}
	}
	return strings.Join(names, ", ")
}

// others names the advisories of other causes.
func (r *row) others() string {
	if r.advisedWrong == 0 {
		return "0"
	}
	var names []string
	for _, c := range pump.Causes() {
		if n := r.words[string(c)]; n > 0 && c != r.kind.cause {
			names = append(names, fmt.Sprintf("%s %d", c, n))
		}
	}
	return fmt.Sprintf("%d (%s)", r.advisedWrong, strings.Join(names, ", "))
}

func total(rows []row) string {
	var seen, right, half, faults, wrong, sound, needless int
	for _, r := range rows {
		if r.kind.fault != "" {
			faults += r.cases
			seen += r.seen
			right += r.right
			half += r.half
			wrong += r.wrong
		} else {
			sound += r.cases
			needless += r.wrong
		}
	}
	return fmt.Sprintf("\nOf %d worn pumps, the channels of %d could show it; %d got the right kit by size 0.5, %d by size 1, %d a wrong one. Of %d pumps without a fault, "+
		"%d got a ticket.\n", faults, seen, half, right, wrong, sound, needless)
}
