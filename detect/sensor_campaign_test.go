//go:build campaign

package detect_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"diastole/model/plant"
	"diastole/model/pump"
)

var (
	sensorTable = flag.String("sensors.table", "", "file that the table is written to")
	sensorSize  = flag.String("sensors.size", "", "look only at the sizes whose name contains this")
	sensorPumps = flag.Int("sensors.pumps", 115, "pumps of each size that are looked at in bursts; one in 16 of that number all the time")
)

// sensorTally is what the healthy sensors of one size came to in one tier.
type sensorTally struct {
	epochs int
	told   []string
}

// TestSensorCampaign looks at sound sensors of pumps, a third of them worn, under changing processes, and at each trouble of each size.
//
//	go test -tags campaign -run TestSensorCampaign -timeout 60m ./detect -sensors.table SENSORS.md
func TestSensorCampaign(t *testing.T) {
	var table strings.Builder
	table.WriteString(sensorHead)
	total := 0
	for i, model := range pump.GenericNames() {
		if !strings.Contains(model, *sensorSize) {
			continue
		}
		burst, minute, reading := soundSensors(t, model, uint64(1000*(i+1)))
		fmt.Fprintf(&table, "| %s | %s | %s | %s |\n", model, burst, minute, reading)
		t.Logf("%s: %s | %s | %s", model, burst, minute, reading)
		for _, x := range []sensorTally{burst, minute, reading} {
			total += x.epochs
			if len(x.told) > 0 {
				t.Errorf("%s: %v", model, x.told)
			}
		}
	}
	fmt.Fprintf(&table, "\n%d epochs in all.\n%s", total, troubleHead)
	names := pump.GenericNames()
	in := make([][]string, len(names))
	for i, model := range names {
		in[i] = make([]string, len(allTroubles()))
		if !strings.Contains(model, *sensorSize) {
			continue
		}
		in[i] = foundIn(t, model, uint64(700+i))
	}
	for k, tr := range allTroubles() {
		fmt.Fprintf(&table, "| %s | %s |", tr.name, tr.channel)
		for i := range names {
			fmt.Fprintf(&table, " %s |", in[i][k])
		}
		table.WriteString("\n")
	}
	t.Log("\n" + table.String())
	if *sensorTable != "" {
		if err := os.WriteFile(*sensorTable, []byte(table.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func (s sensorTally) String() string {
	if len(s.told) == 0 {
		return fmt.Sprintf("%d: 0", s.epochs)
	}
	return fmt.Sprintf("%d: %d (%s)", s.epochs, len(s.told), strings.Join(s.told, "; "))
}

func (s *sensorTally) add(o told, of string) {
	s.epochs += o.epochs
	for _, k := range o.kinds {
		s.told = append(s.told, of+" "+k)
	}
}

// soundSensors looks at pumps of a size: in bursts of 8 s, all the time at 100 Hz, and once a second.
func soundSensors(t *testing.T, model string, seed uint64) (burst, minute, reading sensorTally) {
	for n := range *sensorPumps {
		seed++
		rng := rand.New(rand.NewPCG(seed, 79))
		var f plant.Faults
		of := "sound"
		if n%3 == 0 {
			kind := pump.Faults()[rng.IntN(len(pump.Faults()))]
			size := 1.2 * rng.Float64()
			of = fmt.Sprintf("%s %.2f", kind, size)
			var err error
			if f, err = plant.Fault(kind, pump.SideA, size, scattered(t, model, seed)); err != nil {
				t.Fatal(err)
			}
		}
		looks := disturbed(t, model, seed, 12, 8*time.Second, time.Hour, f)
		burst.add(watch(t, model, looks, burstInstruments(), seed, 0, 0, trouble{}), of)
		if n%16 != 0 {
			continue
		}
		looks = disturbed(t, model, seed, 15, time.Minute, time.Minute, f)
		minute.add(watch(t, model, looks, burstInstruments(), seed, 0, 0, trouble{}), of)
		reading.add(watch(t, model, looks, telemetryInstruments(), seed, 0, 0, trouble{}), of)
	}
	return burst, minute, reading
}

func allTroubles() []trouble { return append(troubles(), fastTroubles()...) }

// foundIn tells in which epoch after its onset each trouble is told of the right channel, in bursts.
func foundIn(t *testing.T, model string, seed uint64) []string {
	const good, bad, pumps = 2, 4, 2
	in := make([]string, len(allTroubles()))
	for k := range uint64(pumps) {
		looks := observed(scattered(t, model, seed+10*k), seed+k, good+bad, 24*time.Second, time.Hour, nil)
		for j, tr := range allTroubles() {
			o := watch(t, model, looks, burstInstruments(), seed, good, good+bad, tr)
			at := o.raised[tr.channel.String()]
			if tr.either {
				at = append(at, o.raised[tr.other.String()]...)
			}
			onset := good
			if tr.always {
				onset = 0
			}
			word := "-"
			if len(at) > 0 {
				word = fmt.Sprint(at[0] - onset + 1)
			}
			in[j] = strings.TrimSpace(in[j] + " " + word)
		}
	}
	return in
}

const sensorHead = `# Sensors

Made by ` + "`go test -tags campaign -run TestSensorCampaign -timeout 60m ./detect -sensors.table FILE`" + `: simulated pumps that scatter as those of
many makes do. Before each look someone turns regulator, valve, level or liquid; one look in ten each has a shut valve, no air, a blocked
muffler, a blocked suction, air in the suction or a starved supply, one in thirty a dry suction. One pump in three is worn.

Epochs of sound sensors, and how many sensor faults were told in them:

| size | bursts of 8 s at 100 Hz | 100 Hz all the time | readings once a second |
|---|---|---|---|
`

const troubleHead = `
In which epoch from its onset a sensor fault was told of the right channel, two pumps of each size, bursts of 24 s at 100 Hz:

| what happens | channel | quarter-inch | half-inch | one-inch | one-and-a-half-inch | two-inch | three-inch |
|---|---|---|---|---|---|---|---|
`
