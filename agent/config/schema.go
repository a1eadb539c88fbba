package config

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"

	"github.com/invopop/jsonschema"

	"diastole/detect/signal"
)

// Schema is the JSON Schema (draft 2020-12) of a configuration file. It is printed from the structs that
// a file is decoded into, and its words from the tables that a file is checked by. It knows keys, types
// and words; what takes more than one value to judge, Parse alone knows.
func Schema() ([]byte, error) { return schemaOf(&fileConfig{}, "Configuration of Diastole") }

// CatalogueSchema is the JSON Schema of a catalogue, made in the same way.
func CatalogueSchema() ([]byte, error) { return schemaOf(&fileCatalogue{}, "Catalogue of Diastole") }

func schemaOf(file any, title string) ([]byte, error) {
	r := jsonschema.Reflector{
		FieldNameTag:               "yaml",
		RequiredFromJSONSchemaTags: true,
		Anonymous:                  true,
		ExpandedStruct:             true,
		Namer:                      func(t reflect.Type) string { return strings.TrimPrefix(t.Name(), "file") },
		Mapper:                     textSchema,
	}
	s := r.Reflect(file)
	s.Title = title
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("JSON Schema %q: %w", title, err)
	}
	return append(data, '\n'), nil
}

// textSchema makes empty text invalid, as decode does.
func textSchema(t reflect.Type) *jsonschema.Schema {
	switch {
	case t == reflect.TypeFor[jsonPointer]():
		return &jsonschema.Schema{Type: "string", Pattern: `^(/([^~]|~[01])*)?$`}
	case t == reflect.TypeFor[durationText]():
		return &jsonschema.Schema{Type: "string", Pattern: `^[0-9.]+(h|m|s|ms|us|ns)`}
	case t.Kind() == reflect.String:
		return &jsonschema.Schema{Type: "string", MinLength: new(uint64(1))}
	}
	return nil
}

const (
	namePattern  = `^[A-Za-z0-9_.-]*[A-Za-z0-9_-][A-Za-z0-9_.-]*$` // see checkName
	topicPattern = `^[^$+#][^+#]*$`                                // see checkTopic
)

// The methods below add to the reflected structs what Go's types cannot say.

func (fileConfig) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "site").Pattern = namePattern
	property(s, "pumps").MinItems = new(uint64(1))
}

func (fileMQTT) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "broker").Pattern = `^mqtts?://[^@]+$`
	property(s, "qos").Enum = []any{0, 1, 2}
	s.OneOf = []*jsonschema.Schema{{Required: []string{"broker"}}, {Required: []string{"listen"}}}
}

func (filePump) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "id").Pattern = namePattern
	property(s, "service").Enum = words(services)
	property(s, "drive").Enum = words(drives)
	ratio := property(s, "pressure_ratio")
	ratio.Minimum, ratio.Maximum = json.Number(fmt.Sprint(minRatio)), json.Number(fmt.Sprint(maxRatio))
	property(s, "air_header").Pattern = namePattern
	property(s, "discharge_header").Pattern = namePattern
	property(s, "condition_at_start").Enum = words(conditions)
	property(s, "learn_strokes").Minimum = "1"
	pair := property(s, "learn_exclude").Items
	pair.MinItems, pair.MaxItems = new(uint64(2)), new(uint64(2))
	pair.Items.Format = "date-time"
}

func (fileChannels) JSONSchemaExtend(s *jsonschema.Schema) {
	s.MinProperties = new(uint64(1))
	s.PropertyNames = &jsonschema.Schema{Enum: words(signal.ChannelNames())}
}

func (fileChannel) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "topic").Pattern = topicPattern
	property(s, "format").Enum = words(formats)
	property(s, "unit").Enum = words(append(unitCodes(), currentLoop, dimensionless.units[0].code))
	property(s, "time_unit").Enum = words(timeUnits)
	property(s, "reference").Enum = words(referenceCodes())
	property(s, "counts").Enum = words(countables)
	property(s, "wraps_at").Minimum = "2"
	property(s, "report").Enum = words(reports)
	property(s, "deadband").Minimum = "0"
	property(s, "wet_value").Enum = []any{0, 1}
	property(s, "side").Enum = words(sides)
	property(s, "tap").Enum = words(taps)
	dt := property(s, "dt")
	dt.Minimum, dt.Maximum = "1e-6", "3600"
}

func (fileStates) JSONSchemaExtend(s *jsonschema.Schema) {
	s.MinProperties = new(uint64(1))
	s.AdditionalProperties = &jsonschema.Schema{Type: "string", Enum: words(signal.ServiceNames())}
}

func (fileScale) JSONSchemaExtend(s *jsonschema.Schema) {
	for _, side := range []string{"from", "to"} {
		p := property(s, side)
		p.MinItems, p.MaxItems, p.UniqueItems = new(uint64(2)), new(uint64(2)), true
	}
	property(s, "unit").Enum = words(unitCodes())
}

func (fileAlarms) JSONSchemaExtend(s *jsonschema.Schema) {
	p := property(s, "false_tickets_per_pump_year")
	p.ExclusiveMinimum, p.Maximum = "0", json.Number(fmt.Sprint(maxFalseTickets))
}

func (fileWebhook) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "name").Pattern = `^[A-Za-z0-9_-]+$`
	property(s, "url").Pattern = httpPattern
}

func (fileWeb) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "public_url").Pattern = httpPattern
}

func (fileInfluxDB) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "url").Pattern = httpPattern
}

func (fileModel) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "kit_numbers").PropertyNames = &jsonschema.Schema{Enum: words(kits)}
}

func (fileKit) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "kit").Enum = words(kits)
	atLeast(s, "lead_time_days", "0")
}

func (fileBOMLine) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "side").Enum = words(partSides)
	property(s, "component").Enum = words(componentWords())
	atLeast(s, "quantity", "1")
}

func (fileStock) JSONSchemaExtend(s *jsonschema.Schema) {
	atLeast(s, "on_hand", "0")
	atLeast(s, "reorder_point", "0")
}

func (fileCost) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "currency").Pattern = currencyCode.String()
	atLeast(s, "value", "0")
}

func (fileCosts) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "currency").Pattern = currencyCode.String()
}

func (fileJoint) JSONSchemaExtend(s *jsonschema.Schema) {
	s.OneOf = []*jsonschema.Schema{{Required: []string{"torque"}}, {Required: []string{"no_torque"}}}
}

func (fileTorque) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "unit").Enum = words(torqueUnits)
}

func (fileInstalled) JSONSchemaExtend(s *jsonschema.Schema) {
	property(s, "position").Pattern = namePattern
}

func (fileShifts) JSONSchemaExtend(s *jsonschema.Schema) {
	for key, most := range map[string]json.Number{"days_per_week": "7", "hours_per_day": "24"} {
		property(s, key).Maximum = most
	}
}

func atLeast(s *jsonschema.Schema, key string, least json.Number) { property(s, key).Minimum = least }

const httpPattern = `^https?://[^#]+$`

// property finds the schema of a key; a key that the struct lost is a mistake in this file.
func property(s *jsonschema.Schema, key string) *jsonschema.Schema {
	p, ok := s.Properties.Get(key)
	if !ok {
		panic("BUG: the configuration has no key " + key)
	}
	return p
}

// unitCodes lists the units of all quantities, pressures also as absolute ones.
func unitCodes() []string {
	codes := pressure.codes()
	for _, code := range pressure.codes() {
		codes = append(codes, code+absoluteSuffix)
	}
	return append(append(codes, airFlow.codes()...), temperature.codes()...)
}

func words(list []string) []any {
	values := make([]any, len(list))
	for i, w := range list {
		values[i] = w
	}
	return values
}
