package config

import (
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// maxNodes bounds the values that a file may unfold to, so that aliases of aliases cannot fill memory.
const maxNodes = 1 << 19

// maxMerges bounds how deep merges may stand in each other.
const maxMerges = 8

// laterKeys is implemented by a struct of the file that has keys which are refused with a reason of
// their own: promised but not supported yet, or dangerous. It maps each to the rest of the sentence
// that begins with the key.
type laterKeys interface{ laterKeys() map[string]string }

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
	if l, ok := reflect.TypeAssert[laterKeys](dst); ok {
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
