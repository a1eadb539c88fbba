//go:build campaign

package detect

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"diastole/detect/baseline"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/model/pump"
)

func TestDebugCase(t *testing.T) {
	model, _ := pump.Generic("generic-one-inch")
	hypotheses, _ := diagnose.Hypotheses(model)
	ci, _ := strconv.Atoi(os.Getenv("CASE"))
	np, _ := strconv.Atoi(os.Getenv("PUMPS"))
	c := healthyCases[ci]
	for i := range np {
		s := newHealthyStream(c, c.seed(i))
		m := New(Settings{Model: model, Hypotheses: hypotheses, FalseTicketsPerYear: 0.05,
			Learn: LearnSettings{For: time.Duration(s.learn-1) * time.Hour}})
		for m.state.Bank == nil {
			e := s.next()
			m.epoch(&e)
		}
		m.Take()
		b := m.state.Bank
		line := ""
		for j := range baseline.Dim {
			cf := b.Healthy.Coef[j]
			if cf.Spread > 0 {
				line += fmt.Sprintf(" %s %.2f/%.2f", feature.ID(j), math.Log2(cf.Spread/healthyPump[j].offset), math.Log2(math.Hypot(cf.Noise, healthyPump[j].noise/2)/healthyPump[j].noise))
			}
		}
		fmt.Println("pump", i, line)
		for range 2 * 8766 {
			e := s.next()
			m.epoch(&e)
			for _, f := range m.Take() {
				if f.Kind == FaultRaised || f.Kind == FaultCleared {
					fmt.Println("  ", f.Kind, f.Time.Format(time.DateTime), f.Diagnosis.Fault, f.Diagnosis.Side, f.Diagnosis.Severity, f.Diagnosis.Statistic, f.Diagnosis.Threshold)
					if f.Kind == FaultRaised {
						mean, sig, _ := m.Status().Healthy.Expect(e)
						for j := range baseline.Dim {
							if e.Features[j].Valid {
								fmt.Printf("      %s dev %.2f sigma; offset/true sd %.2f P %.2f\n", feature.ID(j), (e.Features[j].V-mean[j])/sig[j], s.offset[j]/healthyPump[j].offset, math.Sqrt(b.Filter.P[j])/healthyPump[j].offset)
							}
						}
						v := b.Verdict(kitOf)
						fmt.Println("      ", v.FaultScore, v.CauseScore, v.KitProbability, v.Healthy)
					}
				}
			}
		}
	}
}
