package diagnose

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestTableRoundTrip writes the embedded table and reads it again. Its numbers are cut already: nothing is lost.
func TestTableRoundTrip(t *testing.T) {
	table, err := DecodeTable(signatureFile)
	if err != nil {
		t.Fatal(err)
	}
	if len(table) == 0 {
		t.Fatal("the table is empty")
	}
	data, err := EncodeTable(table)
	if err != nil {
		t.Fatal(err)
	}
	again, err := DecodeTable(data)
	if err != nil {
		t.Fatal(err)
	}
	original, err := DecodeTable(signatureFile)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(original, again); diff != "" {
		t.Errorf("the table changed on its way (-before +after):\n%s", diff)
	}
	twice, err := EncodeTable(again)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(twice, data) {
		t.Error("written again it is another file")
	}
}

// TestTableSizes: effects stand in the order of Sizes, where everything looks for them.
func TestTableSizes(t *testing.T) {
	table, err := DecodeTable(signatureFile)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range table {
		for _, s := range m.Signatures {
			for k, e := range s.Effects {
				if e.Size != Sizes[k] {
					t.Errorf("%s, %s%s: size %g stands where %g is expected", m.Model, s.Fault, s.Cause, e.Size, Sizes[k])
				}
				for j := range e.Spread {
					if e.Spread[j] < 0 || e.Scatter[j] < 0 {
						t.Errorf("%s, %s%s, size %g: a standard deviation below nothing", m.Model, s.Fault, s.Cause, e.Size)
					}
				}
			}
		}
	}
}

func TestDecodeTableRefusesWhatIsNone(t *testing.T) {
	for name, c := range map[string]struct{ data, want string }{
		"no JSON":       {"{", "table of signatures"},
		"another shape": {`{"model": 1}`, "table of signatures"},
		"too few sizes": {
			`[{"model": "generic-one-inch", "signatures": [{"fault": "check-valve-leak", "effects": [{"Size": 0.06}]}]}]`,
			"generic-one-inch, check-valve-leak: 1 sizes",
		},
	} {
		if _, err := DecodeTable([]byte(c.data)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one that says %q", name, err, c.want)
		}
	}
}
