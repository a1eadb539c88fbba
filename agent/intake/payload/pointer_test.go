package payload

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The document and the twelve pointers of RFC 6901, section 5.
const rfc6901 = `{
   "foo": ["bar", "baz"],
   "": 0,
   "a/b": 1,
   "c%d": 2,
   "e^f": 3,
   "g|h": 4,
   "i\\j": 5,
   "k\"l": 6,
   " ": 7,
   "m~n": 8
}`

func TestPointerOfRFC6901(t *testing.T) {
	var whole any
	if err := json.Unmarshal([]byte(rfc6901), &whole); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]any{
		"":       whole,
		"/foo":   []any{"bar", "baz"},
		"/foo/0": "bar",
		"/":      0.0,
		"/a~1b":  1.0,
		"/c%d":   2.0,
		"/e^f":   3.0,
		"/g|h":   4.0,
		`/i\j`:   5.0,
		`/k"l`:   6.0,
		"/ ":     7.0,
		"/m~0n":  8.0,
	} {
		p, err := parsePointer(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		got, bad := p.find(whole)
		if bad != nil {
			t.Errorf("%q: %v", text, bad)
			continue
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}

func TestPointerTargetsThatDoNotExist(t *testing.T) {
	var doc any
	if err := json.Unmarshal([]byte(rfc6901), &doc); err != nil {
		t.Fatal(err)
	}
	// "-" and a leading zero: RFC 6901, section 4.
	for _, text := range []string{"/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/", "/foo/99999999999999999999", "/foo/0/x", "/nope", "//"} {
		p, err := parsePointer(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got, bad := p.find(doc); bad == nil || bad.Reason != Missing {
			t.Errorf("%q found %v; want %s", text, got, Missing)
		}
	}
}

func TestPointerUnescapesInOrder(t *testing.T) {
	// RFC 6901, section 4: "~01" is the name "~1", never "/".
	p, err := parsePointer("/~01")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"~1"}, p.tokens); diff != "" {
		t.Error(diff)
	}
}
