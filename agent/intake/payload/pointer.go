package payload

import (
	"fmt"
	"strings"
)

// pointer is a JSON pointer (RFC 6901) as its unescaped reference tokens.
type pointer struct {
	text   string
	tokens []string
}

// parsePointer reads a pointer in its string form (RFC 6901, sections 3 and 4). The empty pointer is the
// whole document.
func parsePointer(s string) (pointer, error) {
	p := pointer{text: s}
	if s == "" {
		return p, nil
	}
	if s[0] != '/' {
		return p, fmt.Errorf("pointer %q must be empty or begin with / (RFC 6901)", s)
	}
	for token := range strings.SplitSeq(s[1:], "/") {
		for i := range len(token) {
			if token[i] == '~' && (i+1 == len(token) || token[i+1] != '0' && token[i+1] != '1') {
				return p, fmt.Errorf("pointer %q: ~ must be written ~0 and / inside a name ~1 (RFC 6901)", s)
			}
		}
		// "~1" first, then "~0": in this order "~01" becomes "~1" and not "/" (RFC 6901, section 4).
		token = strings.ReplaceAll(token, "~1", "/")
		p.tokens = append(p.tokens, strings.ReplaceAll(token, "~0", "~"))
	}
	return p, nil
}

// find walks a document as encoding/json decodes it into any.
func (p pointer) find(doc any) (any, *Error) {
	for i, token := range p.tokens {
		switch node := doc.(type) {
		case map[string]any:
			next, ok := node[token]
			if !ok {
				return nil, refuse(Missing, "%s: the object has no %q", p.upTo(i), token)
			}
			doc = next
		case []any:
			index, ok := arrayIndex(token, len(node))
			if !ok {
				return nil, refuse(Missing, "%s: the list of %d has no element %q", p.upTo(i), len(node), token)
			}
			doc = node[index]
		default:
			return nil, refuse(Missing, "%s is %s, which has nothing named %q inside", p.upTo(i), kindOf(node), token)
		}
	}
	return doc, nil
}

// upTo names the place that the first n tokens lead to.
func (p pointer) upTo(n int) string {
	if n == 0 {
		return "the payload"
	}
	escape := strings.NewReplacer("~", "~0", "/", "~1")
	var b strings.Builder
	for _, token := range p.tokens[:n] {
		b.WriteByte('/')
		b.WriteString(escape.Replace(token))
	}
	return b.String()
}

// arrayIndex reads a token as an index: digits without leading zeros (RFC 6901, section 4); "-" is the
// element after the last, which never exists.
func arrayIndex(token string, length int) (int, bool) {
	if token == "" || len(token) > 1 && token[0] == '0' {
		return 0, false
	}
	index := 0
	for i := range len(token) {
		if !isDigit(token[i]) {
			return 0, false
		}
		if index = index*10 + int(token[i]-'0'); index >= length {
			return 0, false
		}
	}
	return index, true
}
