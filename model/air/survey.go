package air

// The estimates of a leak survey, as plants make them with a stop watch.

// BagFlow is the leak (m3/s) that fills a bag of the given volume (m3) in the given time (s).
func BagFlow(volume, fillTime float64) float64 { return volume / fillTime }

// LoadShare is the share of a compressor's capacity that leaks take while nothing is used: T/(T+t) with the
// times loaded and unloaded (US DOE compressed air tip sheet 3).
func LoadShare(loaded, unloaded float64) float64 { return loaded / (loaded + unloaded) }

// BleedDown is the mean leak (m3/s at the atmosphere patm) of a system of volume v (m3) that falls from p1
// to p2 (Pa) in t seconds: v (p1-p2)/(t patm). The leak at the full pressure p1 is higher: common practice
// multiplies by 1.25 for a fall to about half the pressure.
func BleedDown(v, p1, p2, t, patm float64) float64 { return v * (p1 - p2) / (t * patm) }

// UsableVolume is the free air (m3 at patm) that a receiver of volume v gives in falling from p1 to p2.
func UsableVolume(v, p1, p2, patm float64) float64 { return v * (p1 - p2) / patm }

// FreeAir is the free air (at patm) that a swept volume (or a rate of it) of gauge pressure p takes:
// swept (p+patm)/patm, at constant temperature. It is the yardstick for a pump's air use.
func FreeAir(swept, p, patm float64) float64 { return swept * (p + patm) / patm }
