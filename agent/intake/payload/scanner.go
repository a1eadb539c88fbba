package payload

import "time"

// scanner walks over the usual form of a waveform in one pass, without reflection and without allocating:
// hundreds of pumps send a few of these a second each. It takes the three members, each once, in any order
// and with any white space. On anything else it gives up without a reason.
type scanner struct {
	b []byte
	i int
}

// waveform appends the values to dst[:0].
func (s *scanner) waveform(dst []float64) (start time.Time, step time.Duration, values []float64, ok bool) {
	if !s.take('{') {
		return
	}
	var haveT, haveDT, haveV bool
	for n := range 3 {
		if n > 0 && !s.take(',') {
			return
		}
		name, fine := s.plainString()
		if !fine || !s.take(':') {
			return
		}
		switch {
		case string(name) == "t" && !haveT:
			haveT = true
			text, fine := s.plainString()
			if !fine || start.UnmarshalText(text) != nil {
				return
			}
		case string(name) == "dt" && !haveDT:
			haveDT = true
			seconds, fine := s.number()
			if !fine {
				return
			}
			if step, fine = toStep(seconds); !fine {
				return
			}
		case string(name) == "v" && !haveV:
			haveV = true
			if values, fine = s.numbers(dst[:0]); !fine {
				return
			}
		default:
			return
		}
	}
	if !s.take('}') {
		return
	}
	s.space()
	return start, step, values, s.i == len(s.b)
}

// numbers reads a list of at least one number.
func (s *scanner) numbers(dst []float64) ([]float64, bool) {
	if !s.take('[') {
		return nil, false
	}
	for {
		v, ok := s.number()
		if !ok {
			return nil, false
		}
		dst = append(dst, v)
		if s.take(']') {
			return dst, true
		}
		if !s.take(',') {
			return nil, false
		}
	}
}

func (s *scanner) number() (float64, bool) {
	s.space()
	d, n := scanDecimal(s.b[s.i:], jsonNumber)
	if n == 0 {
		return 0, false
	}
	s.i += n
	return d.float()
}

// plainString reads a string of ASCII characters without escapes.
func (s *scanner) plainString() ([]byte, bool) {
	if !s.take('"') {
		return nil, false
	}
	first := s.i
	for ; s.i < len(s.b); s.i++ {
		switch c := s.b[s.i]; {
		case c == '"':
			s.i++
			return s.b[first : s.i-1], true
		case c < ' ' || c > '~' || c == '\\':
			return nil, false
		}
	}
	return nil, false
}

// take skips white space and then c, if it stands there.
func (s *scanner) take(c byte) bool {
	s.space()
	if s.i < len(s.b) && s.b[s.i] == c {
		s.i++
		return true
	}
	return false
}

// space skips the white space of JSON (RFC 8259, section 2).
func (s *scanner) space() {
	for s.i < len(s.b) && (s.b[s.i] == ' ' || s.b[s.i] == '\n' || s.b[s.i] == '\r' || s.b[s.i] == '\t') {
		s.i++
	}
}
