// Package plant is a lumped dynamic model of an air-operated double-diaphragm pump with its air supply, its
// suction and discharge lines and its faults. It serves for the demonstration, for tests, and for what a
// fault does to what the sensors see.
//
// # What is in it
//
// Air: regulator with droop behind a header, hose and filter (ISO 6358), inlet volume (where the inlet
// pressure is sensed), main valve with transit and overlap, two air chambers with an energy balance each,
// exhaust ports, muffler volume and muffler. Mechanics: one shaft with mass, friction, diaphragm spring and
// end stops; diaphragm areas that fall toward the ends. Pilots that trip near the end of travel, and a spool
// that follows after a delay. Liquid: two chambers and two manifolds with wall compliance and gas, four ball
// checks with lag, passage inertance and leak area, two lines with inertance, laminar and quadratic loss and
// a static head. All pressures inside are absolute and in pascal; what leaves the package is gauge.
//
// # Why it takes the air it takes
//
// A stroke fills one air chamber, dead volume included, and because the shaft stands at its stop until the
// spool has moved, the chamber ends near full inlet pressure and not at the lower pressure that moved the
// liquid. So the air of a stroke is nearly p_inlet (V_stroke + V_dead)/(R T), less what the exhaust left
// behind: with a dead volume of 0.3 to 0.4 strokes, 1.15 to 1.3 times the delivered volume at absolute inlet
// pressure in normal volumes. Nothing else sets that figure. Leaks of balls do not enter it; they only lower
// the delivery.
//
// # What it is not
//
// It was built from balances and published ranges, not fitted to one pump: trust directions and ratios
// before absolute values. Lines are lumped (no wave travel), balls have no shape, liquids are Newtonian.
//
// # Numerics
//
// One fixed step, see [Params.Step]. Pressures follow in closed form from what the volumes hold, so they
// are never negative and nothing drifts; orifice losses are solved implicitly together with the inertance of
// their passage, so that no valve, however small its opening, forces a smaller step; the remaining
// oscillators (liquid on wall compliance, shaft on trapped liquid) advance by the symplectic Euler method,
// which neither damps nor excites them. Dry friction is an impulse that can stop the shaft but not reverse
// it. Trips and spool moves are placed inside the step in which they happen.
//
// Left and right name the chambers. While the left air chamber is pressurised its liquid chamber
// discharges: this is stroke A, which ends on an odd stroke total.
package plant
