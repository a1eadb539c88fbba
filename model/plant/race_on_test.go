//go:build race

package plant

const raceEnabled = true
