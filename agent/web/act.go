package web

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"diastole/agent/event"
	"diastole/agent/watch"
)

// The longest name and note that a person may give, in characters.
const (
	mostName = 80
	mostNote = 2000
)

// action is what a person says about a ticket, from a form or a JSON body.
type action struct {
	By      string        `json:"by"`
	Version *int64        `json:"version,omitempty"`
	Outcome event.Outcome `json:"outcome,omitempty"`
	Note    string        `json:"note,omitempty"`
	For     string        `json:"for,omitempty"`
}

// tidy trims the texts and checks them. The agent alone withdraws a ticket, so a person can only call it done or reject it.
func (a *action) tidy(do event.Deed) error {
	a.By, a.Note, a.For = strings.TrimSpace(a.By), strings.TrimSpace(a.Note), strings.TrimSpace(a.For)
	if err := checkBy(a.By); err != nil {
		return err
	}
	closing := do == event.Close
	switch {
	case do == event.Acknowledge && (a.Outcome != "" || a.Note != "" || a.For != ""):
		return unprocessable("an acknowledgement takes only by and version")
	case !closing && a.Outcome != "":
		return unprocessable("outcome belongs to closing")
	case do != event.Schedule && a.For != "":
		return unprocessable("for, the day of the work, belongs to scheduling")
	case do == event.Schedule && !isDay(a.For):
		return unprocessable("for must be the day of the work, such as 2026-03-09")
	case closing && a.Outcome != event.Done && a.Outcome != event.Rejected:
		return unprocessable("outcome must be done or rejected")
	case closing && a.Outcome == event.Rejected && a.Note == "":
		return unprocessable("note is missing: say why the ticket is rejected")
	case do == event.Comment && a.Note == "":
		return unprocessable("note is missing: a comment says something")
	}
	return checkNote("note", a.Note)
}

func checkBy(by string) error {
	switch {
	case by == "":
		return unprocessable("by is missing: say who you are, a name or initials")
	case utf8.RuneCountInString(by) > mostName:
		return unprocessable("by is longer than 80 characters")
	case !printable(by, ""):
		return unprocessable("by must be plain text on one line")
	}
	return nil
}

func checkNote(what, note string) error {
	switch {
	case utf8.RuneCountInString(note) > mostNote:
		return unprocessable(what + " is longer than 2000 characters")
	case !printable(note, "\r\n\t"):
		return unprocessable(what + " must be plain text")
	}
	return nil
}

func isDay(text string) bool {
	_, err := time.Parse(time.DateOnly, text)
	return err == nil
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

// decode reads exactly one JSON object with known fields.
func decode[T any](body io.Reader) (T, error) {
	var v, none T
	decoder := json.NewDecoder(body)
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&v); err != nil {
		return none, jsonError(err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return none, badRequest("the body holds more than one JSON object")
	}
	return v, nil
}

// jsonError keeps the error of a body that is too large and explains every other one.
func jsonError(err error) error {
	if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
		return err
	}
	return badRequest("the body is not the JSON that is wanted, such as {\"by\":\"initials\"}: %v", err)
}

// posted reads the JSON body of a request.
func posted[T any](r *http.Request) (v T, err error) {
	if !isJSON(r) {
		return v, &inputError{http.StatusUnsupportedMediaType, "Content-Type must be application/json"}
	}
	return decode[T](r.Body)
}

// personal are the deeds that a person can do, each with an address of its own.
var personal = []event.Deed{event.Acknowledge, event.Schedule, event.Begin, event.Comment, event.Close, event.Verify}

func (s *Server) postDeed(do event.Deed) func(r *http.Request) (any, error) {
	return func(r *http.Request) (any, error) {
		a, err := posted[action](r)
		if err == nil {
			err = a.tidy(do)
		}
		if err != nil {
			return nil, err
		}
		return s.act(r, do, a)
	}
}

func (s *Server) act(r *http.Request, do event.Deed, a action) (event.Ticket, error) {
	return s.src.Act(r.Context(), r.PathValue("id"), watch.Act{Do: do, By: a.By, Version: a.Version, Outcome: a.Outcome, Note: a.Note, For: a.For})
}
