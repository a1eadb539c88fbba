package main

import (
	"math"
	"math/rand/v2"

	"diastole/detect/diagnose"
	"diastole/model/plant"
	"diastole/model/pump"
)

// setup is a pump as it stands in a plant, with what is wrong with it.
type setup struct {
	params  plant.Params
	faults  plant.Faults
	process plant.Process
}

// apply does one hypothesis of one size to a setup. The random draws are those of ways in which the same fault comes: they
// are the same at every size.
type apply func(s *setup, size float64, rng *rand.Rand) error

// hypothesis is one row of the table and how it is simulated.
type hypothesis struct {
	row   diagnose.Signature
	apply apply
}

// cases are the hypotheses that are simulated; the others follow by exchanging A and B.
var cases = []hypothesis{
	{diagnose.Signature{Fault: pump.CheckValveLeak, Side: pump.SideA}, leak},
	{diagnose.Signature{Fault: pump.CheckValveLeak, Side: pump.SideBoth}, fault(pump.CheckValveLeak, pump.SideBoth)},
	{diagnose.Signature{Fault: pump.DiaphragmRupture, Side: pump.SideA}, fault(pump.DiaphragmRupture, pump.SideA)},
	{diagnose.Signature{Fault: pump.AirValveSticking}, sticking},
	{diagnose.Signature{Fault: pump.AirValveLeak}, airLeak},
	{diagnose.Signature{Fault: pump.PilotValveSlow, Side: pump.SideBoth}, fault(pump.PilotValveSlow, pump.SideBoth)},
	{diagnose.Signature{Fault: pump.PilotValveSlow, Side: pump.SideA}, fault(pump.PilotValveSlow, pump.SideA)},
	{diagnose.Signature{Cause: pump.SuctionRestricted}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.SuctionBlock = 1 - 1/(1+1.3*size) // beyond some 0.75 chambers part-fill and race
		return nil
	}},
	{diagnose.Signature{Cause: pump.SuctionAir}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.SuctionAir = 0.15 * size
		return nil
	}},
	{diagnose.Signature{Cause: pump.ExhaustRestricted}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.ExhaustBlock = 1 - 1/(1+2*size)
		return nil
	}},
	{diagnose.Signature{Cause: pump.SupplyRestricted}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.SupplyBlock = 1 - 1/(1+1.5*size)
		return nil
	}},
	{diagnose.Signature{Cause: pump.LiquidChanged}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.Viscosity *= math.Exp(2 * size)
		return nil
	}},
	{diagnose.Signature{Cause: pump.LiquidChanged, Less: true}, func(s *setup, size float64, _ *rand.Rand) error {
		s.process.Viscosity *= math.Exp(-2 * size)
		return nil
	}},
	{diagnose.Signature{Cause: pump.DamperLost}, func(s *setup, size float64, _ *rand.Rand) error {
		s.params.DischargeCompliance *= math.Exp(-1.5 * size)
		return nil
	}},
	{diagnose.Signature{Cause: pump.DamperLost, Less: true}, func(s *setup, size float64, _ *rand.Rand) error {
		s.params.DischargeCompliance *= math.Exp(1.5 * size)
		return nil
	}},
}

func fault(f pump.Fault, side pump.Side) apply {
	return func(s *setup, size float64, _ *rand.Rand) (err error) {
		s.faults, err = plant.Fault(f, side, size, s.params)
		return err
	}
}

// leak is through the suction check of the chamber or through the discharge check of the other one, in any proportion.
func leak(s *setup, size float64, rng *rand.Rand) (err error) {
	s.faults, err = plant.Fault(pump.CheckValveLeak, pump.SideA, size, s.params)
	share := rng.Float64()
	area := s.faults.CheckLeak[plant.SuctionLeft]
	s.faults.CheckLeak[plant.SuctionLeft], s.faults.CheckLeak[plant.DischargeRight] = share*area, (1-share)*area
	return err
}

// sticking is a spool that is slow, or one that hangs now and then, or both.
func sticking(s *setup, size float64, rng *rand.Rand) (err error) {
	s.faults, err = plant.Fault(pump.AirValveSticking, pump.SideUnknown, size, s.params)
	slow := rng.Float64()
	s.faults.SpoolSlow = 1 + slow*(s.faults.SpoolSlow-1)
	s.faults.SpoolHesitation = min(1, s.faults.SpoolHesitation*math.Exp(0.5*rng.NormFloat64()))
	s.faults.HesitationTime *= math.Exp(0.5 * rng.NormFloat64())
	return err
}

// airLeak is past the spool or past the shaft seal, in any proportion.
func airLeak(s *setup, size float64, rng *rand.Rand) (err error) {
	s.faults, err = plant.Fault(pump.AirValveLeak, pump.SideUnknown, size, s.params)
	share := rng.Float64()
	s.faults.ShaftSeal = (1 - share) * s.faults.SpoolBlowBy
	s.faults.SpoolBlowBy *= share
	return err
}

// station draws where and how a pump of the model works.
func station(p plant.Params, rng *rand.Rand) setup {
	s := setup{params: p.Scatter(rng, 1), process: p.Reference()}
	s.process.Setting *= 0.8 + 0.4*rng.Float64()
	s.process.StaticHead *= 0.5 + 2*rng.Float64()
	s.process.ThrottleFactor *= math.Exp(1.5 * (rng.Float64() - 0.3))
	s.process.Viscosity *= math.Exp(rng.Float64())
	s.process.SuctionHead *= 2*rng.Float64() - 0.5
	s.params.DischargeCompliance *= math.Exp(rng.NormFloat64())
	return s
}

// moved is the same pump at another operating point.
func moved(s setup, rng *rand.Rand) setup {
	s.process.Setting *= math.Exp(0.15 * (2*rng.Float64() - 1))
	s.process.StaticHead *= math.Exp(0.4 * (2*rng.Float64() - 1))
	s.process.ThrottleFactor *= math.Exp(1.2 * (2*rng.Float64() - 1))
	return s
}
