package web

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"diastole/agent/event"
)

// The longest name and note that a person may give, in characters.
const (
	mostName = 80
	mostNote = 2000
)

// action is what a person says about a ticket, from a form or a JSON body.
type action struct {
	By      string        `json:"by"`
	Outcome event.Outcome `json:"outcome"`
	Note    string        `json:"note"`
}

// tidy trims the texts and checks them; outcome and note are asked for only when closing. The agent
// alone withdraws a ticket, so a person can only call it done or reject it.
func (a *action) tidy(closing bool) error {
	a.By, a.Note = strings.TrimSpace(a.By), strings.TrimSpace(a.Note)
	switch {
	case a.By == "":
		return unprocessable("by is missing: say who you are, a name or initials")
	case utf8.RuneCountInString(a.By) > mostName:
		return unprocessable("by is longer than 80 characters")
	case !printable(a.By, ""):
		return unprocessable("by must be plain text on one line")
	case !closing && (a.Outcome != "" || a.Note != ""):
		return unprocessable("an acknowledgement takes only by; outcome and note belong to closing")
	case closing && a.Outcome != event.Done && a.Outcome != event.Rejected:
		return unprocessable("outcome must be done or rejected")
	case utf8.RuneCountInString(a.Note) > mostNote:
		return unprocessable("note is longer than 2000 characters")
	case !printable(a.Note, "\r\n\t"):
		return unprocessable("note must be plain text")
	}
	return nil
}

func unprocessable(text string) error {
	return &inputError{http.StatusUnprocessableEntity, text}
}

// printable tells whether text is UTF-8 without control characters, but for those also allowed.
func printable(text, also string) bool {
	return utf8.ValidString(text) && !strings.ContainsFunc(text, func(r rune) bool {
		return unicode.IsControl(r) && !strings.ContainsRune(also, r)
	})
}

// decodeAction reads exactly one JSON object with known fields.
func decodeAction(body io.Reader) (action, error) {
	var a action
	decoder := json.NewDecoder(body)
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&a); err != nil {
		return action{}, jsonError(err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return action{}, badRequest("the body holds more than one JSON object")
	}
	return a, nil
}

// jsonError keeps the error of a body that is too large and explains every other one.
func jsonError(err error) error {
	if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
		return err
	}
	return badRequest("the body is not the JSON that is wanted, such as {\"by\":\"initials\"}: %v", err)
}

func (s *Server) postAcknowledge(r *http.Request) (any, error) {
	a, err := readAction(r, false)
	if err != nil {
		return nil, err
	}
	return s.src.Acknowledge(r.Context(), r.PathValue("id"), a.By)
}

func (s *Server) postClose(r *http.Request) (any, error) {
	a, err := readAction(r, true)
	if err != nil {
		return nil, err
	}
	return s.src.Close(r.Context(), r.PathValue("id"), a.By, a.Outcome, a.Note)
}

func readAction(r *http.Request, closing bool) (action, error) {
	if !isJSON(r) {
		return action{}, &inputError{http.StatusUnsupportedMediaType, "Content-Type must be application/json"}
	}
	a, err := decodeAction(r.Body)
	if err != nil {
		return action{}, err
	}
	return a, a.tidy(closing)
}
