package event

import (
	"encoding/json"
	"fmt"
	"reflect"

	"github.com/invopop/jsonschema"

	"diastole/model/pump"
)

// Schema is the JSON Schema (draft 2020-12) of every event that the agent sends, made from the types that it sends.
func Schema() ([]byte, error) {
	r := &jsonschema.Reflector{DoNotReference: true, Anonymous: true, AllowAdditionalProperties: true, Mapper: closedSet}
	envelope := r.Reflect(&Event{})
	envelope.Properties.Set("specversion", &jsonschema.Schema{Type: "string", Enum: []any{"1.0"}})
	envelope.Title = "An event of Diastole: CloudEvents 1.0, structured mode"
	envelope.ID = ""
	var cases []*jsonschema.Schema
	for _, d := range []struct {
		types []Type
		data  any
	}{
		{[]Type{TicketOpened, TicketUpdated, TicketClosed}, &Ticket{}},
		{[]Type{AdvisoryOpened, AdvisoryUpdated, AdvisoryClosed}, &Advisory{}},
		{[]Type{BaselineLearned, BaselineReset}, &Baseline{}},
		{[]Type{RebuildRecorded, RebuildJudged}, &Rebuild{}},
		{[]Type{Heartbeat}, &Beat{}},
	} {
		data := r.Reflect(d.data)
		data.Version = ""
		types := make([]any, len(d.types))
		for i, t := range d.types {
			types[i] = string(t)
		}
		props := jsonschema.NewProperties()
		props.Set("type", &jsonschema.Schema{Enum: types})
		props.Set("data", data)
		cases = append(cases, &jsonschema.Schema{Properties: props})
	}
	envelope.Properties.Delete("data")
	envelope.Properties.Set("data", &jsonschema.Schema{Type: "object"})
	envelope.OneOf = cases
	raw, err := json.MarshalIndent(envelope, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("schema of events: %w", err)
	}
	return raw, nil
}

// closedSet lists the words of the types that have a fixed set of them; other types are reflected.
func closedSet(t reflect.Type) *jsonschema.Schema {
	switch t {
	case reflect.TypeFor[pump.Fault]():
		return oneOf(pump.Faults()...)
	case reflect.TypeFor[pump.Cause]():
		return oneOf(pump.Causes()...)
	case reflect.TypeFor[pump.Kit]():
		return oneOf(pump.Kits()...)
	case reflect.TypeFor[pump.Side]():
		return oneOf(pump.SideA, pump.SideB, pump.SideBoth, pump.SideUnknown)
	case reflect.TypeFor[pump.Urgency]():
		return oneOf(pump.Stop, pump.Soon, pump.Planned)
	case reflect.TypeFor[TicketState]():
		return oneOf(StateOpen, StateAcknowledged, StateScheduled, StateInWork, StateClosed)
	case reflect.TypeFor[Outcome]():
		return oneOf(Done, Verified, Rejected, Withdrawn)
	case reflect.TypeFor[Deed]():
		return oneOf(Deeds()...)
	case reflect.TypeFor[Judgement]():
		return oneOf(Accepting, AcceptedForNow, Accepted, LookAgain, NotJudged)
	case reflect.TypeFor[pump.Component]():
		return oneOf(pump.Components()...)
	case reflect.TypeFor[pump.Condition]():
		return oneOf(pump.Conditions()...)
	}
	return nil
}

func oneOf[T ~string](words ...T) *jsonschema.Schema {
	s := &jsonschema.Schema{Type: "string"}
	for _, w := range words {
		s.Enum = append(s.Enum, string(w))
	}
	return s
}
