package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing that is wrong in a configuration or in its catalogue.
type Problem struct {
	// File is the file's name as it was given.
	File string
	// Line and Column count from 1; both are 0 where the file as a whole is meant.
	Line, Column int
	// Path names the key, such as "pumps[0].channels.air_inlet_pressure.unit"; empty for the whole file.
	Path string
	// Message says what is wrong and what is allowed. It never repeats a secret.
	Message string
}

// String is one line: file:line:column: path: message.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	if p.Path != "" {
		b.WriteString(": " + p.Path)
	}
	return b.String() + ": " + p.Message
}

// InvalidError holds everything that is wrong with a configuration, in the order of its files.
type InvalidError struct {
	// Problems is never empty: those of the configuration first, then those of its catalogue, each by
	// line and column.
	Problems []Problem
}

// Error prints one problem per line.
func (e *InvalidError) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// sortProblems orders the problems of one file for reading from the top.
func sortProblems(problems []Problem) {
	slices.SortStableFunc(problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column), cmp.Compare(a.Path, b.Path))
	})
}
