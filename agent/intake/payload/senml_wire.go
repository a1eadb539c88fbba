package payload

import (
	"encoding/json"
	"math"
	"math/big"
	"strconv"

	"github.com/fxamacker/cbor/v2"
)

// mostRecords is how many records one pack may have: ten minutes at 100 Hz.
const mostRecords = 1 << 16

// senmlRecords reads the records of a pack. In CBOR a pack begins with a byte of an array (RFC 8949, section 3: major type
// 4), which is no text in UTF-8.
func senmlRecords(payload []byte) ([]senmlRecord, *Error) {
	const majorArray, majorMask = 4 << 5, 7 << 5
	if payload[0]&majorMask == majorArray {
		return senmlCBOR(payload)
	}
	doc, bad := parseJSON(payload)
	if bad != nil {
		return nil, bad
	}
	pack, ok := doc.([]any)
	if !ok {
		return nil, refuse(Syntax, "the payload is %s; %v", kindOf(doc), errNoPack)
	}
	records := make([]senmlRecord, len(pack))
	for i, element := range pack {
		fields, ok := element.(map[string]any)
		if !ok {
			return nil, refuse(Syntax, "record %d is %s; %v", i, kindOf(element), errNoPack)
		}
		for name, v := range fields {
			number, ok := v.(json.Number)
			if !ok {
				continue
			}
			f, err := strconv.ParseFloat(number.String(), 64)
			if err != nil {
				return nil, refuse(NotANumber, "record %d: %s is too large for a float64", i, excerpt([]byte(name)))
			}
			fields[name] = f
		}
		records[i] = fields
	}
	return checkRecords(records)
}

func checkRecords(records []senmlRecord) ([]senmlRecord, *Error) {
	switch {
	case len(records) == 0:
		return nil, refuse(Empty, "the pack has no records")
	case len(records) > mostRecords:
		return nil, refuse(TooLarge, "the pack has %d records; allowed are %d", len(records), mostRecords)
	}
	return records, nil
}

// senmlLabels are the numbers that stand for field names in CBOR (RFC 8428, section 6, table 4).
var senmlLabels = map[int64]string{
	-1: senmlBaseVersion, -2: senmlBaseName, -3: senmlBaseTime, -4: senmlBaseUnit, -5: senmlBaseValue, -6: "bs",
	0: senmlName, 1: senmlUnit, 2: senmlValue, 3: senmlText, 4: senmlTruth, 5: "s", 6: senmlTime, 7: "ut", 8: "vd",
}

// senmlReader limits what a hostile pack can cost.
var senmlReader = func() cbor.DecMode {
	mode, err := cbor.DecOptions{
		DupMapKey: cbor.DupMapKeyEnforcedAPF, MaxNestedLevels: 8, MaxArrayElements: mostRecords, MaxMapPairs: 64,
		IntDec: cbor.IntDecConvertSignedOrBigInt,
	}.DecMode()
	if err != nil {
		panic("BUG: " + err.Error())
	}
	return mode
}()

func senmlCBOR(payload []byte) ([]senmlRecord, *Error) {
	var pack []map[any]any
	if err := senmlReader.Unmarshal(payload, &pack); err != nil {
		return nil, refuse(Syntax, "not a pack in CBOR: %.200s", err)
	}
	records := make([]senmlRecord, len(pack))
	for i, fields := range pack {
		r := make(senmlRecord, len(fields))
		for label, v := range fields {
			name, ok := label.(string)
			if n, isNumber := label.(int64); isNumber {
				name, ok = senmlLabels[n]
				if !ok {
					continue // a label of the future, which may be ignored
				}
			}
			if !ok {
				return nil, refuse(Syntax, "record %d: a field is neither named by text nor by a number", i)
			}
			if f, isNumber := cborNumber(v); isNumber {
				v = f
			}
			r[name] = v
		}
		records[i] = r
	}
	return checkRecords(records)
}

// cborNumber reads integers, floating-point numbers and decimal fractions (tag 4 of RFC 8949), which RFC 8428, section 6
// allows for numbers.
func cborNumber(v any) (float64, bool) {
	switch x := v.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, true
	case float32:
		return float64(x), true
	case big.Int:
		f, _ := new(big.Float).SetInt(&x).Float64()
		return f, true
	case cbor.Tag:
		parts, ok := x.Content.([]any)
		if x.Number != 4 || !ok || len(parts) != 2 {
			return 0, false
		}
		exponent, ok1 := parts[0].(int64)
		mantissa, ok2 := parts[1].(int64)
		if !ok1 || !ok2 || exponent < -400 || exponent > 400 {
			return 0, false
		}
		// As text, because 273 * 10^-1 is then the nearest number to 27.3.
		f, err := strconv.ParseFloat(strconv.FormatInt(mantissa, 10)+"e"+strconv.FormatInt(exponent, 10), 64)
		return f, err == nil && !math.IsInf(f, 0)
	}
	return 0, false
}
