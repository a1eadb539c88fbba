package baseline

import (
	"math"
	"time"
)

// Op is an operating point in the coordinates in which a pump of any size and at any air pressure looks
// alike.
type Op struct {
	// Head is ln(1 - discharge/inlet + headFloor) of the gauge pressures: 0 at free flow, about -3 at stall.
	Head float64
	// Air is ln of the absolute inlet pressure over airRef.
	Air float64
}

const (
	atmosphere = 101325.0 // Pa, ISO 2533 standard atmosphere
	airRef     = 6e5      // Pa absolute, the middle of a plant's air range
	// headFloor keeps the head finite where surge lifts the discharge to the inlet pressure and above:
	// differences of -0.15 bar at 5 bar are normal near stall.
	headFloor = 0.05
)

// OpOf makes an operating point of mean gauge pressures in Pa.
func OpOf(inlet, discharge float64) Op {
	margin := 1.0
	if inlet > 0 {
		margin = 1 - discharge/inlet
	}
	return Op{
		Head: math.Log(max(margin, -headFloor/2) + headFloor),
		Air:  math.Log(max(inlet+atmosphere, 1e4) / airRef),
	}
}

// NumBasis is the number of basis functions.
const NumBasis = 4

// Basis evaluates the basis functions at the operating point: a constant, the head and its square, the
// air pressure. Force balance on the shaft makes the rate a smooth function of head and air alone.
func (o Op) Basis() [NumBasis]float64 {
	h := o.Head - headMid
	return [NumBasis]float64{1, h, h * h, o.Air}
}

// headMid centres the head at a pump working at about four fifths of its stall pressure.
const headMid = -1.4

// Reach says over what distance the offset of a regime forgets itself. A routine swing of the header is a
// small part of it; another valve setting is most of it.
var reach = struct {
	head, air float64
	time      time.Duration
}{head: 0.35, air: 0.12, time: 96 * time.Hour}

// Keep is the correlation of the regime offset over a move from one operating point to another that took
// the given time: an Ornstein-Uhlenbeck process whose clock runs with the operating point and, slowly,
// with time.
func Keep(from, to Op, dt time.Duration) float64 {
	dh, da := (to.Head-from.Head)/reach.head, (to.Air-from.Air)/reach.air
	return math.Exp(-0.5*(dh*dh+da*da) - max(0, dt.Hours())/reach.time.Hours())
}

// UnseenChange is the probability that a regime changes within dt without a sign in the operating point.
func UnseenChange(dt time.Duration) float64 {
	const mean = 36 * time.Hour // a valve is turned or a header changed every day or two (common practice)
	return min(0.1, max(1e-5, 1-math.Exp(-dt.Hours()/mean.Hours())))
}
