package config

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// notForSchema are the rules that take more than one value, a file or the environment to judge, or that
// are YAML's and not the configuration's.
var notForSchema = []string{
	"alias", "channel-keys", "selector", "sparkplug-topic", "stroke-edge", "broker-path", "broker-port", "catalogue", "catalogue-missing", "catalogue-service", "control-character", "duplicate-key",
	"duplicate-pump", "json-keys-without-json", "json-without-value", "listen-address",
	"listen-with-log-in", "merge-of-itself", "model", "not-yaml", "number-not-finite", "password-file-content", "password-file-missing",
	"password-without-username", "prefix", "scale-of-counter", "secret-file-not-regular", "tag", "tls-files",
	"topic-claimed-twice", "topic-shared-by-one", "two-documents", "unit-missing",
	"unit-current", "unit-of-other-quantity", "web-address", "web-every-interface", "web-not-loopback", "webhook-twice",
}

func TestSchema(t *testing.T) {
	schema := compileSchema(t)
	for _, file := range append(files(t, "testdata/good-*.yaml"), "testdata/contract.yaml") {
		if err := schema.Validate(asJSON(t, file)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	for _, file := range files(t, "testdata/invalid-*.yaml") {
		rule := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "invalid-"), ".yaml")
		value, err := readJSON(file)
		if err == nil {
			err = schema.Validate(value)
		} else if !slices.Contains(notForSchema, rule) {
			t.Errorf("%s: %v", file, err)
		} else {
			continue // not even JSON
		}
		if seen := err != nil; seen == slices.Contains(notForSchema, rule) {
			t.Errorf("%s: seen by the schema: %v", file, seen)
		}
	}
}

func TestSchemaGolden(t *testing.T) {
	data, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/schema.json", string(data))
}

func compileSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	data, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler() // checks the schema itself against draft 2020-12
	if err := c.AddResource("config.json", document); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("config.json")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

func asJSON(t *testing.T, file string) any {
	t.Helper()
	value, err := readJSON(file)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return value
}

// readJSON reads a YAML file by the library's own decoder, not by ours.
func readJSON(file string) (any, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	text, err := yaml.YAMLToJSON(data)
	if err != nil {
		return nil, err
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(text))
}
