package life

import "diastole/model/pump"

// PriorOf is what is believed of the life of what a kit renews, in strokes, before any is seen at a site. Lives depend so much on liquid,
// material, pressure and dirt that the factors are wide: diaphragms last some 2 to 20 million cycles of two strokes, balls and seats in
// abrasive liquid a tenth of that, seals of an air valve 20 to 50 million strokes on clean dry air and weeks on wet air (from memory, no
// source). Shapes of wear-out are common practice.
func PriorOf(k pump.Kit) Prior {
	if k == pump.WetEnd {
		return Prior{Median: 10e6, MedianFactor: 4, Shape: 1.8, ShapeFactor: 1.5}
	}
	return Prior{Median: 25e6, MedianFactor: 4, Shape: 1.5, ShapeFactor: 1.5}
}
