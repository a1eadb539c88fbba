package config

import (
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"diastole/model/pump"
)

// TestCatalogueOfThePackage: the example that is shipped names of each pump the kit that its materials want.
func TestCatalogueOfThePackage(t *testing.T) {
	c, err := Load("../../deploy/diastole.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p := c.Pumps[1]
	wet, ok := p.Upkeep.Kit(pump.WetEnd)
	if !ok || wet.Number != "EX2-WET-01" || wet.Stock.OnHand != 2 || wet.LeadTimeDays != 21 || wet.Cost != 640 || wet.Currency != "EUR" {
		t.Errorf("wet-end kit %+v", wet)
	}
	if len(p.Upkeep.Kits) != 3 || p.Serial != "EX-0311" || p.Liquid != "caustic 20 %" || p.Installed.Hazard != "corrosive: eyes, skin" {
		t.Errorf("%d kits, serial %q, liquid %q, hazard %q", len(p.Upkeep.Kits), p.Serial, p.Liquid, p.Installed.Hazard)
	}
	want := []pump.Component{pump.Balls, pump.Seats, pump.SeatSeals, pump.Diaphragms}
	if d := cmp.Diff(want, p.Upkeep.Replaces(pump.WetEnd)); d != "" {
		t.Errorf("the wet-end kit renews (-want +got):\n%s", d)
	}
	for _, j := range p.Upkeep.Joints {
		if (j.Torque == nil) == (j.Instead == "") || j.Torque != nil && (j.Torque.Source == "" || j.Torque.Page == "") {
			t.Errorf("joint %s: torque %+v, instead %q", j.Joint, j.Torque, j.Instead)
		}
	}
	if len(c.Installed) != 3 || c.Installed[2].Position != "P-140" || c.Costs.LabourPerHour != 70 {
		t.Errorf("installed base %+v, costs %+v", c.Installed, c.Costs)
	}
}

// TestMaterialsChooseTheKit, and what is not said of the materials is asked for.
func TestMaterialsChooseTheKit(t *testing.T) {
	u := upkeep{pump.Service{Kits: []pump.KitSpec{
		{Kit: pump.WetEnd, Number: "ANY"},
		{Kit: pump.WetEnd, Number: "PTFE", Materials: map[string]string{"diaphragm": "PTFE"}},
		{Kit: pump.WetEnd, Number: "STEEL", Materials: map[string]string{"seat": "steel"}},
		{Kit: pump.AirEnd, Number: "AIR-N", Materials: map[string]string{"seal": "NBR"}},
	}}}
	for _, x := range []struct {
		materials map[string]string
		wet, err  string
	}{
		{map[string]string{"seal": "NBR"}, "ANY", ""},
		{map[string]string{"seal": "NBR", "diaphragm": "PTFE"}, "PTFE", ""},
		{map[string]string{"seal": "NBR", "diaphragm": "PTFE", "seat": "steel"}, "", "wet-end kits PTFE and STEEL fit its materials diaphragm PTFE, seal NBR, seat steel equally well; say more of them under installed: materials"},
		{nil, "", "no air-end kit fits its materials (none stated); there are AIR-N for seal NBR; say under installed what the pump is made of"},
	} {
		s, err := u.fitting(x.materials)
		if (err == nil) != (x.err == "") || err != nil && err.Error() != x.err {
			t.Errorf("%v: %v, want %q", x.materials, err, x.err)
		}
		if k, _ := s.Kit(pump.WetEnd); err == nil && k.Number != x.wet {
			t.Errorf("%v: kit %q, want %q", x.materials, k.Number, x.wet)
		}
	}
}

// FuzzCatalogue: whatever the file holds, a catalogue that passes has no torque without a source and no kit without a number.
func FuzzCatalogue(f *testing.F) {
	for _, file := range []string{"../../deploy/pumps.yaml", "testdata/bad-pumps-service.yaml", "testdata/pumps.yaml"} {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var content fileCatalogue
		r := catalogueReader{decode("pumps.yaml", data, &content)}
		c := r.catalogue(&content)
		if len(r.doc.problems) > 0 {
			return
		}
		for name, m := range c.models {
			for _, j := range m.service.Joints {
				if x := j.Torque; x != nil && !(x.Value > 0 && x.Unit != "" && x.Source != "" && x.Page != "") {
					t.Errorf("%s: torque %+v", name, x)
				}
			}
			for _, k := range m.service.Kits {
				if k.Number == "" || len(k.Kit.Replaces()) == 0 {
					t.Errorf("%s: kit %+v", name, k)
				}
			}
		}
	})
}
