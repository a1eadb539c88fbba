package config

import (
	"fmt"
	"strings"
)

// notAllowed says that a value is not one of those allowed, and which one was probably meant.
func notAllowed(what, got string, allowed []string) string {
	return fmt.Sprintf("%s %q is not known; %sallowed are %s",
		what, got, suggestion(got, allowed), strings.Join(allowed, ", "))
}

// suggestion is `did you mean "…"? ` where one of the allowed words is close, otherwise empty.
func suggestion(got string, allowed []string) string {
	if word := closest(got, allowed); word != "" {
		return fmt.Sprintf("did you mean %q? ", word)
	}
	return ""
}

// closest is the allowed word that got was probably meant to be; empty where none is close.
func closest(got string, allowed []string) string {
	best, bestDistance := "", min(len(got)/3+2, 5)
	for _, word := range allowed {
		if d := editDistance(strings.ToLower(got), strings.ToLower(word)); d < bestDistance && d < len(word) {
			best, bestDistance = word, d
		}
	}
	return best
}

// editDistance is the optimal string alignment distance: the number of bytes to insert, delete, replace
// or swap with their neighbour that turns a into b. Swaps count once because they are the typing error
// that people make most (Damerau, Comm. ACM 7(3), 1964).
func editDistance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			replace := last[j-1]
			if a[i-1] != b[j-1] {
				replace++
			}
			row[j] = min(last[j]+1, row[j-1]+1, replace)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
