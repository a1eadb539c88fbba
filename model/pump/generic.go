package pump

import "fmt"

// Model is a size and build of pump. All values are SI.
type Model struct {
	// Name is the name in a configuration, such as "generic-one-inch".
	Name string
	// StrokeVolume is the liquid displaced by one stroke, m3. A generic model's value is the middle of
	// what makers build; the real one may be half or twice it.
	StrokeVolume float64
	// MaxCycleRate is the free-flow cycle rate, 1/s.
	MaxCycleRate float64
	// MaxAirPressure is the usual plate limit, Pa gauge.
	MaxAirPressure float64
}

// generics are the built-in sizes. Stroke volumes and cycle rates are about the middles of the ranges that
// makers' sheets show for each nominal port size (common practice); the quarter inch lies in the upper half of
// its range, where the one published duty of a pump of 1/4 to 3/8 in has it (package plant, published_test.go).
var generics = []Model{
	{Name: "generic-quarter-inch", StrokeVolume: 0.039e-3, MaxCycleRate: 325.0 / 60, MaxAirPressure: 7e5},
	{Name: "generic-half-inch", StrokeVolume: 0.090e-3, MaxCycleRate: 300.0 / 60, MaxAirPressure: 7e5},
	{Name: "generic-one-inch", StrokeVolume: 0.35e-3, MaxCycleRate: 220.0 / 60, MaxAirPressure: 8.6e5},
	{Name: "generic-one-and-a-half-inch", StrokeVolume: 1.15e-3, MaxCycleRate: 160.0 / 60, MaxAirPressure: 8.6e5},
	{Name: "generic-two-inch", StrokeVolume: 2.4e-3, MaxCycleRate: 125.0 / 60, MaxAirPressure: 8.6e5},
	{Name: "generic-three-inch", StrokeVolume: 4.4e-3, MaxCycleRate: 105.0 / 60, MaxAirPressure: 8.6e5},
}

// Generic finds a built-in model by name; the error lists the names that exist.
func Generic(name string) (Model, error) {
	for _, m := range generics {
		if m.Name == name {
			return m, nil
		}
	}
	return Model{}, fmt.Errorf("pump model %q is not known; built in are %v", name, GenericNames())
}

// GenericNames lists the built-in models from small to large.
func GenericNames() []string {
	names := make([]string, len(generics))
	for i, m := range generics {
		names[i] = m.Name
	}
	return names
}
