package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
)

// problemDetails is an error as RFC 9457 has it; "type" is absent, which means about:blank, so Title
// is the status phrase.
type problemDetails struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

func problem(status int, detail string) problemDetails {
	return problemDetails{Title: http.StatusText(status), Status: status, Detail: detail}
}

// writeProblem answers with application/problem+json.
func writeProblem(w http.ResponseWriter, p problemDetails) {
	body, err := json.Marshal(p)
	if err != nil { // three plain fields always encode
		panic(err)
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_, _ = w.Write(append(body, '\n')) // a client that has gone needs no answer
}

// inputError is a fault in what the client sent; its text is for the client.
type inputError struct {
	status int
	text   string
}

func (e *inputError) Error() string { return e.text }

// describe turns an error into what the client may know. What is our own fault is logged and not
// shown, since it may tell of files and addresses.
func (s *Server) describe(r *http.Request, err error) problemDetails {
	var input *inputError
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &input):
		return problem(input.status, input.text)
	case errors.As(err, &tooLarge):
		return problem(http.StatusRequestEntityTooLarge, "the body is larger than allowed")
	case errors.Is(err, ErrNotFound):
		return problem(http.StatusNotFound, err.Error())
	case errors.Is(err, ErrConflict):
		return problem(http.StatusConflict, err.Error())
	case errors.Is(err, ErrRefused):
		return problem(http.StatusUnprocessableEntity, err.Error())
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return problem(http.StatusServiceUnavailable, "the agent is stopping or too busy; try again")
	}
	s.log.Error("request failed", "method", r.Method, "path", r.URL.Path, "error", err)
	return problem(http.StatusInternalServerError, "the agent could not answer; its log says why")
}
