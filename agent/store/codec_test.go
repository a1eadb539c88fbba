package store

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/detect/feature"
	"diastole/detect/sensor"
	"diastole/detect/signal"
)

// A field that is added to feature.Epoch and not to the codec makes this test fail.
func TestEpochRoundTripKeepsEveryField(t *testing.T) {
	var e feature.Epoch
	fill(reflect.ValueOf(&e).Elem(), rand.New(rand.NewPCG(7, 7)))
	body := must(encodeEpoch("P-101", &e))(t)
	got := must(decodeEpoch("P-101", body))(t)
	if d := cmp.Diff(e, got); d != "" {
		t.Errorf("epoch changed (-written +read):\n%s", d)
	}
	e.Cycle.Keep = false
	bare := must(encodeEpoch("P-101", &e))(t)
	if len(bare) > 480 || len(body) > 1040 {
		t.Errorf("an epoch takes %d bytes, with its mean cycle %d; 480 and 1040 were allowed", len(bare), len(body))
	}
	t.Logf("an epoch with all features takes %d bytes, with its mean cycle %d", len(bare), len(body))
	got = must(decodeEpoch("P-101", bare))(t)
	e.Cycle = nil
	if d := cmp.Diff(e, got); d != "" {
		t.Errorf("epoch without a cycle to keep changed (-written +read):\n%s", d)
	}
}

// Rows of layout 1 lack what stands beside the features; all else is read as it was.
func TestLayoutOneIsRead(t *testing.T) {
	e := someEpoch(3)
	body := must(encodeEpoch("P-101", &e))(t)
	old := append([]byte{}, body[:len(body)-4-len(appendBeside(nil, &e))]...)
	old[0] = 1
	old = binary.LittleEndian.AppendUint32(old, sum([]byte("P-101"), old))
	got := must(decodeEpoch("P-101", old))(t)
	for _, v := range besides(&e) {
		*v = feature.Value{}
	}
	e.Tier, e.Cycle = feature.TierNone, nil
	if d := cmp.Diff(e, got); d != "" {
		t.Errorf("epoch of layout 1 (-written +read):\n%s", d)
	}
}

func TestEpochRoundTripProperty(t *testing.T) {
	value := rapid.Custom(func(t *rapid.T) feature.Value {
		if !rapid.Bool().Draw(t, "valid") {
			return feature.Value{}
		}
		return feature.Value{V: rapid.Float64().Draw(t, "v"), SE: rapid.Float64().Draw(t, "se"), Valid: true}
	})
	rapid.Check(t, func(t *rapid.T) {
		e := feature.Epoch{
			Start: fromNanoseconds(rapid.Int64().Draw(t, "start")), End: fromNanoseconds(rapid.Int64().Draw(t, "end")),
			State: feature.State(rapid.IntRange(0, int(feature.NumStates)-1).Draw(t, "state")), Strokes: rapid.IntRange(0, math.MaxInt32).Draw(t, "strokes"),
			Inlet: value.Draw(t, "inlet"), Discharge: value.Draw(t, "discharge"), Counter: value.Draw(t, "counter"), CounterExcess: value.Draw(t, "excess"),
			Anchored: rapid.Bool().Draw(t, "anchored"), CounterDelta: rapid.Float64().Draw(t, "delta"),
		}
		for i := range e.Features {
			e.Features[i] = value.Draw(t, "feature")
		}
		for range rapid.IntRange(0, 3).Draw(t, "faults of sensors") {
			e.Sensors = append(e.Sensors, sensor.Fault{
				Channel: signal.Channel(rapid.IntRange(0, int(signal.NumChannels)-1).Draw(t, "channel")),
				Kind:    sensor.Kind(rapid.IntRange(1, int(sensor.NumKinds)-1).Draw(t, "kind")), Observed: rapid.Float64().Draw(t, "observed"),
			})
		}
		body, err := encodeEpoch("P-1", &e)
		if err != nil {
			if y := e.Start.Year(); y >= 1678 && y <= 2261 && e.End.Year() >= 1678 && e.End.Year() <= 2261 {
				t.Fatal(err)
			}
			return
		}
		got, err := decodeEpoch("P-1", body)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(e, got); d != "" {
			t.Fatal(d)
		}
	})
}

// CRC-32C finds every error of up to 32 bits in a row, so one flipped bit is always seen.
func TestEveryFlippedBitOfAnEpochIsSeen(t *testing.T) {
	e := someEpoch(1)
	body := must(encodeEpoch("P-101", &e))(t)
	for i := range len(body) * 8 {
		body[i/8] ^= 1 << (i % 8)
		if _, err := decodeEpoch("P-101", body); !errors.Is(err, ErrDamaged) {
			t.Fatalf("bit %d flipped: error %v", i, err)
		}
		body[i/8] ^= 1 << (i % 8)
	}
	if _, err := decodeEpoch("P-102", body); !errors.Is(err, ErrDamaged) {
		t.Errorf("the epoch of another pump was taken: %v", err)
	}
}

// The check value of CRC-32/ISCSI (CRC-32C) for "123456789" is 0xE3069283 (catalogue of parametrised CRC
// algorithms; from memory).
func TestChecksum(t *testing.T) {
	if got := crc32.Checksum([]byte("123456789"), castagnoli); got != 0xE3069283 {
		t.Errorf("CRC-32C of 123456789 is %#x", got)
	}
	if sum([]byte("ab"), []byte("c")) == sum([]byte("a"), []byte("bc")) {
		t.Error("where parts end does not matter to the sum")
	}
}

func FuzzDecodeEpoch(f *testing.F) {
	e := someEpoch(1)
	body, err := encodeEpoch("P-101", &e)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, body []byte) {
		// The sum would stop nearly all inputs: seal what the fuzzer made.
		sealed := binary.LittleEndian.AppendUint32(append([]byte{}, body...), sum([]byte("P-101"), body))
		got, err := decodeEpoch("P-101", sealed)
		if err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNewer) {
				t.Fatalf("error %v is neither damage nor a newer format", err)
			}
			return
		}
		again, err := encodeEpoch("P-101", &got)
		if err != nil && !errors.Is(err, ErrInvalid) {
			t.Fatal(err)
		}
		if err == nil && len(again) > len(sealed)+16*int(feature.NumFeatures) {
			t.Fatalf("%d bytes became %d", len(sealed), len(again))
		}
	})
}

func FuzzParseLedger(f *testing.F) {
	f.Add([]byte(`{"format":1,"crc32c":"00000000","tickets":[]}`))
	f.Add([]byte(`{"format":1,"crc32c":"00000000","tickets":[],"work":{"rebuilds":[],"bodies":[]},"work_crc32c":"00000000"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		batch, err := parseLedger(text)
		if (err == nil) == (batch == nil) {
			t.Fatalf("batch %v beside error %v", batch, err)
		}
	})
}
