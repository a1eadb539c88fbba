package runlength_test

import (
	"fmt"

	"diastole/detect/chart/runlength"
)

// A chart that may give one false alarm in ten years of hourly epochs, and how long it takes to see a shift.
func ExampleCUSUMLimit() {
	const k = 0.5 // half the shift that matters most
	h := runlength.CUSUMLimit(k, 10*365.25*24)
	fmt.Printf("h = %.2f\n", h)
	for _, shift := range []float64{0.5, 1, 2} {
		fmt.Printf("a shift of %.1f sigma takes %.1f epochs\n", shift, runlength.CUSUMSteadyDelay(k, h, shift))
	}
	// Output:
	// h = 9.53
	// a shift of 0.5 sigma takes 112.6 epochs
	// a shift of 1.0 sigma takes 18.6 epochs
	// a shift of 2.0 sigma takes 6.7 epochs
}
