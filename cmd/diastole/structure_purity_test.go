package main_test

import (
	"go/ast"
	"io/fs"
	"slices"
	"strings"
)

// outside are the packages through which code touches the world, shares memory between goroutines or draws
// chance without a seed; packages below them count too.
var outside = []string{"net", "os", "log", "sync", "syscall", "runtime", "io/ioutil", "crypto/rand", "math/rand"}

// seeded is what detect may use of math/rand/v2: generators with an explicit seed, no global functions.
var seeded = []string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "PCG", "ChaCha8", "Zipf", "Source"}

// forbidden are functions and values of otherwise harmless packages: the wall clock, the machine's time zone,
// standard output.
var forbidden = map[string][]string{
	"time": {
		"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation",
	},
	"fmt": {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
}

// purity reports where detect does I/O, reads a clock, logs, starts a goroutine or rolls unseeded dice, and
// where model knows of networks. Tests may do all of it.
func purity(tree fs.FS) ([]string, error) {
	files, err := goFiles(tree, "detect", "model")
	if err != nil {
		return nil, err
	}
	var violations []string
	for _, f := range files {
		if f.test() {
			continue
		}
		banned := outside
		if f.room() == "model" {
			banned = []string{"net"}
		}
		for _, spec := range f.ast.Imports {
			if p := importPath(spec); p != "math/rand/v2" && slices.ContainsFunc(banned, func(b string) bool {
				return p == b || strings.HasPrefix(p, b+"/")
			}) {
				violations = append(violations, f.at(spec, "%s imports %s", f.room(), p))
			}
		}
		if f.room() == "detect" {
			violations = append(violations, impureCode(f)...)
		}
	}
	return violations, nil
}

// impureCode reports goroutines, and uses of what is forbidden in packages that may be imported.
func impureCode(f goFile) (violations []string) {
	imports := f.imports()
	ast.Inspect(f.ast, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			violations = append(violations, f.at(n, "detect starts a goroutine"))
		case *ast.CallExpr:
			if id, ok := n.Fun.(*ast.Ident); ok && id.Obj == nil && (id.Name == "print" || id.Name == "println") {
				violations = append(violations, f.at(n, "detect uses %s", id.Name))
			}
		case *ast.SelectorExpr:
			id, ok := n.X.(*ast.Ident)
			if !ok || id.Obj != nil { // not a package, or a local name that hides it
				return true
			}
			p := imports[id.Name]
			if slices.Contains(forbidden[p], n.Sel.Name) || p == "math/rand/v2" && !slices.Contains(seeded, n.Sel.Name) {
				violations = append(violations, f.at(n, "detect uses %s.%s", p, n.Sel.Name))
			}
		}
		return true
	})
	return violations
}
