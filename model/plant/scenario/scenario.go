// Package scenario plays pumps through a plan: what wears and when, what operators and the weather do, what
// the instruments and the link suffer. It gives the messages that a recorder would have received, and the
// truth beside them. A plan is plain data, so that a file can hold it; the same plan gives the same messages.
package scenario

import (
	"fmt"
	"math"
	"time"

	"diastole/model/plant"
	"diastole/model/plant/sensor"
	"diastole/model/pump"
)

// Scenario is the plan of one site. Times within are counted from Start.
type Scenario struct {
	Start  time.Time
	Length time.Duration
	// Seed fixes all that is random: scatter between pumps, noise, header, link.
	Seed uint64
	// Bursts samples the pumps now and then; in between they run on unseen. The zero value samples all
	// the time.
	Bursts Bursts
	// Header is the air main of all pumps. A Nominal of zero gives every pump the header of its process.
	Header plant.Header
	// Manifold is the discharge pipe of all pumps, at the end of their own lines. A Resistance of zero
	// gives every pump the static head of its process.
	Manifold plant.Manifold
	Pumps    []Pump
}

// Bursts is sampling for Length at the begin of every Every.
type Bursts struct{ Every, Length time.Duration }

// Pump is one pump of the plan.
type Pump struct {
	// ID names the pump, Model its size (see package pump).
	ID, Model string
	// Scatter is how far the pump strays from its kind, see plant.Params.Scatter; 1 is ordinary.
	Scatter float64
	// Used is the strokes that its seals have run at the start.
	Used float64
	// Damper is the gas of a pulsation damper in stroke volumes at the atmosphere; zero for none, 30 for
	// an ordinary one.
	Damper float64
	// Process changes the reference duty from the start: quantities by name, see plant.Quantities.
	Process     []Setting
	Instruments []sensor.Instrument
	Link        sensor.Link
	Wear        []Wear
	Plan        []Change
}

// Setting is a quantity of a process and its value, SI.
type Setting struct {
	Quantity string
	Value    float64
}

// Wear is one fault that grows.
type Wear struct {
	Fault pump.Fault
	Side  pump.Side
	// From is when it begins, Full when it has reached Size (zero means 1, the size that calls for a
	// rebuild) and stays; equal times make it sudden. Until is when a rebuild ends it; zero for never.
	From, Full, Until time.Duration
	Size              float64
	// Shape bends its growth: size goes with the elapsed share to this power; zero means 1, a straight
	// line, 2 starts slowly.
	Shape float64
}

// At is the size of the fault at a time.
func (w Wear) At(t time.Duration) float64 {
	size, shape := w.Size, w.Shape
	if size == 0 {
		size = 1
	}
	if shape == 0 {
		shape = 1
	}
	switch {
	case t < w.From || w.Until > 0 && t >= w.Until:
		return 0
	case t >= w.Full:
		return size
	}
	return size * math.Pow(float64(t-w.From)/float64(w.Full-w.From), shape)
}

// Change is one thing that happens. Exactly one of Quantity, Channel and Rebuild is set.
type Change struct {
	At time.Duration
	// Quantity of the process goes to Value, over the time Over in a straight line.
	Quantity string
	Value    float64
	Over     time.Duration
	// Channel has Trouble from now on; the zero Trouble ends it.
	Channel string
	Trouble sensor.Trouble
	// Rebuild puts new seals in, which bed in anew; the Until of a Wear ends the fault itself.
	Rebuild bool
}

// Validate tells what is wrong with a plan: where, what, and what is allowed.
func (s *Scenario) Validate() error {
	if s.Length <= 0 {
		return fmt.Errorf("scenario: length is %v; it must be above zero", s.Length)
	}
	b := s.Bursts
	if b != (Bursts{}) && (b.Length <= 0 || b.Every < b.Length) {
		return fmt.Errorf("scenario: bursts of %v every %v; they need a length above zero and no more than the distance", b.Length, b.Every)
	}
	if len(s.Pumps) == 0 {
		return fmt.Errorf("scenario: there is no pump")
	}
	for _, v := range []struct {
		name  string
		value float64
	}{
		{"header nominal", s.Header.Nominal}, {"header swing", s.Header.Swing}, {"header swing time", s.Header.SwingTime},
		{"header dips", s.Header.Dips}, {"header dip depth", s.Header.DipDepth}, {"header dip time", s.Header.DipTime},
		{"header volume", s.Header.Volume}, {"header loss", s.Header.Loss},
		{"manifold static", s.Manifold.Static}, {"manifold resistance", s.Manifold.Resistance}, {"manifold compliance", s.Manifold.Compliance},
	} {
		if !(v.value >= 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("scenario: %s is %g; it must be zero or more", v.name, v.value)
		}
	}
	seen := make(map[string]bool)
	for i := range s.Pumps {
		p := &s.Pumps[i]
		if p.ID == "" || seen[p.ID] {
			return fmt.Errorf("scenario: pump %d has the id %q; every pump needs one of its own", i+1, p.ID)
		}
		seen[p.ID] = true
		if err := p.validate(); err != nil {
			return fmt.Errorf("scenario: pump %s: %w", p.ID, err)
		}
	}
	return nil
}

func (p *Pump) validate() error {
	params, err := plant.Generic(p.Model)
	if err != nil {
		return err
	}
	if !(p.Scatter >= 0 && p.Scatter <= 3) || !(p.Used >= 0) || !(p.Damper >= 0) {
		return fmt.Errorf("scatter %g, used %g, damper %g; they must be zero or more, scatter at most 3", p.Scatter, p.Used, p.Damper)
	}
	pr := params.Reference()
	for i, q := range p.Process {
		if err := pr.SetQuantity(q.Quantity, q.Value); err != nil {
			return fmt.Errorf("process, entry %d: %w", i+1, err)
		}
	}
	for i, w := range p.Wear {
		if _, err := plant.Fault(w.Fault, w.Side, 1, params); err != nil {
			return fmt.Errorf("wear, entry %d: %w", i+1, err)
		}
		if w.Full < w.From || w.Until != 0 && w.Until < w.From || !(w.Size >= 0) || !(w.Shape >= 0) {
			return fmt.Errorf("wear, entry %d: it needs from <= full and from <= until, size and shape of zero or more", i+1)
		}
	}
	for i, c := range p.Plan {
		if err := c.validate(&pr); err != nil {
			return fmt.Errorf("plan, entry %d: %w", i+1, err)
		}
		if i > 0 && c.At < p.Plan[i-1].At {
			return fmt.Errorf("plan, entry %d: it happens before the one above it; entries go by time", i+1)
		}
	}
	if _, err := sensor.NewArray(0, p.Instruments...); err != nil {
		return err
	}
	return nil
}

func (c *Change) validate(pr *plant.Process) error {
	kinds := 0
	for _, set := range []bool{c.Quantity != "", c.Channel != "", c.Rebuild} {
		if set {
			kinds++
		}
	}
	if kinds != 1 {
		return fmt.Errorf("it sets %d of quantity, channel and rebuild; exactly one is allowed", kinds)
	}
	if c.At < 0 || c.Over < 0 {
		return fmt.Errorf("it happens at %v and takes %v; both must be zero or more", c.At, c.Over)
	}
	if c.Quantity != "" {
		return pr.SetQuantity(c.Quantity, c.Value)
	}
	return nil
}

// Crossing is when a fault first reached a size.
type Crossing struct {
	Size float64
	At   time.Time
}

// Truth is what a fault of the plan really did.
type Truth struct {
	Pump    string
	Fault   pump.Fault
	Side    pump.Side
	Crosses []Crossing
}

// Truth gives when each fault passes a tenth, a quarter, a half and the whole of the size that calls for a
// rebuild, to a second.
func (s *Scenario) Truth() []Truth {
	var out []Truth
	for _, p := range s.Pumps {
		for _, w := range p.Wear {
			t := Truth{Pump: p.ID, Fault: w.Fault, Side: w.Side}
			for _, size := range []float64{0.1, 0.25, 0.5, 1} {
				if at, ok := w.reaches(size, s.Length); ok {
					t.Crosses = append(t.Crosses, Crossing{size, s.Start.Add(at)})
				}
			}
			out = append(out, t)
		}
	}
	return out
}

// reaches is the first second at which the fault has a size, by bisection: it only grows until it ends.
func (w Wear) reaches(size float64, length time.Duration) (time.Duration, bool) {
	lo, hi := w.From, min(max(w.Full, w.From), length)
	if w.Until > 0 {
		hi = min(hi, w.Until-1)
	}
	if hi < lo || w.At(hi) < size {
		return 0, false
	}
	for hi-lo > time.Second {
		if mid := lo + (hi-lo)/2; w.At(mid) < size {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, true
}
