package advice

import (
	"strings"
	"testing"
)

// TestSensorWords: every kind has words; a wrong unit is guessed right for pressures in the middle of what pumps run at.
func TestSensorWords(t *testing.T) {
	for name := range sensors {
		seen, do := Sensor(name, 1e5, 2e5)
		if seen == "" || !strings.HasSuffix(do, ".") {
			t.Errorf("%s: %q %q", name, seen, do)
		}
	}
	for _, x := range []struct {
		observed, limit float64
		want            string
	}{
		{5 * 14.50377e5, 8.6e5, "psi read as bar"}, // 5 bar are 72.5 psi: 1 psi is 6894.757 Pa, NIST SP 811, appendix B.8
		{500e5, 8.6e5, "kPa read as bar"},
		{0.05e5, 0.25e5, "bar read as kPa"},
		{0.5e5 / 14.50377, 0.25e5, "bar read as"},
	} {
		if seen, _ := Sensor("wrong-scale", x.observed, x.limit); !strings.Contains(seen, x.want) {
			t.Errorf("%g Pa: %s; want %s", x.observed, seen, x.want)
		}
	}
}
