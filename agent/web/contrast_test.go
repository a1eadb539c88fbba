package web

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// contrast is the contrast ratio of WCAG 2.1, "relative luminance" and "contrast ratio" in its glossary
// (https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio).
func contrast(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(hex string) float64 {
	if len(hex) == 4 {
		hex = "#" + strings.Repeat(hex[1:2], 2) + strings.Repeat(hex[2:3], 2) + strings.Repeat(hex[3:4], 2)
	}
	v, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		panic(err)
	}
	linear := func(shift uint) float64 {
		c := float64(v>>shift&0xff) / 255
		if c <= 0.03928 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(16) + 0.7152*linear(8) + 0.0722*linear(0)
}

// TestContrast measures the palettes of the style sheet: text at least 4.5:1 on every ground that it
// stands on (WCAG 2.1, 1.4.3 AA), the filled parts of pictures at least 3:1 (1.4.11).
func TestContrast(t *testing.T) {
	// The glossary's own end points.
	if got := contrast("#000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Fatalf("black on white is %g:1, want 21:1", got)
	}
	blocks := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(string(assets["style.css"].body), -1)
	if len(blocks) != 3 {
		t.Fatalf("%d palettes, want light, dark and print", len(blocks))
	}
	entry := regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{3,6});`)
	for i, scheme := range []string{"light", "dark", "print"} {
		palette := map[string]string{}
		for _, m := range entry.FindAllStringSubmatch(blocks[i][1], -1) {
			palette[m[1]] = m[2]
		}
		if len(palette) != 13 {
			t.Fatalf("%s: %d colours, want 13", scheme, len(palette))
		}
		for _, text := range []string{"ink", "soft", "petrol", "failure", "out-of-specification", "function-check", "maintenance-required", "no-data", "good"} {
			for _, ground := range []string{"paper", "sheet"} {
				if got := contrast(palette[text], palette[ground]); got < 4.5 {
					t.Errorf("%s: %s on %s is %.2f:1, want 4.5:1", scheme, text, ground, got)
				}
			}
		}
		if got := contrast(palette["ink"], palette["strip"]); got < 4.5 {
			t.Errorf("%s: ink on strip is %.2f:1", scheme, got)
		}
		for _, part := range []string{"petrol", "failure", "ink"} {
			if got := contrast(palette[part], palette["sheet"]); got < 3 {
				t.Errorf("%s: %s beside sheet is %.2f:1, want 3:1", scheme, part, got)
			}
		}
	}
}
