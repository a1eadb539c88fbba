package life

import "time"

// Payback is how long a loss that goes on (cost per second of running time) takes to reach what ending it costs, with the share of
// time that the pump runs. It is 0, false where nothing is lost or nothing is known.
func Payback(cost, lossPerSecond, runningShare float64) (time.Duration, bool) {
	rate := lossPerSecond * runningShare
	if !(cost > 0) || !(rate > 0) {
		return 0, false
	}
	s := cost / rate
	const century = 100 * 365.25 * 86400.0
	if s > century {
		return 0, false
	}
	return time.Duration(s * float64(time.Second)), true
}
