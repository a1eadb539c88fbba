package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"diastole/agent/intake"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// readAll reads to the end; bad lines are collected as text.
func readAll(t testing.TB, next func() (intake.Message, error)) (messages []intake.Message, bad []string) {
	t.Helper()
	for {
		m, err := next()
		var le *LineError
		switch {
		case err == nil:
			messages = append(messages, m)
		case errors.Is(err, io.EOF):
			return messages, bad
		case errors.As(err, &le):
			bad = append(bad, err.Error())
		default:
			t.Fatal(err)
		}
	}
}

func writeAll(t testing.TB, path string, messages []intake.Message) {
	t.Helper()
	w, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range messages {
		if err := w.Write(m); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

var message = rapid.Custom(func(t *rapid.T) intake.Message {
	zone := rapid.SampledFrom([]*time.Location{time.UTC, time.FixedZone("", 3600)}).Draw(t, "zone")
	return intake.Message{
		Arrival: time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).In(zone),
		Topic:   rapid.StringN(1, 20, -1).Draw(t, "topic"),
		Payload: rapid.OneOf(
			rapid.SliceOfN(rapid.Byte(), 0, 40),
			rapid.Map(rapid.String(), func(s string) []byte { return []byte(s) }),
		).Draw(t, "payload"),
		Retained: rapid.Bool().Draw(t, "retained"),
	}
})

func TestRoundTrip(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		messages := rapid.SliceOfN(message, 0, 10).Draw(rt, "messages")
		n++
		path := filepath.Join(dir, fmt.Sprintf("%d.ndjson%s", n, rapid.SampledFrom([]string{"", ".gz", ".zst"}).Draw(rt, "ending")))
		writeAll(t, path, messages)
		r, err := Open(path)
		if err != nil {
			rt.Fatal(err)
		}
		got, bad := readAll(t, r.Next)
		if err := r.Close(); err != nil {
			rt.Error(err)
		}
		if diff := cmp.Diff(messages, got, cmpopts.EquateEmpty()); diff != "" || bad != nil {
			rt.Fatalf("bad lines %q (-written +read):\n%s", bad, diff)
		}
	})
}

func TestLineAsInTheContract(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "r.ndjson")
	at := t0.Add(1500 * time.Millisecond)
	writeAll(t, path, []intake.Message{
		{Arrival: at, Topic: "north/p101/air", Payload: []byte(`{"v":"<a>"}`)},
		{Arrival: at, Topic: "north/p101/strokes", Payload: []byte{0xff, 0x00}, Retained: true},
		{Arrival: at, Topic: "north/p101/strokes"},
	})
	want := `{"time":"2026-03-01T00:00:01.5Z","topic":"north/p101/air","payload":"{\"v\":\"<a>\"}"}
{"time":"2026-03-01T00:00:01.5Z","topic":"north/p101/strokes","payload_base64":"/wA=","retained":true}
{"time":"2026-03-01T00:00:01.5Z","topic":"north/p101/strokes","payload":""}
`
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestSameMessagesGiveTheSameBytes(t *testing.T) {
	dir := t.TempDir()
	messages := []intake.Message{{Arrival: t0, Topic: "a", Payload: []byte("1")}, {Arrival: t0, Topic: "b", Payload: []byte("2")}}
	for _, ending := range []string{".gz", ".zst"} {
		var files [2][]byte
		for i := range files {
			path := filepath.Join(dir, fmt.Sprint(i)+ending)
			writeAll(t, path, messages)
			var err error
			if files[i], err = os.ReadFile(path); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(files[0], files[1]) {
			t.Errorf("%s: two recordings of the same messages differ", ending)
		}
	}
}

func TestCreateDoesNotOverwrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "r.ndjson")
	if err := os.WriteFile(path, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Create(path); !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "nothing is overwritten") {
		t.Errorf("creating over a file gave %v", err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "precious" {
		t.Errorf("the file now holds %q (%v)", got, err)
	}
}

func TestWriterRefusesWhatItCannotHold(t *testing.T) {
	w, err := Create(filepath.Join(t.TempDir(), "r.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	for _, m := range []intake.Message{
		{Arrival: t0, Topic: ""}, {Arrival: t0, Topic: "\xff"}, {Arrival: t0.AddDate(9000, 0, 0), Topic: "a"},
	} {
		if err := w.Write(m); err == nil {
			t.Errorf("%v was written", m)
		}
	}
}

func TestBadLinesAreNamedAndPassed(t *testing.T) {
	in := strings.Join([]string{
		`{"time":"2026-03-01T00:00:00Z","topic":"a","payload":"1","note":"more is allowed"}`,
		``,
		`nonsense`,
		`{"topic":"a","payload":"1"}`,
		`{"time":"yesterday","topic":"a","payload":"1"}`,
		`{"time":"2026-03-01T00:00:00Z","payload":"1"}`,
		`{"time":"2026-03-01T00:00:00Z","topic":"a"}`,
		`{"time":"2026-03-01T00:00:00Z","topic":"a","payload":"1","payload_base64":"MQ=="}`,
		`{"time":"2026-03-01T00:00:00Z","topic":"a","payload_base64":"!"}`,
		"{\"time\":\"2026-03-01T00:00:00Z\",\"topic\":\"a\",\"payload\":\"\xff\"}",
		`{"time":"2026-03-01T00:00:00Z","topic":"a","payload":1}`,
		strings.Repeat(" ", maxLine+1),
		`{"time":"2026-03-01T02:00:01+02:00","topic":"b","payload_base64":"/w=="}` + "\r",
		`{"time":"2026-03-01T00:00:02Z","topic":"c","payload":""}`, // no end of line
	}, "\n")
	r := NewReader("field.ndjson", strings.NewReader(in))
	got, bad := readAll(t, r.Next)
	want := []intake.Message{
		{Arrival: t0, Topic: "a", Payload: []byte("1")},
		{Arrival: t0.Add(time.Second), Topic: "b", Payload: []byte{0xff}},
		{Arrival: t0.Add(2 * time.Second), Topic: "c", Payload: []byte{}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for i, text := range []string{
		"field.ndjson:3: no message", `field.ndjson:4: "time" is missing`, "field.ndjson:5: no message",
		`field.ndjson:6: "topic" is missing`, `field.ndjson:7: there must be one of`, `field.ndjson:8: there must be one of`,
		"field.ndjson:9: no message", "field.ndjson:10: the line is not UTF-8", "field.ndjson:11: no message",
		"field.ndjson:12: the line is longer than",
	} {
		if i >= len(bad) || !strings.HasPrefix(bad[i], text) {
			t.Errorf("bad lines %q; want the %dth to begin with %q", bad, i+1, text)
		}
	}
	if r.BadLines() != 10 || len(bad) != 10 {
		t.Errorf("%d bad lines counted, %d told; want 10", r.BadLines(), len(bad))
	}
}

// What was synced survives a crash, and where the file breaks off is an error, not an end.
func TestTornFilesAreReadUpToTheTear(t *testing.T) {
	for _, ending := range []string{".gz", ".zst"} {
		path := filepath.Join(t.TempDir(), "r.ndjson"+ending)
		w, err := Create(path)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 100 {
			if err := w.Write(intake.Message{Arrival: t0, Topic: "a", Payload: fmt.Append(nil, i)}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Sync(); err != nil {
			t.Fatal(err)
		}
		// The process dies here: the file is read as it is.
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for ; err == nil; n++ {
			_, err = r.Next()
		}
		if n-1 != 100 || errors.Is(err, io.EOF) || !strings.Contains(err.Error(), "breaks off") {
			t.Errorf("%s: %d messages and %v; want 100 and a torn end", ending, n-1, err)
		}
		if _, again := r.Next(); !errors.Is(again, err) {
			t.Errorf("%s: after the torn end comes %v", ending, again)
		}
		if err := errors.Join(r.Close(), w.Close()); err != nil {
			t.Error(err)
		}
	}
}

func TestFilesThatAreNotPackedAsTheirNameSays(t *testing.T) {
	for _, name := range []string{"empty.gz", "text.gz", "text.zst"} {
		path := filepath.Join(t.TempDir(), name)
		text := `{"time":"2026-03-01T00:00:00Z","topic":"a","payload":"1"}`
		if strings.HasPrefix(name, "empty") {
			text = ""
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		if err == nil {
			_, err = r.Next()
		}
		if err == nil || errors.Is(err, io.EOF) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s gave %v", name, err)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "absent.ndjson")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an absent file gave %v", err)
	}
}

func TestMergeByArrival(t *testing.T) {
	recording := func(lines ...string) *Reader {
		var b strings.Builder
		for _, l := range lines {
			second, topic, ok := strings.Cut(l, " ")
			if !ok {
				b.WriteString(l + "\n")
				continue
			}
			fmt.Fprintf(&b, `{"time":"2026-03-01T00:00:0%sZ","topic":%q,"payload":""}`+"\n", second, topic)
		}
		return NewReader("r", strings.NewReader(b.String()))
	}
	m := NewMerge(
		recording("1 a", "4 a", "2 a", "9 a"), // its clock stepped back: the order stays
		recording(),
		recording("1 b", "bad", "3 b", "9 b"),
	)
	got, bad := readAll(t, m.Next)
	var order []string
	for _, m := range got {
		order = append(order, fmt.Sprint(m.Arrival.Second(), m.Topic))
	}
	if diff := cmp.Diff([]string{"1a", "1b", "3b", "4a", "2a", "9a", "9b"}, order); diff != "" || len(bad) != 1 {
		t.Errorf("bad %q (-want +got):\n%s", bad, diff)
	}
}

// A recording that breaks off ends; the others go on.
func TestMergeOutlivesABrokenRecording(t *testing.T) {
	broken := NewReader("broken", io.MultiReader(
		strings.NewReader(`{"time":"2026-03-01T00:00:00Z","topic":"a","payload":""}`+"\n"), failing{}))
	whole := NewReader("whole", strings.NewReader(`{"time":"2026-03-01T00:00:05Z","topic":"b","payload":""}`+"\n"))
	m := NewMerge(broken, whole)
	var topics, errs []string
	for {
		msg, err := m.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			errs = append(errs, err.Error())
			continue
		}
		topics = append(topics, msg.Topic)
	}
	if diff := cmp.Diff([]string{"a", "b"}, topics); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"broken:2: the recording breaks off: the disk is gone"}, errs); diff != "" {
		t.Error(diff)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }

// The recordings of other origin, where they are at hand, are read without a bad line.
func TestSharedRecordings(t *testing.T) {
	files, err := filepath.Glob("../../../../shared/recordings/*.ndjson.gz")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Skip("../shared/recordings is not here")
	}
	for _, path := range files[:min(2, len(files))] {
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		messages, bad := readAll(t, r.Next)
		if len(messages) < 8000 || len(bad) != 0 {
			t.Errorf("%s: %d messages, bad lines %q", filepath.Base(path), len(messages), bad)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
}

func FuzzReader(f *testing.F) {
	f.Add([]byte(`{"time":"2026-03-01T00:00:00Z","topic":"a","payload":"1"}` + "\n" + `{"time":"2026-03-01T00:00:00Z","topic":"a","payload_base64":"/w==","retained":true}`))
	f.Add([]byte("nonsense\n\n{}\n[]\nnull\n{\"time\":null}"))
	f.Add([]byte(`{"time":"0000-01-01T00:00:00+23:59","topic":"a","payload":""}`))
	f.Add([]byte(`{"time":"2026-03-01T00:00:00+23:59","topic":"\ud800","payload":"\u0000"}`))
	f.Fuzz(func(t *testing.T, in []byte) {
		r := NewReader("fuzz", bytes.NewReader(in))
		messages, _ := readAll(t, r.Next)
		var out bytes.Buffer
		e := newEncoder(&out)
		for _, m := range messages {
			l, err := lineOf(m)
			if err == nil {
				err = e.Encode(l)
			}
			if err != nil {
				t.Fatalf("%v was read and cannot be written: %v", m, err)
			}
		}
		again := NewReader("again", &out)
		got, bad := readAll(t, again.Next)
		if diff := cmp.Diff(messages, got, cmpopts.EquateEmpty()); diff != "" || bad != nil {
			t.Fatalf("bad %q (-read +written and read):\n%s", bad, diff)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	data, err := os.ReadFile("../../../testdata/intake/two-bursts.ndjson")
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		r := NewReader("two-bursts.ndjson", bytes.NewReader(data))
		if messages, _ := readAll(b, r.Next); len(messages) != 72 {
			b.Fatal(len(messages))
		}
	}
}
