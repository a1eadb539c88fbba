package main_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"
)

// The layout of the house (DEVELOPERS.md) is held by tests: each rule is a function from a tree of files to
// its violations. Every rule runs on this module, where it must find nothing, and on small trees in
// testdata/structure, where it must find what the tree's file "want" lists.

// rules are the rules by name; a file testdata/structure/NAME-anything.txtar is a tree for rule NAME.
var rules = map[string]func(fs.FS) ([]string, error){
	"arrows":   arrows,
	"purity":   purity,
	"order":    mapOrder,
	"pkgdoc":   packageComments,
	"toplevel": topLevel,
}

func TestStructure(t *testing.T) {
	root := os.DirFS(filepath.Join("..", ".."))
	for name, rule := range rules {
		t.Run(name, func(t *testing.T) {
			violations, err := rule(root)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range violations {
				t.Error(v)
			}
		})
	}
}

func TestStructureRulesFindViolations(t *testing.T) {
	found := map[string]bool{}
	paths, err := filepath.Glob("testdata/structure/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		name, _, _ := strings.Cut(filepath.Base(p), "-")
		t.Run(filepath.Base(p), func(t *testing.T) {
			tree, want := readTree(t, p)
			rule, known := rules[name]
			if !known {
				t.Fatalf("there is no rule %q", name)
			}
			got, err := rule(tree)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, strings.Join(got, "\n")); diff != "" {
				t.Errorf("violations (-want +got):\n%s", diff)
			}
			found[name] = found[name] || len(got) > 0
		})
	}
	for name := range rules {
		if !found[name] {
			t.Errorf("rule %q was never seen to fail", name)
		}
	}
}

// readTree reads a txtar archive into a file system, apart from its file "want".
func readTree(t *testing.T, file string) (tree fs.FS, want string) {
	t.Helper()
	archive, err := txtar.ParseFile(file)
	if err != nil {
		t.Fatal(err)
	}
	files := fstest.MapFS{}
	for _, f := range archive.Files {
		if f.Name == "want" {
			want = strings.TrimSpace(string(f.Data))
			continue
		}
		files[f.Name] = &fstest.MapFile{Data: f.Data}
	}
	return files, want
}

// goFile is one parsed Go file of the house.
type goFile struct {
	path string // slash-separated, from the module's root
	ast  *ast.File
	fset *token.FileSet
}

func (f goFile) dir() string  { return path.Dir(f.path) }
func (f goFile) room() string { room, _, _ := strings.Cut(f.path, "/"); return room }
func (f goFile) test() bool   { return strings.HasSuffix(f.path, "_test.go") }

// at says where a violation stands.
func (f goFile) at(n ast.Node, format string, args ...any) string {
	return fmt.Sprintf("%s:%d: %s", f.path, f.fset.Position(n.Pos()).Line, fmt.Sprintf(format, args...))
}

// imports lists the file's imports as the name used in the file and the path.
func (f goFile) imports() map[string]string {
	named := map[string]string{}
	for _, spec := range f.ast.Imports {
		p := importPath(spec)
		name := path.Base(p)
		if name == "v2" { // the major version is no part of the package's name
			name = path.Base(path.Dir(p))
		}
		if spec.Name != nil {
			name = spec.Name.Name
		}
		named[name] = p
	}
	return named
}

func importPath(spec *ast.ImportSpec) string { return strings.Trim(spec.Path.Value, `"`) }

// goFiles parses all Go files below the given rooms, in order of their paths. A room that is missing is empty.
func goFiles(tree fs.FS, rooms ...string) ([]goFile, error) {
	var files []goFile
	fset := token.NewFileSet()
	for _, room := range rooms {
		if _, err := fs.Stat(tree, room); err != nil {
			continue
		}
		err := fs.WalkDir(tree, room, func(p string, d fs.DirEntry, err error) error {
			switch base := path.Base(p); {
			case err != nil:
				return err
			case d.IsDir() && (base == "testdata" || strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_")):
				return fs.SkipDir
			case d.IsDir() || path.Ext(p) != ".go":
				return nil
			}
			src, err := fs.ReadFile(tree, p)
			if err != nil {
				return err
			}
			file, err := parser.ParseFile(fset, p, src, parser.ParseComments)
			if err != nil {
				return err
			}
			files = append(files, goFile{path: p, ast: file, fset: fset})
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	slices.SortFunc(files, func(a, b goFile) int { return strings.Compare(a.path, b.path) })
	return files, nil
}
