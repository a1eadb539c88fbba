package main_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/types"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// mapOrder reports where detect walks over a map: Go walks in a new order each time, and the same recording
// must give the same events, byte for byte. Sorted keys, slices.Sorted(maps.Keys(m)), are the way.
func mapOrder(tree fs.FS) ([]string, error) {
	files, err := goFiles(tree, "detect")
	if err != nil {
		return nil, err
	}
	packages := map[string][]goFile{}
	for _, f := range files {
		if !f.test() {
			packages[f.dir()] = append(packages[f.dir()], f)
		}
	}
	var violations []string
	for _, files := range packages {
		v, err := mapWalks(files)
		if err != nil {
			return nil, err
		}
		violations = append(violations, v...)
	}
	slices.Sort(violations)
	return violations, nil
}

// mapWalks reports the walks over maps in one package.
func mapWalks(files []goFile) ([]string, error) {
	fset := files[0].fset
	info := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	config := types.Config{Importer: importer.ForCompiler(fset, "gc", exportData)}
	asts := make([]*ast.File, len(files))
	for i, f := range files {
		asts[i] = f.ast
	}
	if _, err := config.Check(module+"/"+files[0].dir(), fset, asts, &info); err != nil {
		return nil, err
	}
	var violations []string
	for _, f := range files {
		imports := f.imports()
		sorted := map[ast.Node]bool{}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.RangeStmt:
				if _, ok := info.TypeOf(n.X).Underlying().(*types.Map); ok {
					violations = append(violations, f.at(n, "detect walks over a map, in no fixed order"))
				}
			case *ast.CallExpr:
				from, name := called(n, imports)
				if from == "slices" && strings.HasPrefix(name, "Sorted") && len(n.Args) > 0 {
					sorted[n.Args[0]] = true
				}
				if from == "maps" && slices.Contains([]string{"All", "Keys", "Values"}, name) && !sorted[n] {
					violations = append(violations, f.at(n, "detect uses maps.%s unsorted, in no fixed order", name))
				}
			}
			return true
		})
	}
	return violations, nil
}

// called names the package and the function of a call pkg.Function(...).
func called(call *ast.CallExpr, imports map[string]string) (from, name string) {
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return "", ""
	}
	id, ok := sel.X.(*ast.Ident)
	if !ok || id.Obj != nil {
		return "", ""
	}
	return imports[id.Name], sel.Sel.Name
}

// exportData opens the compiler's description of a package that detect imports.
func exportData(importPath string) (io.ReadCloser, error) {
	exports, err := exportFiles()
	if err != nil {
		return nil, err
	}
	file, known := exports[importPath]
	if !known {
		return nil, fmt.Errorf("go list knows no export data of %s", importPath)
	}
	return os.Open(file)
}

// exportFiles asks the go command, once, where the export data of detect and all that it imports lie; maps and
// slices are named for the trees in testdata.
var exportFiles = sync.OnceValues(func() (map[string]string, error) {
	cmd := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Export", "./detect/...", "maps", "slices")
	cmd.Dir = filepath.Join("..", "..")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list -export: %w\n%s", err, stderr.String())
	}
	exports := map[string]string{}
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct{ ImportPath, Export string }
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return exports, nil
		} else if err != nil {
			return nil, fmt.Errorf("go list -export: %w", err)
		}
		exports[p.ImportPath] = p.Export
	}
})
