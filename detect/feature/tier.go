package feature

// Tier is how finely the strokes of an epoch were seen. What a lower tier cannot show is not formed there.
type Tier uint8

// The tiers, from the least that is seen to the most.
const (
	// TierNone means that no stroke was measured.
	TierNone Tier = iota
	// TierTelemetry means readings about once a second and a counter: state, operating point, rate, air and liquid per
	// stroke.
	TierTelemetry
	// TierCoarse means pressures with less than 20 samples a stroke: the moments of the strokes are good to a third of
	// a sample, the shape of a dip is not seen whole. There is no mean cycle and no jitter.
	TierCoarse
	// TierWaveform means 20 and more samples a stroke.
	TierWaveform
	// NumTiers is how many there are.
	NumTiers
)

var tierNames = [NumTiers]string{"none", "telemetry", "coarse", "waveform"}

// String is the tier's name.
func (t Tier) String() string {
	if t >= NumTiers {
		return "tier?"
	}
	return tierNames[t]
}
