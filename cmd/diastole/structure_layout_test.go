package main_test

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// packageComments reports packages that do not have exactly one package comment, and comments that do not
// begin as godoc expects.
func packageComments(tree fs.FS) ([]string, error) {
	files, err := goFiles(tree, floors...)
	if err != nil {
		return nil, err
	}
	var violations, dirs []string
	comments := map[string]int{}
	for _, f := range files {
		if f.test() {
			continue
		}
		if !slices.Contains(dirs, f.dir()) {
			dirs = append(dirs, f.dir())
		}
		if f.ast.Doc == nil {
			continue
		}
		comments[f.dir()]++
		begin := "Package " + f.ast.Name.Name + " "
		if f.ast.Name.Name == "main" {
			begin = "Command "
		}
		if !strings.HasPrefix(f.ast.Doc.Text(), begin) {
			violations = append(violations, f.at(f.ast, "the package comment does not begin with %q", begin))
		}
	}
	for _, d := range dirs {
		if n := comments[d]; n != 1 {
			violations = append(violations, fmt.Sprintf("%s: has %d package comments, wants 1", d, n))
		}
	}
	return violations, nil
}

// top is all that the module's root may hold besides dot files.
var top = []string{
	"agent", "cmd", "deploy", "detect", "model", "testdata",
	"CHANGELOG.md", "DEVELOPERS.md", "Dockerfile", "LICENSE", "README.md", "go.mod", "go.sum",
}

// topLevel reports what else lies in the root. What the root's .gitignore names there, such as a built
// binary, belongs to nobody.
func topLevel(tree fs.FS) ([]string, error) {
	entries, err := fs.ReadDir(tree, ".")
	if err != nil {
		return nil, err
	}
	ignore, err := fs.ReadFile(tree, ".gitignore")
	if err != nil {
		return nil, err
	}
	ignored := strings.Fields(string(ignore))
	var violations []string
	for _, e := range entries {
		name := e.Name()
		if strings.HasPrefix(name, ".") || slices.Contains(top, name) ||
			slices.Contains(ignored, "/"+name) || e.IsDir() && slices.Contains(ignored, "/"+name+"/") {
			continue
		}
		violations = append(violations, name+": does not belong in the root")
	}
	return violations, nil
}
