package config

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// FuzzParse wants either a configuration that Validate accepts, or an error that says where and what.
func FuzzParse(f *testing.F) {
	seeds, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, seed := range seeds {
		data, err := os.ReadFile(seed)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("testdata/fuzz.yaml", data)
		if err == nil {
			if err := c.Validate(); err != nil {
				t.Fatalf("accepted, but not valid: %v", err)
			}
			if _, err := Effective(c); err != nil {
				t.Fatal(err)
			}
			return
		}
		var invalid *InvalidError
		if !errors.As(err, &invalid) || len(invalid.Problems) == 0 || c != nil {
			t.Fatalf("got %v, %v", c, err)
		}
		for i, p := range invalid.Problems {
			if p.File == "" || p.Message == "" || p.Line < 0 || p.Column < 0 {
				t.Fatalf("problem %d says too little: %+v", i, p)
			}
		}
	})
}
