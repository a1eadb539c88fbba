package main_test

import (
	"io/fs"
	"slices"
	"strings"
)

const module = "diastole"

// floors are the rooms from the ground up: a room may import its own floor and those below.
var floors = []string{"model", "detect", "agent", "cmd"}

// arrows reports imports that point up, tests included, and libraries in the two lower rooms. The lower rooms
// hold what a stranger must be able to check on paper, so besides the standard library they get numerics only.
func arrows(tree fs.FS) ([]string, error) {
	files, err := goFiles(tree, floors...)
	if err != nil {
		return nil, err
	}
	var violations []string
	for _, f := range files {
		from := slices.Index(floors, f.room())
		for _, spec := range f.ast.Imports {
			p := importPath(spec)
			inside, own := strings.CutPrefix(p, module+"/")
			to := slices.Index(floors, strings.Split(inside, "/")[0])
			switch {
			case own && to < 0:
				violations = append(violations, f.at(spec, "%s is no room of the house", p))
			case own && to > from:
				violations = append(violations, f.at(spec, "%s imports %s: arrows point down, cmd -> agent -> detect -> model", f.room(), p))
			case own || f.test() || from >= slices.Index(floors, "agent"):
			case isLibrary(p) && !strings.HasPrefix(p, "gonum.org/v1/gonum/"):
				violations = append(violations, f.at(spec, "%s imports the library %s: only the standard library and gonum are allowed there", f.room(), p))
			}
		}
	}
	return violations, nil
}

// isLibrary tells an import path of another module from one of the standard library, whose first element has no dot.
func isLibrary(p string) bool {
	first, _, _ := strings.Cut(p, "/")
	return strings.Contains(first, ".")
}
