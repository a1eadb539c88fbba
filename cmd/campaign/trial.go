package main

import (
	"hash/fnv"
	"log/slog"
	"time"

	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/signal"
	"diastole/model/advice"
	"diastole/model/pump"
)

// trial is one pump of a campaign and what came of it.
type trial struct {
	kind *kind
	n    int
	seed uint64
	record
	outcome
}

// record is what was simulated: what arrived of each burst, and the size of what was wrong then.
type record struct {
	Model  string
	Meter  bool
	Bursts [][]signal.Chunk
	Sizes  []float64
}

func newTrial(k kind, seed uint64, n int) *trial {
	h := fnv.New64a()
	h.Write([]byte(k.name)) // a hash never fails to take a string
	return &trial{kind: &k, n: n, seed: h.Sum64() ^ (seed<<32 + uint64(n))}
}

func (t *trial) run(a archive, log *slog.Logger) error {
	kept, err := a.load(t)
	if err != nil {
		return err
	}
	if !kept {
		if err := t.simulate(24 * days); err != nil {
			return err
		}
		if err := a.keep(t); err != nil {
			return err
		}
		log.Info("simulated", "kind", t.kind.name, "case", t.n, "model", t.Model)
	}
	return t.judge()
}

func (t *trial) channels() (has [signal.NumChannels]bool) {
	for _, c := range []signal.Channel{signal.AirInletPressure, signal.DischargePressure, signal.StrokeCount} {
		has[c] = true
	}
	has[signal.AirFlow] = t.Meter
	return has
}

func (t *trial) pump() pump.Model {
	m, err := pump.Generic(t.Model)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	return m
}

const (
	learn  = 60 * time.Hour
	budget = 0.05 // false tickets in a pump-year
)

func (t *trial) settings() (detect.Settings, error) {
	hypotheses, err := diagnose.Hypotheses(t.pump())
	return detect.Settings{
		Model: t.pump(), Channels: t.channels(), Hypotheses: hypotheses, FalseTicketsPerYear: budget,
		Learn: detect.LearnSettings{For: learn},
	}, err
}

func kitOf(f pump.Fault) pump.Kit { return advice.For(f, pump.SideUnknown, 0, false).Kit }
