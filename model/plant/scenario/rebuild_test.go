package scenario

import (
	"testing"
	"time"

	"diastole/model/plant"
	"diastole/model/pump"
)

// TestPlayerRebuild mends one of two leaking pumps between two seconds: its leak is gone and its seals are new, wear that
// the plan has for later still comes, and the other pump is as it was.
func TestPlayerRebuild(t *testing.T) {
	s := plain()
	s.Pumps[0].Wear = []Wear{
		{Fault: pump.CheckValveLeak, Side: pump.SideA},
		{Fault: pump.AirValveLeak, From: 4 * time.Second, Full: 4 * time.Second, Side: pump.SideUnknown},
	}
	s.Pumps = append(s.Pumps, s.Pumps[0])
	s.Pumps[1].ID = "P-2"
	p, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	faults := func(i int) plant.Faults { return p.actors[i].pump.Faults() }
	second := func() { p.Next(func(Message) {}) }
	second()
	if faults(0).CheckLeak[plant.SuctionLeft] == 0 || faults(1).CheckLeak[plant.SuctionLeft] == 0 {
		t.Fatalf("the pumps do not both leak: %+v, %+v", faults(0), faults(1))
	}
	p.Rebuild("P-1")
	p.Rebuild("P-3") // nobody
	second()
	if got := faults(0); got != (plant.Faults{}) {
		t.Errorf("rebuilt, the pump has %+v; it must be sound", got)
	}
	if faults(1).CheckLeak[plant.SuctionLeft] == 0 {
		t.Error("the other pump was mended too")
	}
	for range 3 {
		second()
	}
	if faults(0).SpoolBlowBy == 0 {
		t.Error("wear that was planned for after the rebuild does not come")
	}
}
