package config

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// maxFileBytes bounds a file that is read: some 20 000 pumps.
const maxFileBytes = 8 << 20

// maxNodes bounds the values that a file may unfold to, so that aliases of aliases cannot fill memory.
const maxNodes = 1 << 19

// maxMerges bounds how deep merges may stand in each other.
const maxMerges = 8

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

// laterKeys is implemented by a struct of the file that has keys which are refused with a reason of
// their own: promised but not supported yet, or dangerous. It maps each to the rest of the sentence
// that begins with the key.
type laterKeys interface{ laterKeys() map[string]string }

// decode reads data into the struct that target points to. All problems are collected in the document;
// what is wrong keeps its zero value.
func decode(file string, data []byte, target any) *document {
	d := &document{file: file, at: map[string]position{}, bad: map[string]bool{}, anchors: map[string]ast.Node{}}
	if len(data) > maxFileBytes {
		d.add(position{}, "", fmt.Sprintf("the file has %d bytes; allowed are %d", len(data), maxFileBytes))
		return d
	}
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
	var e yaml.Error
	if errors.As(err, &e) {
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

// value lays node over dst, which has one of the kinds that the structs of the file use.
func (d *document) value(path string, node ast.Node, dst reflect.Value) {
	node = d.resolve(path, node)
	if node == nil {
		return
	}
	if d.nodes++; d.nodes > maxNodes {
		if d.nodes == maxNodes+1 {
			d.add(positionOf(node), "", fmt.Sprintf("the file unfolds to more than %d values", maxNodes))
		}
		return
	}
	d.at[path] = positionOf(node)
	if node.Type() == ast.NullType {
		d.fail(path, "is empty; give %s or remove the key", wanted(dst.Type()))
		return
	}
	switch dst.Kind() {
	case reflect.Pointer:
		dst.Set(reflect.New(dst.Type().Elem()))
		d.value(path, node, dst.Elem())
	case reflect.Struct:
		d.structure(path, node, dst)
	case reflect.Map:
		d.mapping(path, node, dst)
	case reflect.Slice:
		d.sequence(path, node, dst)
	default:
		d.scalar(path, node, dst)
	}
}

// resolve follows anchors, aliases and tags to the value itself; nil where that failed.
func (d *document) resolve(path string, node ast.Node) ast.Node {
	for range 100 { // an alias may point to an alias; a ring of them must end
		switch n := node.(type) {
		case *ast.AnchorNode:
			d.anchors[n.Name.GetToken().Value] = n.Value
			node = n.Value
		case *ast.AliasNode:
			name := n.Value.GetToken().Value
			target, ok := d.anchors[name]
			if !ok {
				d.add(positionOf(n), path, fmt.Sprintf("alias *%s has no anchor &%s above it", name, name))
				return nil
			}
			node = target
		case *ast.TagNode:
			d.add(positionOf(n), path, fmt.Sprintf("YAML tag %s is not used here; remove it", n.GetToken().Value))
			return nil
		case nil:
			d.fail(path, "is empty")
			return nil
		default:
			return node
		}
	}
	d.fail(path, "an alias refers to itself")
	return nil
}

// entry is one key and its value in a mapping.
type entry struct {
	key  string
	at   position
	node ast.Node
}

// entries lists a mapping's keys in the order of the file, reporting repeated ones; ok is false where
// node is no mapping. Keys that come in by a merge (<<) stand last and yield to the mapping's own; depth
// counts merges of merges, so that a mapping which merges itself ends.
func (d *document) entries(path string, node ast.Node, depth int) (list []entry, ok bool) {
	mapping, ok := node.(ast.MapNode)
	if !ok {
		d.fail(path, "must be a mapping of keys to values, not %s", describe(node))
		return nil, false
	}
	seen := map[string]position{}
	var merged []ast.Node
	for it := mapping.MapRange(); it.Next(); {
		if it.Key().IsMergeKey() {
			merged = append(merged, it.Value())
			continue
		}
		e := entry{key: it.Key().GetToken().Value, at: positionOf(it.Key()), node: it.Value()}
		if first, twice := seen[e.key]; twice {
			d.add(e.at, join(path, e.key), fmt.Sprintf("key %q stands twice; the first is on line %d", e.key, first.line))
			continue
		}
		seen[e.key] = e.at
		list = append(list, e)
	}
	for _, m := range merged {
		if depth == maxMerges {
			d.fail(path, "merges (<<) stand more than %d deep in each other", maxMerges)
			break
		}
		if m = d.resolve(path, m); m == nil {
			continue
		}
		more, _ := d.entries(path, m, depth+1)
		for _, e := range more {
			if _, own := seen[e.key]; !own {
				seen[e.key] = e.at
				list = append(list, e)
			}
		}
	}
	return list, true
}

func (d *document) structure(path string, node ast.Node, dst reflect.Value) {
	list, ok := d.entries(path, node, 0)
	if !ok {
		return
	}
	fields, names := fieldsOf(dst.Type())
	var later map[string]string
	if l, ok := dst.Interface().(laterKeys); ok {
		later = l.laterKeys()
	}
	for _, e := range list {
		child := join(path, e.key)
		field, known := fields[e.key]
		switch {
		case known:
			d.at[child] = e.at // should the value not resolve
			d.value(child, e.node, dst.Field(field))
		case later[e.key] != "":
			d.at[child] = e.at
			d.fail(child, "%q %s", e.key, later[e.key])
		default:
			d.add(e.at, child, notAllowed("key", e.key, names))
			if meant := closest(e.key, names); meant != "" {
				d.bad[join(path, meant)] = true // it is not missing, only misspelt
			}
		}
	}
	for _, name := range names {
		if child := join(path, name); required(dst.Type().Field(fields[name])) && !d.has(child) {
			d.fail(child, "is missing; %s", dst.Type().Field(fields[name]).Tag.Get("jsonschema_description"))
		}
	}
}

func (d *document) mapping(path string, node ast.Node, dst reflect.Value) {
	list, ok := d.entries(path, node, 0)
	if !ok {
		return
	}
	dst.Set(reflect.MakeMap(dst.Type()))
	for _, e := range list {
		child := join(path, e.key)
		d.at[child] = e.at
		value := reflect.New(dst.Type().Elem()).Elem()
		d.value(child, e.node, value)
		d.at[child] = e.at // the key is what a name that is not allowed is reported at
		dst.SetMapIndex(reflect.ValueOf(e.key), value)
	}
}

func (d *document) sequence(path string, node ast.Node, dst reflect.Value) {
	list, ok := node.(*ast.SequenceNode)
	if !ok {
		d.fail(path, "must be a list, not %s", describe(node))
		return
	}
	dst.Set(reflect.MakeSlice(dst.Type(), len(list.Values), len(list.Values)))
	for i, item := range list.Values {
		if d.nodes > maxNodes {
			return
		}
		d.value(fmt.Sprintf("%s[%d]", path, i), item, dst.Index(i))
	}
}

func (d *document) scalar(path string, node ast.Node, dst reflect.Value) {
	switch dst.Kind() {
	case reflect.String:
		if dst.Type() == reflect.TypeFor[durationText]() {
			if _, isNumber := number(node); isNumber {
				d.fail(path, "needs its unit: h, m or s, such as 100h")
				return
			}
		}
		switch n := node.(type) {
		case *ast.StringNode:
			d.text(path, n.Value, dst)
			return
		case *ast.LiteralNode:
			d.text(path, n.Value.Value, dst)
			return
		case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
			d.fail(path, "must be text, not %s; put it in quotes", describe(node))
			return
		}
	case reflect.Bool:
		if n, ok := node.(*ast.BoolNode); ok {
			dst.SetBool(n.Value)
			return
		}
	case reflect.Int64:
		v, ok := number(node)
		if ok && v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			dst.SetInt(int64(v))
			return
		}
		if ok {
			d.fail(path, "is %v; it must be a whole number below 2^53", v)
			return
		}
	case reflect.Float64:
		if v, ok := number(node); ok {
			dst.SetFloat(v)
			return
		}
	default:
		panic("BUG: the configuration has a field of kind " + dst.Kind().String())
	}
	d.fail(path, "must be %s, not %s", wanted(dst.Type()), describe(node))
}

// text sets a string. An empty one is refused, as an empty value is, except for a JSON pointer: there it
// means the whole payload.
func (d *document) text(path, text string, dst reflect.Value) {
	switch {
	case text == "" && dst.Type() != reflect.TypeFor[jsonPointer]():
		d.fail(path, "is empty; give text or remove the key")
	case !utf8.ValidString(text):
		d.fail(path, "is not UTF-8")
	case strings.ContainsFunc(text, unicode.IsControl):
		d.fail(path, "holds a control character or a line break; write one line of text")
	default:
		dst.SetString(text)
	}
}

// number is the finite value of a number in the file.
func number(node ast.Node) (float64, bool) {
	switch n := node.(type) {
	case *ast.FloatNode:
		return n.Value, !math.IsInf(n.Value, 0) && !math.IsNaN(n.Value)
	case *ast.IntegerNode:
		switch v := n.Value.(type) {
		case int64:
			return float64(v), true
		case uint64:
			return float64(v), true
		}
	case *ast.StringNode:
		if n.Token.Type == token.StringType && coreNumber.MatchString(n.Value) {
			v, err := strconv.ParseFloat(n.Value, 64)
			return v, err == nil
		}
	}
	return 0, false
}

// coreNumber is a decimal number of YAML's core schema (YAML 1.2.2, section 10.3.2). The library reads
// some of them as plain text: 1e-3, or one with more than 19 digits.
var coreNumber = regexp.MustCompile(`^[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?$`)

// wanted names what a Go type of the file looks like in YAML.
func wanted(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Pointer:
		return wanted(t.Elem())
	case reflect.Bool:
		return "true or false"
	case reflect.Int64:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "a mapping"
	default:
		return "text"
	}
}

// describe names what a node is, not what it says: it may be a secret.
func describe(node ast.Node) string {
	switch node.(type) {
	case *ast.StringNode, *ast.LiteralNode:
		return "text"
	case *ast.IntegerNode, *ast.FloatNode:
		return "a number"
	case *ast.InfinityNode:
		return "infinity"
	case *ast.NanNode:
		return "NaN"
	case *ast.BoolNode:
		return "true or false"
	case *ast.SequenceNode:
		return "a list"
	case ast.MapNode:
		return "a mapping"
	case *ast.NullNode:
		return "nothing"
	default:
		return "this"
	}
}

// fieldsOf maps the keys of a struct of the file to its fields, and lists them in order.
func fieldsOf(t reflect.Type) (index map[string]int, names []string) {
	index = make(map[string]int, t.NumField())
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ",")
		index[name] = i
		names = append(names, name)
	}
	return index, names
}

// required reports whether a key must be present; the same tag makes it required in the JSON Schema.
func required(f reflect.StructField) bool { return f.Tag.Get("jsonschema") == "required" }

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
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
