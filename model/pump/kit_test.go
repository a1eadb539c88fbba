package pump

import "testing"

// The counts follow from the build of the pump and not from a maker's sheet: two chambers with one diaphragm
// each, and one suction and one discharge check valve per chamber.
func TestWetEndHoldsOneOfEachForBothChambers(t *testing.T) {
	const chambers, checksPerChamber = 2, 2
	want := map[string]int{
		"diaphragms":         chambers,
		"back-up diaphragms": chambers,
		"check-valve balls":  chambers * checksPerChamber,
		"check-valve seats":  chambers * checksPerChamber,
	}
	got := map[string]int{}
	for _, p := range Contents(WetEnd) {
		got[p.Name] = p.Quantity
	}
	for name, n := range want {
		if got[name] != n {
			t.Errorf("a wet-end kit holds %d %s, want %d", got[name], name, n)
		}
	}
}

func TestContentsOfEveryKit(t *testing.T) {
	for _, k := range Kits() {
		parts := Contents(k)
		if len(parts) == 0 {
			t.Errorf("kit %s has no contents", k)
		}
		seen := map[string]bool{}
		for _, p := range parts {
			if p.Name == "" || p.Quantity < 0 {
				t.Errorf("kit %s holds a part with name %q and quantity %d", k, p.Name, p.Quantity)
			}
			if seen[p.Name] {
				t.Errorf("kit %s lists %q twice", k, p.Name)
			}
			seen[p.Name] = true
		}
	}
	if got := Contents("no-such-kit"); len(got) != 0 {
		t.Errorf("an unknown kit holds %v", got)
	}
}

func TestContentsAreTheCallersOwn(t *testing.T) {
	Contents(WetEnd)[0].Quantity = 99
	if got := Contents(WetEnd)[0].Quantity; got != 2 {
		t.Errorf("a caller changed the shared contents: %d diaphragms", got)
	}
}
