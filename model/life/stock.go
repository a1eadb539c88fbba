package life

import (
	"fmt"
	"math"
)

// Demand is the distribution of how many kits are asked for within a stretch of time: Demand[n] is the probability of n.
type Demand []float64

// DemandOf is the demand of units of which each asks for a kit with its own probability (0 to 1), and of the rest of the site,
// which asks for others on average at random times (a Poisson process). Poisson alone is DemandOf(nil, others).
func DemandOf(each []float64, others float64) (Demand, error) {
	if !(others >= 0) || others > 1e4 {
		return nil, fmt.Errorf("the average demand is %v; allowed are 0 to 10000", others)
	}
	d := poisson(others)
	for i, p := range each {
		if !(p >= 0 && p <= 1) {
			return nil, fmt.Errorf("the probability of unit %d is %v; allowed are 0 to 1", i, p)
		}
		d = append(d, 0)
		for n := len(d) - 1; n > 0; n-- {
			d[n] = d[n]*(1-p) + d[n-1]*p
		}
		d[0] *= 1 - p
	}
	return d, nil
}

// poisson is cut off where less than 1e-15 is left.
func poisson(mean float64) Demand {
	d := Demand{}
	sum := 0.0
	for n := 0; sum < 1-1e-15; n++ {
		lg, _ := math.Lgamma(float64(n) + 1)
		p := math.Exp(-mean)
		if n > 0 {
			p = math.Exp(float64(n)*math.Log(mean) - mean - lg)
		}
		if p == 0 && float64(n) > mean {
			break
		}
		d = append(d, p)
		sum += p
	}
	return d
}

// Mean is the average number asked for.
func (d Demand) Mean() float64 {
	m := 0.0
	for n, p := range d {
		m += float64(n) * p
	}
	return m
}

// Covered is the probability that no more than stock are asked for.
func (d Demand) Covered(stock int) float64 {
	sum := 0.0
	for n, p := range d {
		if n > stock {
			break
		}
		sum += p
	}
	return min(1, sum)
}

// FilledAtOnce is, under one-for-one ordering with a stock S, the probability that a kit that is asked for lies on the shelf:
// P(D <= S-1), not P(D <= S).
func (d Demand) FilledAtOnce(stock int) float64 { return d.Covered(stock - 1) }

// Backorders is the average number of kits asked for beyond the stock.
func (d Demand) Backorders(stock int) float64 {
	m := 0.0
	for n := stock + 1; n < len(d); n++ {
		m += float64(n-stock) * d[n]
	}
	return m
}

// StockFor is the least stock that covers the demand with at least the probability service, 0 < service < 1. Over the lead time
// of an order it is the stock, on the shelf and on order together, below which to order.
func (d Demand) StockFor(service float64) int {
	sum := 0.0
	for n, p := range d {
		if sum += p; sum >= service {
			return n
		}
	}
	return len(d) - 1
}
