package recording

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"diastole/agent/intake"
)

// maxLine is the longest line that is read, bytes: a payload of the largest size that is decoded, with
// every byte escaped as \u00XX.
const maxLine = 8 << 20

// LineError is a line that is no message. Reading can go on behind it.
type LineError struct {
	File string
	Line int64
	Err  error
}

// Error is FILE:LINE: what is wrong.
func (e *LineError) Error() string { return fmt.Sprintf("%s:%d: %v", e.File, e.Line, e.Err) }

// Unwrap is what is wrong with the line.
func (e *LineError) Unwrap() error { return e.Err }

// Reader streams the messages of one recording. It is one goroutine's.
type Reader struct {
	name  string
	in    *bufio.Reader
	close []func() error
	line  int64
	bad   int64
	err   error
}

// Open opens a recording, unpacking it by the ending of its name.
func Open(path string) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	r, err := newReader(path, f, compressionOf(path))
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	r.close = append(r.close, f.Close)
	return r, nil
}

// NewReader reads a recording that is not packed; name stands in errors.
func NewReader(name string, in io.Reader) *Reader {
	return &Reader{name: name, in: bufio.NewReaderSize(in, 64<<10)}
}

func newReader(name string, in io.Reader, c compression) (*Reader, error) {
	switch c {
	case gz:
		z, err := gzip.NewReader(in)
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF // not even a header: io.EOF would read as a proper end
		}
		if err != nil {
			return nil, fmt.Errorf("%s: not gzip: %w", name, err)
		}
		r := NewReader(name, z)
		return r, nil // closing z would only repeat what Next has said
	case zst:
		// One at a time: no goroutine is left behind by a reader that is not closed.
		z, err := zstd.NewReader(in, zstd.WithDecoderConcurrency(1))
		if err != nil {
			return nil, fmt.Errorf("%s: not zstd: %w", name, err)
		}
		r := NewReader(name, z)
		r.close = append(r.close, func() error { z.Close(); return nil })
		return r, nil
	}
	return NewReader(name, in), nil
}

// Next is the next message, in the order of the file; io.EOF is its end. After a *LineError it can be called
// again and goes on with the following line; any other error is final and says how far the file was good.
// Blank lines are skipped.
func (r *Reader) Next() (intake.Message, error) {
	if r.err != nil {
		return intake.Message{}, r.err
	}
	for {
		b, tooLong, err := r.readLine()
		text := bytes.TrimSpace(b)
		switch {
		case err != nil && !errors.Is(err, io.EOF):
			// What stands before the break is a torn line.
			r.err = fmt.Errorf("%s:%d: the recording breaks off: %w", r.name, r.line, err)
			return intake.Message{}, r.err
		case tooLong:
			return intake.Message{}, r.badLine(fmt.Errorf("the line is longer than %d bytes", maxLine))
		case len(text) > 0:
			m, err := parseLine(text)
			if err != nil {
				return intake.Message{}, r.badLine(err)
			}
			return m, nil
		case err != nil:
			r.err = io.EOF
			return intake.Message{}, r.err
		}
	}
}

// BadLines is how many lines were no message so far.
func (r *Reader) BadLines() int64 { return r.bad }

// Close closes the file.
func (r *Reader) Close() error {
	var errs []error
	for _, f := range r.close {
		errs = append(errs, f())
	}
	r.close, r.err = nil, os.ErrClosed
	return errors.Join(errs...)
}

func (r *Reader) badLine(err error) error {
	r.bad++
	return &LineError{File: r.name, Line: r.line, Err: err}
}

// readLine reads to the end of a line. Of one that is too long it keeps nothing.
func (r *Reader) readLine() (b []byte, tooLong bool, err error) {
	r.line++
	for {
		part, err := r.in.ReadSlice('\n')
		if !tooLong {
			b = append(b, part...)
		}
		if len(b) > maxLine {
			b, tooLong = nil, true
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return b, tooLong, err
		}
	}
}
