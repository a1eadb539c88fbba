package payload

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/agent/config"
	"diastole/detect/signal"
)

func edgesCodec(t testing.TB) *Codec {
	t.Helper()
	return codecFor(t, config.Channel{Channel: signal.StrokeEdge, Format: config.FormatEdges})
}

func TestDecodeEdges(t *testing.T) {
	c := edgesCodec(t)
	first := time.Date(2026, 3, 1, 0, 0, 1, 250e6, time.UTC) // 1772323201.25 s since 1970
	want := []signal.Chunk{
		{Channel: signal.StrokeEdge, Start: first, Values: []float64{0}},
		{Channel: signal.StrokeEdge, Start: first.Add(307 * time.Millisecond), Values: []float64{0}},
	}
	for _, payload := range []string{
		`{"t":["2026-03-01T00:00:01.25Z","2026-03-01T01:00:01.557+01:00"]}`,
		`{"t":[1772323201.25,1772323201.557]}`,
		` { "side": "left", "t" : [ 1.77232320125e9 , "2026-03-01T00:00:01.557Z" ] } `,
	} {
		got, err := c.Decode(new(Samples), []byte(payload), arrival)
		if err != nil {
			t.Errorf("%s: %v", payload, err)
			continue
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", payload, diff)
		}
	}
	bad := func(payload string, want Reason, text string) {
		t.Helper()
		checkRefused(t, c, payload, want, text)
	}
	bad(``, Empty, "empty")
	bad(`{"t":[]}`, Empty, "t has no times")
	bad(`{}`, Missing, `there is no "t"`)
	bad(`{"t":"2026-03-01T00:00:01Z"}`, Syntax, "is not a list")
	bad(`[1772323201]`, Syntax, "the payload is a JSON array")
	bad(`{"t":[1772323201,]}`, Syntax, "not JSON")
	bad(`{"t":[1772323201,null]}`, NotANumber, "t[1]: null is no time")
	bad(`{"t":["1772323201"]}`, Syntax, "t[0]: ")
	bad(`{"t":["2026-03-01 00:00:01"]}`, Syntax, "is not an RFC 3339 time")
	bad(`{"t":[1772323201000]}`, Clock, "further than a time can reach")
	bad(`{"t":[12]}`, Clock, "lies before 2000")
	bad(`{"t":[1772323201,1772420000]}`, Clock, "ahead of its arrival")
	bad(`{"t":[`+strings.Repeat("1,", mostEdges)+`1]}`, TooLarge, "32769 times; allowed are 32768")
}

// Whatever times are written, to the nanosecond, are read again.
func TestEdgesKeepEveryNanosecond(t *testing.T) {
	c := edgesCodec(t)
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.SliceOfN(rapid.Int64Range(earliest.UnixNano(), arrival.UnixNano()), 1, 50).Draw(t, "ns")
		var list []string
		for i, n := range ns {
			if i%2 == 0 {
				list = append(list, fmt.Sprintf("%d.%09d", n/1e9, n%1e9))
			} else {
				list = append(list, `"`+time.Unix(0, n).UTC().Format(time.RFC3339Nano)+`"`)
			}
		}
		got, err := c.Decode(new(Samples), []byte(`{"t":[`+strings.Join(list, ",")+`]}`), arrival)
		if err != nil || len(got) != len(ns) {
			t.Fatalf("%d edges, %v", len(got), err)
		}
		for i, n := range ns {
			if got[i].Start.UnixNano() != n || got[i].Values[0] != 0 || got[i].Step != 0 {
				t.Fatalf("edge %d is %v, want %d ns", i, got[i], n)
			}
		}
	})
}

func FuzzEdges(f *testing.F) {
	for _, s := range []string{
		`{"t":["2026-03-01T00:00:01.25Z",1772323201.557]}`, `{"t":[]}`, `{"t":[null]}`, `{"t":[1e400]}`, `{"t":[-0]}`, `null`, `[]`,
	} {
		f.Add([]byte(s))
	}
	c := edgesCodec(f)
	f.Fuzz(func(t *testing.T, payload []byte) { checkDecode(t, c, payload) })
}
