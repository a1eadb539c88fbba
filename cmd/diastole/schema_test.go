package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"diastole/agent/event"
	"diastole/model/pump"
)

// output runs the command in this process and gives what it writes to stdout; it must end with exitDone.
func output(t *testing.T, args ...string) string {
	t.Helper()
	var out, said bytes.Buffer
	if code := run(args, &out, &said); code != exitDone {
		t.Fatalf("diastole %s: exit %d: %s", strings.Join(args, " "), code, said.String())
	}
	return out.String()
}

// compile makes a validator of a schema that the command prints. It checks the schema itself against its draft.
func compile(t *testing.T, of string) *jsonschema.Schema {
	t.Helper()
	document, err := jsonschema.UnmarshalJSON(strings.NewReader(output(t, "schema", of)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat() // date-time is meant as it stands
	if err := c.AddResource("schema.json", document); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// TestWorkFitsTheSchema: what people do, and how a rebuild turned out.
func TestWorkFitsTheSchema(t *testing.T) {
	schema := compile(t, "event")
	at := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	strokes, yes := 4.2e6, true
	shelved := event.Advisory{Advisory: "A-1", Pump: "P-101", Cause: pump.SuctionAir, Since: at, Action: "look", Shelved: &event.Shelf{By: "jo", At: at, Until: at, Reason: "r"}}
	rebuild := event.Rebuild{
		Rebuild: "R", Pump: "P-101", Model: "m", Time: at, By: "jo", Kits: []pump.Kit{pump.WetEnd}, KitNumbers: map[pump.Kit]string{pump.WetEnd: "W"},
		Parts: []event.Part{{Component: pump.Balls, Strokes: &strokes, Replaced: true, Found: pump.Worn}}, Asked: event.Asked{Restarts: &yes}, Judgement: event.LookAgain,
		Verdicts: []event.Verdict{{Time: at, Stage: "first", Judgement: event.LookAgain, Mistake: "ball-wrong", Against: "a", Words: "w", Checks: []string{"c"}}},
		Retorque: []event.Retorque{{Joint: "clamps", RunningHours: 24}},
	}
	for kind, data := range map[event.Type]any{event.RebuildRecorded: rebuild, event.RebuildJudged: rebuild, event.AdvisoryUpdated: shelved} {
		e, err := event.New("works", "P-101", kind, at, "x", data)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if err := validate(schema, raw); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		if wrong := strings.NewReplacer(`"look-again"`, `"perhaps"`, `"until":"2026`, `"until":"in 2026`).Replace(string(raw)); validate(schema, []byte(wrong)) == nil {
			t.Errorf("%s fits with words that are none: %s", kind, wrong)
		}
	}
}

// TestExampleCatalogueFitsTheSchema, and a torque without its source does not.
func TestExampleCatalogueFitsTheSchema(t *testing.T) {
	schema := compile(t, "catalogue")
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "pumps.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	try := func(text string) error {
		raw, err := yaml.YAMLToJSON([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return validate(schema, raw)
	}
	if err := try(string(text)); err != nil {
		t.Error(err)
	}
	for _, edit := range [][2]string{
		{`source: "invented manual, edition 3", page: "14"`, `page: "14"`}, {"on_hand: 2", "on_hand: many"},
		{"component: balls", "component: marbles"}, {"currency: EUR}", "currency: euro}"},
	} {
		changed := strings.Replace(string(text), edit[0], edit[1], 1)
		if changed == string(text) {
			t.Errorf("there is no %s", edit[0])
		} else if try(changed) == nil {
			t.Errorf("with %s in place of %s it fits", edit[1], edit[0])
		}
	}
}

func validate(schema *jsonschema.Schema, text []byte) error {
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return err
	}
	return schema.Validate(value)
}

// TestEveryEventFitsTheSchema that the command prints, and nothing else does.
func TestEveryEventFitsTheSchema(t *testing.T) {
	schema := compile(t, "event")
	data := filepath.Join("..", "..", "testdata", "e2e")
	events := output(t, "replay", "-c", filepath.Join(data, "diastole.yaml"), filepath.Join(data, "wear.ndjson.zst"))
	kinds := map[event.Type]string{}
	for line := range strings.Lines(events) {
		if err := validate(schema, []byte(line)); err != nil {
			t.Errorf("%v\n%s", err, line)
		}
		var e event.Event
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		kinds[e.Type] = line
	}
	at := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	for kind, of := range map[event.Type]any{
		event.AdvisoryOpened: event.Advisory{Advisory: "P-101-x", Pump: "P-101", Cause: "sensor-fault", Channel: "air_flow", Probability: 0.9, Since: at, Action: "look"},
		event.BaselineReset:  event.Baseline{Pump: "P-101", Model: "generic-one-inch", Reason: "rebuilt"},
		event.Heartbeat:      event.Beat{Pumps: 6, Stale: 1, Learning: 2},
	} {
		subject := "P-101"
		if kind == event.Heartbeat {
			subject = ""
		}
		e, err := event.New("works", subject, kind, at, "test", of)
		if err != nil {
			t.Fatal(err)
		}
		line, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if err := validate(schema, line); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		kinds[kind] = string(line)
	}

	for kind, edits := range map[event.Type][][2]string{
		event.TicketOpened: {
			{`"specversion":"1.0",`, ``}, {`"specversion":"1.0"`, `"specversion":"0.3"`}, {`"probability":`, `"probability":"high","x":`},
			{`"kit":"wet-end",`, ``}, {`"kit":"wet-end"`, `"kit":"screwdriver"`}, {`"fault":"check-valve-leak"`, `"fault":"tired"`},
			{`"urgency":"planned"`, `"urgency":"whenever"`}, {`"state":"open"`, `"state":"ajar"`}, {`diastole.ticket.opened`, `diastole.ticket.found`},
			{`"cautions":[`, `"warnings":[`},
		},
		event.AdvisoryOpened:  {{`"cause":"sensor-fault"`, `"cause":"gremlins"`}, {`"action":"look"`, `"x":1`}, {`diastole.advisory.opened`, `diastole.ticket.opened`}},
		event.BaselineLearned: {{`"epochs":31`, `"epochs":"many"`}, {`"from":"2026`, `"from":"in 2026`}},
		event.Heartbeat:       {{`"stale":1`, `"stale":"one"`}, {`"pumps":6,`, ``}},
	} {
		for _, edit := range edits {
			line := kinds[kind]
			changed := strings.Replace(line, edit[0], edit[1], 1)
			if changed == line {
				t.Errorf("%s: there is no %s in %s", kind, edit[0], line)
			} else if validate(schema, []byte(changed)) == nil {
				t.Errorf("%s with %s in place of %s fits", kind, edit[1], edit[0])
			}
		}
	}
}

// TestExamplesFitTheSchema: an editor that checks by the schema finds no fault with what we give people to start from.
func TestExamplesFitTheSchema(t *testing.T) {
	schema := compile(t, "config")
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, block, found := strings.Cut(string(readme), "```yaml\n")
	block, _, _ = strings.Cut(block, "```")
	if !found {
		t.Fatal("README.md has no configuration")
	}
	examples := map[string]string{"README.md": unindent(block)}
	files, err := filepath.Glob(filepath.Join("..", "..", "deploy", "*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range append(files, filepath.Join("..", "..", "testdata", "e2e", "diastole.yaml")) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), "\nsite:") || strings.HasPrefix(string(text), "site:") { // not the catalogue
			examples[file] = string(text)
		}
	}
	if len(examples) < 3 {
		t.Errorf("only %d examples were found", len(examples))
	}
	for name, text := range examples {
		value, err := yaml.YAMLToJSON([]byte(text))
		if err == nil {
			err = validate(schema, value)
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		wrong, err := yaml.YAMLToJSON([]byte(text + "\nno_such_key: 1\n"))
		if err != nil {
			t.Fatal(err)
		}
		if validate(schema, wrong) == nil {
			t.Errorf("%s fits with a key that does not exist", name)
		}
	}
}

// unindent takes away what a list item puts before the lines of a block.
func unindent(block string) string {
	var lines []string
	for line := range strings.Lines(block) {
		lines = append(lines, strings.TrimPrefix(line, "   "))
	}
	return strings.Join(lines, "")
}
