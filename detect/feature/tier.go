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
	// TierEdges means that a switch tells the moment of each stroke, and no pressure its shape: rate, asymmetry and
	// scatter of the strokes' times.
	TierEdges
	// TierCoarse means pressures with less than 20 samples a stroke: the moments of the strokes are good to a third of
	// a sample, the shape of a dip is not seen whole. There is no mean cycle and no jitter.
	TierCoarse
	// TierWaveform means 20 and more samples a stroke.
	TierWaveform
	// NumTiers is how many there are.
	NumTiers
)

var tierNames = [NumTiers]string{"none", "telemetry", "edges", "coarse", "waveform"}

// String is the tier's name.
func (t Tier) String() string {
	if t >= NumTiers {
		return "tier?"
	}
	return tierNames[t]
}

// tierErrors are by how much, in its own unit, a feature of a sound pump is off in a tier beyond its standard error: at 11 to 16 samples
// a stroke against 20 and more, each held against the same strokes sampled at 500 Hz (tier_test.go). A feature that
// is not formed in a tier has none.
var tierErrors = [NumFeatures]map[Tier]float64{
	StrokeRate:      {TierTelemetry: 0.002, TierEdges: 0.002, TierCoarse: 0.006, TierWaveform: 0.002},
	Asymmetry:       {TierEdges: 0.002, TierCoarse: 0.005, TierWaveform: 0.002},
	Dispersion:      {TierEdges: 0.003, TierCoarse: 0.016, TierWaveform: 0.003},
	Hesitation:      {TierEdges: 0.005, TierCoarse: 0.012, TierWaveform: 0.005},
	Ripple:          {TierCoarse: 0.003, TierWaveform: 0.002},
	RippleAsymmetry: {TierCoarse: 0.004, TierWaveform: 0.003},
	DipDepth:        {TierCoarse: 0.015, TierWaveform: 0.002},
	DipWidth:        {TierCoarse: 0.005, TierWaveform: 0.0006},
	AirPerStroke:    {TierTelemetry: 0, TierEdges: 0, TierCoarse: 0, TierWaveform: 0},
	Dwell:           {TierCoarse: 0.006, TierWaveform: 0.001},
	DwellAsymmetry:  {TierCoarse: 0.003, TierWaveform: 0.001},
}

// TierError is by how much, in the feature's own unit, it may be off in a tier beyond its standard error; formed is false where it
// does not exist there.
func (f ID) TierError(t Tier) (err float64, formed bool) {
	if f >= NumFeatures {
		return 0, false
	}
	err, formed = tierErrors[f][t]
	return err, formed
}
