package config

import (
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// scalar sets a text, number or truth value.
func (d *document) scalar(path string, node ast.Node, dst reflect.Value) {
	switch dst.Kind() {
	case reflect.String:
		if text, ok := reflect.TypeAssert[UnitText](dst); ok {
			if _, isNumber := number(node); isNumber {
				d.fail(path, "needs its unit: %s", text.NeedsUnit())
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
