package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// maxFileBytes bounds a file that is read: some 20 000 pumps.
const maxFileBytes = 8 << 20

// position is a place in a file, counted from 1.
type position struct{ line, column int }

// document is one YAML file while it is checked: the problems found so far and where each key stands.
//
// The library's own strict decoder stops at the first unknown key. An engineer wants the whole list, so
// the file is parsed by the library and its tree is laid over the Go structs here.
type document struct {
	file     string
	problems []Problem
	// at holds the position of the value of every key that is present.
	at map[string]position
	// bad holds the paths that already have a problem: one cause, one message.
	bad     map[string]bool
	anchors map[string]ast.Node
	nodes   int
}

// decode reads data into the struct that target points to. All problems are collected in the document;
// what is wrong keeps its zero value.
func decode(file string, data []byte, target any) *document {
	d := &document{file: file, at: map[string]position{}, bad: map[string]bool{}, anchors: map[string]ast.Node{}}
	if len(data) > maxFileBytes {
		d.add(position{}, "", fmt.Sprintf("the file has %d bytes; allowed are %d", len(data), maxFileBytes))
		return d
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff")) // the mark that some editors put first (YAML 1.2.2, section 5.2)
	// Repeated keys are let through here and reported by structure, so that they do not hide the rest.
	tree, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntax(err)
		return d
	}
	var body ast.Node
	for _, doc := range tree.Docs {
		switch {
		case doc.Body == nil || doc.Body.Type() == ast.CommentType || doc.Body.Type() == ast.DirectiveType:
		case body != nil:
			d.add(positionOf(doc.Body), "", "a second YAML document begins here; one file holds one document")
			return d
		default:
			body = doc.Body
		}
	}
	if body == nil {
		d.add(position{}, "", "the file is empty")
		return d
	}
	d.value("", body, reflect.ValueOf(target).Elem())
	return d
}

// syntax reports what the YAML parser could not read. The parser's excerpt of the source is left out: it
// could show what stands near a secret.
func (d *document) syntax(err error) {
	if e, ok := errors.AsType[yaml.Error](err); ok {
		d.add(positionOfToken(e.GetToken()), "", "not YAML: "+e.GetMessage())
		return
	}
	d.add(position{}, "", "not YAML: "+err.Error())
}

func (d *document) add(at position, path, message string) {
	d.problems = append(d.problems, Problem{File: d.file, Line: at.line, Column: at.column, Path: path, Message: message})
	d.bad[path] = true
}

// fail reports a problem of the value at path, unless that value already has one. A key that is absent
// is reported where its nearest parent stands.
func (d *document) fail(path, format string, args ...any) {
	if d.bad[path] {
		return
	}
	d.add(d.nearest(path), path, fmt.Sprintf(format, args...))
}

// nearest is the position of path, or of the nearest parent that is present.
func (d *document) nearest(path string) position {
	for {
		if at, ok := d.at[path]; ok || path == "" {
			return at
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
}

// has reports whether the key at path is present, be its value right or wrong.
func (d *document) has(path string) bool {
	_, ok := d.at[path]
	return ok
}

// positionOf is where a person sees a value begin: a mapping at its first key, not at its first colon.
func positionOf(node ast.Node) position {
	switch n := node.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return positionOf(n.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return positionOf(n.Key)
	}
	return positionOfToken(node.GetToken())
}

func positionOfToken(t *token.Token) position {
	if t == nil || t.Position == nil {
		return position{}
	}
	return position{t.Position.Line, t.Position.Column}
}
