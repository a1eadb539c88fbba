package payload

import (
	"bytes"
	"math"
	"strconv"
)

// decimal is a number as it stands in the text: mantissa * 10^exponent, negated if so.
type decimal struct {
	text     []byte
	mantissa uint64
	exponent int
	negative bool
	// exact is false where digits did not fit into the mantissa.
	exact bool
}

// grammar tells which way of writing a number is accepted.
type grammar bool

const (
	// jsonNumber is the number of RFC 8259, section 6.
	jsonNumber grammar = false
	// plainText also allows what controllers print: a plus sign, leading zeros, ".5" and "5.".
	plainText grammar = true
)

// exponentLimit keeps a senseless exponent from overflowing; float64 ends at 308.
const exponentLimit = 100_000

// scanDecimal reads the longest number at the beginning of b; n is its length, 0 where there is none.
func scanDecimal(b []byte, g grammar) (d decimal, n int) {
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+' && g == plainText) {
		d.negative = b[i] == '-'
		i++
	}
	first := i
	kept, dropped := d.addDigits(b[i:])
	whole := kept + dropped
	d.exponent = dropped
	d.exact = dropped == 0
	i += whole
	if g == jsonNumber && (whole == 0 || whole > 1 && b[first] == '0') {
		return decimal{}, 0
	}
	fraction := 0
	if i < len(b) && b[i] == '.' {
		kept, dropped = d.addDigits(b[i+1:])
		fraction = kept + dropped
		d.exponent -= kept
		d.exact = d.exact && dropped == 0
		i += 1 + fraction
		if g == jsonNumber && fraction == 0 {
			return decimal{}, 0
		}
	}
	if whole+fraction == 0 {
		return decimal{}, 0
	}
	if i < len(b) && (b[i] == 'e' || b[i] == 'E') {
		e, length := scanExponent(b[i+1:])
		if length == 0 {
			return decimal{}, 0
		}
		d.exponent += e
		i += 1 + length
	}
	d.text = b[:i]
	return d, i
}

// addDigits puts the digits at the beginning of b behind those of the mantissa, as far as they fit: kept
// and dropped are how many did and did not.
func (d *decimal) addDigits(b []byte) (kept, dropped int) {
	const room = 1e18 // below it, one more digit fits into a uint64
	m := d.mantissa
	i := 0
	for ; i < len(b) && isDigit(b[i]) && m < room; i++ {
		m = m*10 + uint64(b[i]-'0')
	}
	d.mantissa, kept = m, i
	for ; i < len(b) && isDigit(b[i]); i++ {
		dropped++
	}
	return kept, dropped
}

func scanExponent(b []byte) (e, n int) {
	i := 0
	negative := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	first := i
	for ; i < len(b) && isDigit(b[i]); i++ {
		if e < exponentLimit {
			e = e*10 + int(b[i]-'0')
		}
	}
	if i == first {
		return 0, 0
	}
	if negative {
		e = -e
	}
	return e, i
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// powersOfTen are the powers of ten that a float64 holds exactly.
var powersOfTen = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// float is the nearest float64; ok is false where it is not finite. A mantissa below 2^53 and a power of ten
// up to 22 are both exact in float64, so one multiplication or division rounds correctly (Clinger, "How to
// Read Floating Point Numbers Accurately", PLDI 1990, section 4); all else is left to strconv.
func (d decimal) float() (v float64, ok bool) {
	const exactIntegers = 1 << 53
	if !d.exact || d.mantissa >= exactIntegers || d.exponent < -22 || d.exponent > 22 {
		v, err := strconv.ParseFloat(string(d.text), 64)
		return v, err == nil
	}
	v = float64(d.mantissa)
	if d.exponent < 0 {
		v /= powersOfTen[-d.exponent]
	} else {
		v *= powersOfTen[d.exponent]
	}
	if d.negative {
		v = -v
	}
	return v, true
}

// scaled is the number times 10^shift as an integer, rounded half away from zero and computed without
// float64: an epoch in nanoseconds has more digits than a float64 holds.
func (d decimal) scaled(shift int) (v int64, ok bool) {
	m, e := d.mantissa, d.exponent+shift
	for ; e > 0 && m != 0; e-- {
		if m > math.MaxInt64/10 {
			return 0, false
		}
		m *= 10
	}
	if e < -19 { // a uint64 is less than 10^20
		m, e = 0, 0
	}
	if e < 0 {
		divisor := uint64(1)
		for ; e < 0; e++ {
			divisor *= 10
		}
		remainder := m % divisor
		m /= divisor
		if remainder >= divisor-remainder {
			m++
		}
	}
	if m > math.MaxInt64 {
		return 0, false
	}
	if d.negative {
		return -int64(m), true
	}
	return int64(m), true
}

// parseText reads text that is one number and nothing else, or true and false where bit allows it.
func parseText(text []byte, bit bool) (float64, *Error) {
	t := bytes.TrimSpace(text)
	if len(t) == 0 {
		return 0, refuse(Empty, "the text is blank; allowed is one number")
	}
	if bit && string(t) == "true" {
		return 1, nil
	}
	if bit && string(t) == "false" {
		return 0, nil
	}
	d, n := scanDecimal(t, plainText)
	if n == 0 || n < len(t) {
		allowed := "one decimal number such as 4.25 or 1e-3"
		if bit {
			allowed += ", true or false"
		}
		return 0, refuse(NotANumber, "%s is not a number; allowed is %s", excerpt(t), allowed)
	}
	v, ok := d.float()
	if !ok {
		return 0, refuse(NotANumber, "%s is too large for a float64", excerpt(t))
	}
	return v, nil
}
