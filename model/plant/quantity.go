package plant

import (
	"fmt"
	"slices"
	"strings"
)

// quantities are the parts of a process by name, with the range that makes sense.
var quantities = []struct {
	name   string
	lo, hi float64
	at     func(*Process) *float64
}{
	{"header", 0, 12e5, func(p *Process) *float64 { return &p.Header }},
	{"setting", 0, 9e5, func(p *Process) *float64 { return &p.Setting }},
	{"supply_block", 0, 1, func(p *Process) *float64 { return &p.SupplyBlock }},
	{"static_head", 0, 9e5, func(p *Process) *float64 { return &p.StaticHead }},
	{"throttle_factor", 0, 1e6, func(p *Process) *float64 { return &p.ThrottleFactor }},
	{"damper", 0, 1, func(p *Process) *float64 { return &p.Damper }},
	{"suction_head", -0.95e5, 3e5, func(p *Process) *float64 { return &p.SuctionHead }},
	{"suction_block", 0, 0.999, func(p *Process) *float64 { return &p.SuctionBlock }},
	{"suction_air", 0, 0.95, func(p *Process) *float64 { return &p.SuctionAir }},
	{"viscosity", 0.2, 2e4, func(p *Process) *float64 { return &p.Viscosity }},
	{"density", 0.5, 3, func(p *Process) *float64 { return &p.Density }},
	{"exhaust_block", 0, 1, func(p *Process) *float64 { return &p.ExhaustBlock }},
	{"icing", 0, 1, func(p *Process) *float64 { return &p.Icing }},
	{"ambient", 230, 340, func(p *Process) *float64 { return &p.Ambient }},
}

var switches = []struct {
	name string
	at   func(*Process) *bool
}{
	{"air_off", func(p *Process) *bool { return &p.AirOff }},
	{"dead_head", func(p *Process) *bool { return &p.DeadHead }},
	{"dry_run", func(p *Process) *bool { return &p.DryRun }},
}

// Quantities lists the names that Process.SetQuantity takes, sorted: all parts of a Process; those that are
// on or off take 1 and 0.
func Quantities() []string {
	var names []string
	for _, q := range quantities {
		names = append(names, q.name)
	}
	for _, q := range switches {
		names = append(names, q.name)
	}
	slices.Sort(names)
	return names
}

// SetQuantity sets a part of the process by name, in SI units, so that a scenario can be data. It refuses
// an unknown name and a value out of range, and says what is allowed.
func (p *Process) SetQuantity(name string, v float64) error {
	for _, q := range quantities {
		if q.name == name {
			if !(v >= q.lo && v <= q.hi) {
				return fmt.Errorf("plant: %s is %g; allowed are %g to %g", name, v, q.lo, q.hi)
			}
			*q.at(p) = v
			return nil
		}
	}
	for _, q := range switches {
		if q.name == name {
			if v != 0 && v != 1 {
				return fmt.Errorf("plant: %s is %g; allowed are 0 and 1", name, v)
			}
			*q.at(p) = v == 1
			return nil
		}
	}
	return fmt.Errorf("plant: process quantity %q is not known; allowed are %s", name, strings.Join(Quantities(), ", "))
}

// Quantity reads a part of the process by name; an unknown name gives an error as in SetQuantity.
func (p *Process) Quantity(name string) (float64, error) {
	for _, q := range quantities {
		if q.name == name {
			return *q.at(p), nil
		}
	}
	for _, q := range switches {
		if q.name == name {
			if *q.at(p) {
				return 1, nil
			}
			return 0, nil
		}
	}
	return 0, fmt.Errorf("plant: process quantity %q is not known; allowed are %s", name, strings.Join(Quantities(), ", "))
}
