package advice_test

import (
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/model/advice"
	"diastole/model/pump"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var sides = []pump.Side{pump.SideA, pump.SideB, pump.SideBoth, pump.SideUnknown}

// TestKits checks which kit mends which fault (common practice: balls, seats and diaphragms come in the
// wet-end kit, the main valve's parts and the shaft seals in the air-end kit).
func TestKits(t *testing.T) {
	want := map[pump.Fault]pump.Kit{
		pump.CheckValveLeak:   pump.WetEnd,
		pump.DiaphragmRupture: pump.WetEnd,
		pump.AirValveSticking: pump.AirEnd,
		pump.AirValveLeak:     pump.AirEnd,
		pump.PilotValveSlow:   pump.PilotValve,
	}
	for _, f := range pump.Faults() {
		a := advice.For(f, pump.SideUnknown, 0.5, false)
		if a.Kit != want[f] {
			t.Errorf("%s: kit %q, want %q", f, a.Kit, want[f])
		}
		if slices.Contains(a.Bring, a.Kit) {
			t.Errorf("%s: kit %q is both pulled and brought", f, a.Kit)
		}
		if len(a.Suspects) == 0 || a.IfNotDone == "" || len(a.Checks) == 0 {
			t.Errorf("%s: suspects %d, checks %d, if-not-done %q", f, len(a.Suspects), len(a.Checks), a.IfNotDone)
		}
	}
	if a := advice.For(pump.DiaphragmRupture, pump.SideA, 0.1, true); !slices.Equal(a.Bring, []pump.Kit{pump.AirEnd}) {
		t.Errorf("a rupture brings %v, want the air-end kit: product may have reached it", a.Bring)
	}
}

func TestUrgencyFollowsSeverity(t *testing.T) {
	f := func(fault pump.Fault, severity float64, urgency pump.Urgency, status advice.Status) {
		t.Helper()
		a := advice.For(fault, pump.SideA, severity, false)
		if a.Urgency != urgency || a.NE107 != status {
			t.Errorf("%s at severity %v: %s, %s; want %s, %s", fault, severity, a.Urgency, a.NE107, urgency, status)
		}
	}
	f(pump.CheckValveLeak, 0, pump.Planned, advice.MaintenanceRequired)
	f(pump.CheckValveLeak, 0.999, pump.Planned, advice.MaintenanceRequired)
	f(pump.CheckValveLeak, 1, pump.Soon, advice.OutOfSpecification)
	f(pump.AirValveSticking, 2.5, pump.Soon, advice.OutOfSpecification)
	f(pump.PilotValveSlow, math.NaN(), pump.Soon, advice.OutOfSpecification)
	f(pump.DiaphragmRupture, 0.01, pump.Stop, advice.Failure)
	f(pump.DiaphragmRupture, math.Inf(1), pump.Stop, advice.Failure)
}

// TestISO14224CodesExist reads the codes that the standard marks for pumps; the file names its source.
func TestISO14224CodesExist(t *testing.T) {
	file, err := os.Open("testdata/iso14224_pump_codes.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	valid := map[string]bool{}
	for _, row := range rows {
		valid[row[0]] = true
	}
	for _, f := range pump.Faults() {
		if code := advice.For(f, pump.SideA, 1, false).ISO14224; !valid[code] {
			t.Errorf("%s: ISO 14224 code %q is not one for pumps", f, code)
		}
	}
}

// TestSuspectsOfOneStroke: the suction check of the discharging chamber and the discharge check of the other
// one act in the same stroke and cannot be told apart. The words are those that events promise.
func TestSuspectsOfOneStroke(t *testing.T) {
	want := []string{
		"suction ball and seat of the chamber that discharges in stroke A",
		"discharge ball and seat of the other chamber",
		"side unknown: open all four",
	}
	if diff := cmp.Diff(want, advice.For(pump.CheckValveLeak, pump.SideA, 1, false).Suspects); diff != "" {
		t.Errorf("suspects of stroke A (-want +got):\n%s", diff)
	}
	b := advice.For(pump.CheckValveLeak, pump.SideB, 1, false).Suspects
	if !strings.Contains(b[0], "stroke B") {
		t.Errorf("suspects of stroke B do not name it: %q", b)
	}
	for _, s := range []pump.Side{pump.SideBoth, pump.SideUnknown, ""} {
		got := strings.Join(advice.For(pump.CheckValveLeak, s, 1, false).Suspects, "; ")
		if !strings.Contains(got, "open all four") || strings.Contains(got, "stroke A") || strings.Contains(got, "stroke B") {
			t.Errorf("side %q: suspects %q", s, got)
		}
	}
}

// TestCautions holds every ticket to what must not be missing. The order of isolate, lock, relieve, verify is
// that of OSHA 29 CFR 1910.147(d)(3) to (6).
func TestCautions(t *testing.T) {
	inOrder := []struct{ what, pattern string }{
		{"defers to manual, codes, practice", `service manual.*local codes.*licensed practice`},
		{"isolates air and liquid", `(?i)shut off the air.*suction.*discharge.*isolate air and liquid`},
		{"locks out", `(?i)lock out and tag out`},
		{"bleeds the air", `(?i)bleed the air`},
		{"relieves the liquid", `(?i)relieve the liquid`},
		{"verifies", `(?i)prove zero pressure on the air and the liquid side`},
		{"product in the air end", `(?i)product in the air end`},
		{"grounding", `(?i)bonded and grounded`},
		{"tightening from the manual", `(?i)tightening value.*service manual`},
		{"never tighten under pressure", `(?i)never tighten a joint under pressure`},
		{"plate pressure", `(?i)never go above the air pressure on the pump's plate`},
		{"release", `(?i)before air comes back.*each lock taken off by the one who set it`},
	}
	for _, f := range pump.Faults() {
		text := strings.Join(advice.For(f, pump.SideUnknown, 1, false).Cautions, " ")
		at := 0
		for _, c := range inOrder {
			loc := regexp.MustCompile(c.pattern).FindStringIndex(text[at:])
			if loc == nil {
				t.Errorf("%s: after character %d no caution %s (%s)", f, at, c.what, c.pattern)
				continue
			}
			at += loc[0]
		}
	}
}

func TestRuptureIsNeverTestedUnderPressure(t *testing.T) {
	a := advice.For(pump.DiaphragmRupture, pump.SideA, 1, true)
	for _, c := range a.Checks {
		if regexp.MustCompile(`(?i)dead-head|close the discharge|run the pump`).MatchString(c.String()) {
			t.Errorf("a check on suspicion of rupture builds up pressure: %q", c)
		}
	}
	text := strings.Join(a.Cautions, " ")
	for _, must := range []string{
		"Do not dead-head", "clear of the exhaust", "Shutting the air does not stop the product",
		"close the suction valve", "air line back to the regulator",
	} {
		if !strings.Contains(text, must) {
			t.Errorf("the cautions of a rupture do not say %q", must)
		}
	}
}

// TestDeadHeadChecksAreGuarded: a check against a closed valve comes only behind a look at the exhaust, and
// says where it may be done at all.
func TestDeadHeadChecksAreGuarded(t *testing.T) {
	found := 0
	for _, f := range pump.Faults() {
		for i, c := range advice.For(f, pump.SideUnknown, 1, true).Checks {
			if !strings.Contains(c.Do, "close the discharge valve") {
				continue
			}
			found++
			if i == 0 || !strings.Contains(c.Do, "rated for the full air pressure") || !strings.Contains(c.Do, "torn diaphragm") {
				t.Errorf("%s: check %d is not guarded: %q", f, i, c.Do)
			}
		}
	}
	if found == 0 {
		t.Error("no check against a closed valve was found: this test looks for the wrong words")
	}
}

func TestSuddenOnsetAddsOneCheck(t *testing.T) {
	for _, f := range pump.Faults() {
		gradual, sudden := advice.For(f, pump.SideA, 1, false).Checks, advice.For(f, pump.SideA, 1, true).Checks
		extra := 1
		if f == pump.DiaphragmRupture { // always sudden
			extra = 0
		}
		if len(sudden) != len(gradual)+extra {
			t.Errorf("%s: %d checks when sudden, %d when gradual", f, len(sudden), len(gradual))
		}
		if sudden[0] != gradual[0] {
			t.Errorf("%s: the look at the exhaust no longer comes first when sudden", f)
		}
	}
}

// torque finds a torque in any usual unit.
var torque = regexp.MustCompile(`(?i)\d\s*([·*.\- ]?\s*)(n\s*[·*.\- ]?\s*m\b|nm\b|ft[\s·.\-]*lbf?\b|in[\s·.\-]*lbf?\b|lbf?[\s·.\-]*(ft|in)\b|kgf?[\s·.\-]*c?m\b)`)

func TestTorquePatternWorks(t *testing.T) {
	for _, s := range []string{"tighten to 12 N m", "12 Nm", "12 N·m", "9 ft-lb", "9 ft lbf", "40 in-lb", "30 lb-ft", "2 kgf m", "5.5N.m"} {
		if !torque.MatchString(s) {
			t.Errorf("the pattern misses %q", s)
		}
	}
	for _, s := range []string{"12 minutes", "all four", "in 1 minute", "2 kg"} {
		if torque.MatchString(s) {
			t.Errorf("the pattern takes %q for a torque", s)
		}
	}
}

// TestNoTorque: a torque may only come from a user's catalogue with its source, so no words of ours hold one.
func TestNoTorque(t *testing.T) {
	check := func(text string) {
		t.Helper()
		if m := torque.FindString(text); m != "" {
			t.Errorf("a torque %q stands in %q", m, text)
		}
	}
	for _, f := range pump.Faults() {
		for _, s := range sides {
			for _, sudden := range []bool{false, true} {
				check(render(advice.For(f, s, 1, sudden)))
			}
		}
	}
	for _, c := range pump.Causes() {
		check(advice.ForCause(c))
	}
	for _, k := range pump.Kits() {
		for _, p := range pump.Contents(k) {
			check(p.Name + " " + p.Note)
		}
	}
}

func TestEveryCauseHasAnAction(t *testing.T) {
	for _, c := range pump.Causes() {
		if advice.ForCause(c) == "" {
			t.Errorf("%s has no action", c)
		}
	}
}

func TestUnknownNamesPanic(t *testing.T) {
	panics := func(what string, f func()) {
		t.Helper()
		defer func() {
			if r := recover(); r == nil || !strings.Contains(fmt.Sprint(r), "not known") {
				t.Errorf("%s: recovered %v, want a panic that says what is known", what, r)
			}
		}()
		f()
	}
	panics("fault", func() { advice.For("no-such-fault", pump.SideA, 1, false) })
	panics("cause", func() { advice.ForCause("no-such-cause") })
}

// TestAdviceIsTheCallersOwn: whatever a caller does to one advice leaves the next one alone.
func TestAdviceIsTheCallersOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(pump.Faults()).Draw(t, "fault")
		s := rapid.SampledFrom(sides).Draw(t, "side")
		severity := rapid.Float64().Draw(t, "severity")
		sudden := rapid.Bool().Draw(t, "sudden")
		want := render(advice.For(f, s, severity, sudden))
		a := advice.For(f, s, severity, sudden)
		for _, list := range [][]string{a.Suspects, a.Cautions} {
			for i := range list {
				list[i] = "spoiled"
			}
		}
		for i := range a.Bring {
			a.Bring[i] = "spoiled"
		}
		for i := range a.Checks {
			a.Checks[i] = advice.Check{Do: "spoiled"}
		}
		if got := render(advice.For(f, s, severity, sudden)); got != want {
			t.Fatalf("advice changed under a caller's hands:\n%s", cmp.Diff(want, got))
		}
	})
}

// TestGolden shows all words at once, to be read by a person when they change.
func TestGolden(t *testing.T) {
	var b strings.Builder
	for _, f := range pump.Faults() {
		fmt.Fprintf(&b, "== %s, side a, severity 1, sudden\n%s\n", f, render(advice.For(f, pump.SideA, 1, true)))
	}
	for _, c := range pump.Causes() {
		fmt.Fprintf(&b, "== %s\n%s\n\n", c, advice.ForCause(c))
	}
	const golden = "testdata/advice.golden.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("the words changed; read them, then run go test -update (-want +got):\n%s", diff)
	}
}

// render writes an advice as plain text.
func render(a advice.Advice) string {
	var b strings.Builder
	fmt.Fprintf(&b, "kit %s, bring %v, urgency %s, NE 107 %s, ISO 14224 %s\n", a.Kit, a.Bring, a.Urgency, a.NE107, a.ISO14224)
	fmt.Fprintf(&b, "if not done: %s\nsuspects:\n", a.IfNotDone)
	for _, s := range a.Suspects {
		fmt.Fprintf(&b, "  - %s\n", s)
	}
	b.WriteString("cautions:\n")
	for i, c := range a.Cautions {
		fmt.Fprintf(&b, "  %d. %s\n", i+1, c)
	}
	b.WriteString("checks:\n")
	for i, c := range a.Checks {
		fmt.Fprintf(&b, "  %d. %s", i+1, c)
		if c.Record != "" {
			fmt.Fprintf(&b, " [%s: ____]", c.Record)
		}
		b.WriteString("\n")
	}
	return b.String()
}
