package event

import (
	"encoding/json"
	"fmt"

	"github.com/invopop/jsonschema"
)

// Schema is the JSON Schema (draft 2020-12) of every event that the agent sends, made from the types that it sends.
func Schema() ([]byte, error) {
	r := &jsonschema.Reflector{DoNotReference: true, Anonymous: true, AllowAdditionalProperties: true}
	envelope := r.Reflect(&Event{})
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
