package recording

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"diastole/agent/intake"
)

// Writer writes a recording. It is one goroutine's. The same messages give the same bytes.
type Writer struct {
	path    string
	file    *os.File
	out     *bufio.Writer
	pack    packer // nil where the file is not packed
	encoder *json.Encoder
}

// packer is what gzip and zstd writers have in common.
type packer interface {
	io.WriteCloser
	Flush() error
}

// Create begins a recording, packed by the ending of its name. A file that is already there is left alone and
// is an error: a recording cannot be made again.
func Create(path string) (*Writer, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("recording %s exists; name another file, nothing is overwritten: %w", path, fs.ErrExist)
	}
	if err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	w := &Writer{path: path, file: f}
	w.out = bufio.NewWriterSize(f, 64<<10)
	switch compressionOf(path) {
	case gz:
		w.pack = gzip.NewWriter(w.out)
	case zst:
		z, err := zstd.NewWriter(w.out, zstd.WithEncoderConcurrency(1))
		if err != nil {
			return nil, errors.Join(fmt.Errorf("recording %s: %w", path, err), f.Close())
		}
		w.pack = z
	}
	if w.pack != nil {
		w.encoder = newEncoder(w.pack)
	} else {
		w.encoder = newEncoder(w.out)
	}
	return w, nil
}

func newEncoder(out io.Writer) *json.Encoder {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false) // payloads stay readable
	return e
}

// Write appends a message. It reaches the file with Sync or Close at the latest.
func (w *Writer) Write(m intake.Message) error {
	l, err := lineOf(m)
	if err == nil {
		err = w.encoder.Encode(l)
	}
	return w.wrap(err)
}

// Sync puts all messages so far safely on the disk: what a crash leaves behind can be read up to here.
func (w *Writer) Sync() error {
	var err error
	if w.pack != nil {
		err = w.pack.Flush()
	}
	return w.wrap(errors.Join(err, w.out.Flush(), w.file.Sync()))
}

// Close ends the recording and puts it safely on the disk.
func (w *Writer) Close() error {
	var err error
	if w.pack != nil {
		err = w.pack.Close()
	}
	return w.wrap(errors.Join(err, w.out.Flush(), w.file.Sync(), w.file.Close()))
}

// wrap says which recording an error is about.
func (w *Writer) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("recording %s: %w", w.path, err)
}
