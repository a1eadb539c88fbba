package recording

import (
	"errors"
	"io"

	"diastole/agent/intake"
)

// Merge reads several recordings as one, by arrival time. Messages of one recording keep their order, even
// where its clock stepped back; at equal times the recording that was named first comes first.
type Merge struct {
	readers []*Reader
	heads   []head
}

// head is the next message of a reader, where there is one.
type head struct {
	message intake.Message
	ready   bool
}

// NewMerge merges readers, which stay the caller's to close.
func NewMerge(readers ...*Reader) *Merge {
	return &Merge{readers: readers, heads: make([]head, len(readers))}
}

// Next is the next message; io.EOF is the end of all. After a *LineError it can be called again; any other
// error concerns one recording, and the call after it goes on with the others.
func (m *Merge) Next() (intake.Message, error) {
	for i := range m.heads {
		if m.heads[i].ready || m.readers[i] == nil {
			continue
		}
		message, err := m.readers[i].Next()
		if err == nil {
			m.heads[i] = head{message, true}
			continue
		}
		if _, ok := errors.AsType[*LineError](err); !ok {
			m.readers[i] = nil
		}
		if !errors.Is(err, io.EOF) {
			return intake.Message{}, err
		}
	}
	first := -1
	for i, h := range m.heads {
		if h.ready && (first < 0 || h.message.Arrival.Before(m.heads[first].message.Arrival)) {
			first = i
		}
	}
	if first < 0 {
		return intake.Message{}, io.EOF
	}
	message := m.heads[first].message
	m.heads[first] = head{}
	return message, nil
}
