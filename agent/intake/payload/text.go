package payload

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"

	"diastole/detect/signal"
)

// parse reads text as what the channel measures: one number, true or false of a contact, or the name of a state.
func (c *Codec) parse(text []byte) (float64, *Error) {
	if c.channel == signal.ServiceState {
		return c.state(string(bytes.TrimSpace(text)))
	}
	return parseText(text, isBit(c.channel))
}

// state looks a state up as the configuration's states name it.
func (c *Codec) state(text string) (float64, *Error) {
	if s, ok := c.states[text]; ok {
		return float64(s), nil
	}
	// A controller that counts its states may write 2 as 2.0 or +2.
	if d, n := scanDecimal([]byte(text), plainText); n > 0 && n == len(text) {
		if v, ok := d.float(); ok {
			if s, ok := c.states[plain(v)]; ok {
				return float64(s), nil
			}
		}
	}
	return 0, refuse(Unmapped, "%s is no state; states names %s", excerpt([]byte(text)),
		strings.Join(slices.Sorted(maps.Keys(c.states)), ", "))
}

// number reads a number that needs no parsing, such as one of CBOR or Sparkplug.
func (c *Codec) number(v float64) (float64, *Error) {
	if c.channel == signal.ServiceState {
		return c.state(plain(v))
	}
	return v, nil
}

func plain(v float64) string { return fmt.Sprintf("%.15g", v) }

// truth reads a truth value, which is a number of a contact only.
func (c *Codec) truth(v bool) (float64, *Error) { return c.parse(fmt.Append(nil, v)) }
