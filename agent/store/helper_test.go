package store

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"
	"time"

	"go.uber.org/goleak"

	"diastole/agent/event"
	"diastole/detect/cycle"
	"diastole/detect/feature"
	"diastole/model/pump"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashDirEnv); dir != "" {
		crashChild(dir)
		return
	}
	goleak.VerifyTestMain(m)
}

var t0 = time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)

// openAt opens a store; it is closed at the end of the test, a second Close before that does no harm here.
func openAt(t *testing.T, dir string, opts Options) *Store {
	t.Helper()
	if opts.Log == nil {
		opts.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	}
	s, err := Open(t.Context(), dir, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func commit(t *testing.T, s *Store, b Batch) {
	t.Helper()
	if err := s.Commit(t.Context(), b); err != nil {
		t.Fatal(err)
	}
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// someEpoch is a full epoch whose numbers follow from n.
func someEpoch(n int) feature.Epoch {
	e := feature.Epoch{Strokes: 180 + n%10}
	r := rand.New(rand.NewPCG(1, uint64(n)))
	fill(reflect.ValueOf(&e).Elem(), r)
	e.Start = t0.Add(time.Duration(n) * time.Minute)
	e.End = e.Start.Add(time.Minute)
	e.State = feature.Running
	return e
}

// fill gives every field of an epoch a value of its own, whatever fields it has: a field that the codec
// forgets is then seen.
func fill(v reflect.Value, r *rand.Rand) {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(t0.Add(time.Duration(r.Int64N(1e15)))))
			return
		}
		for _, field := range v.Fields() {
			fill(field, r)
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), r)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), r)
	case reflect.Slice: // of a mean cycle's points, or the faults of two sensors
		n := cycle.Points
		if v.Type().Elem().Kind() == reflect.Struct {
			n = 2
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range v.Len() {
			fill(v.Index(i), r)
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int32:
		v.SetInt(1 + r.Int64N(1e6))
	case reflect.Uint8:
		v.SetUint(1)
	case reflect.Float32, reflect.Float64:
		v.SetFloat(r.NormFloat64() * 1e5)
	default:
		panic(fmt.Sprintf("an epoch has a field of kind %s: teach the codec and this test", v.Kind()))
	}
}

func someEvent(n int) event.Event {
	return event.Event{
		SpecVersion: "1.0", ID: fmt.Sprintf("P-101/check-valve-leak/%d", n), Source: "/sites/north-works/pumps/P-101",
		Type: event.TicketUpdated, Subject: "P-101", Time: t0.Add(time.Duration(n) * time.Minute),
		DataContentType: "application/json", Data: json.RawMessage(fmt.Sprintf(`{"ticket":"T-%d","severity":0.25}`, n)),
	}
}

func someTicket(n int) Ticket {
	at := t0.Add(time.Duration(n) * time.Minute)
	return Ticket{Time: at, Ticket: event.Ticket{
		Ticket: fmt.Sprintf("T-%d", n), Pump: "P-101", Model: "generic-one-inch", State: event.StateOpen,
		Fault: pump.CheckValveLeak, Side: pump.SideA, Kit: pump.WetEnd, Urgency: pump.Planned, Since: at,
		Suspects: []string{"suction ball and seat"}, Severity: float64(n), Cautions: []string{"isolate air and liquid"},
		Evidence:            []event.Evidence{{Feature: "stroke_rate", Unit: "1/s", Expected: 3.1, Observed: 3.62, DeviationSigma: 8.4}},
		ChecksBeforeOpening: []string{}, IfNotDone: "more air for less liquid",
	}}
}

// logged collects what is logged.
func logged() (*slog.Logger, *bytes.Buffer) {
	var b bytes.Buffer
	return slog.New(slog.NewTextHandler(&b, nil)), &b
}
