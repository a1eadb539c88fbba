package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/model/pump"
)

// The most that a person may list at one rebuild.
const (
	mostPhotos = 50
	mostHours  = 1000
)

// rebuiltJSON is what a person says of a rebuild.
type rebuiltJSON struct {
	By          string           `json:"by"`
	At          time.Time        `json:"at,omitzero"`
	Ticket      string           `json:"ticket,omitempty"`
	Kits        []pump.Kit       `json:"kits"`
	Replaced    []pump.Component `json:"replaced,omitempty"`
	Found       []foundJSON      `json:"found,omitempty"`
	Note        string           `json:"note,omitempty"`
	Photos      []string         `json:"photos,omitempty"`
	LabourHours float64          `json:"labour_hours,omitempty"`
	Liquid      string           `json:"liquid,omitempty"`
	Asked       event.Asked      `json:"asked,omitzero"`
}

type foundJSON struct {
	Component pump.Component `json:"component"`
	Condition pump.Condition `json:"condition"`
	Note      string         `json:"note,omitempty"`
}

// tidy checks what was said; the error says which words are allowed.
func (j *rebuiltJSON) tidy() (watch.Rebuilt, error) {
	j.By, j.Note = strings.TrimSpace(j.By), strings.TrimSpace(j.Note)
	r := watch.Rebuilt{
		By: j.By, Ticket: j.Ticket, Kits: j.Kits, Replaced: j.Replaced, Note: j.Note, LabourHours: j.LabourHours,
		Liquid: j.Liquid, Asked: j.Asked, Found: map[pump.Component]watch.Found{},
	}
	if err := checkBy(j.By); err != nil {
		return r, err
	}
	if err := checkNote("note", j.Note); err != nil {
		return r, err
	}
	for i, k := range j.Kits {
		switch {
		case !slices.Contains(pump.Kits(), k):
			return r, unknownWord("kit", k, pump.Kits())
		case slices.Contains(j.Kits[:i], k):
			return r, unprocessable(fmt.Sprintf("kit %s stands twice", k))
		}
	}
	for _, c := range j.Replaced {
		if !slices.Contains(pump.Components(), c) {
			return r, unknownWord("component", c, pump.Components())
		}
	}
	for _, f := range j.Found {
		_, twice := r.Found[f.Component]
		switch {
		case !slices.Contains(pump.Components(), f.Component):
			return r, unknownWord("component", f.Component, pump.Components())
		case !slices.Contains(pump.Conditions(), f.Condition):
			return r, unknownWord("condition", f.Condition, pump.Conditions())
		case twice:
			return r, unprocessable(fmt.Sprintf("component %s was found twice", f.Component))
		}
		if err := checkNote("the note of "+string(f.Component), f.Note); err != nil {
			return r, err
		}
		r.Found[f.Component] = watch.Found{Condition: f.Condition, Note: strings.TrimSpace(f.Note)}
	}
	if len(j.Photos) > mostPhotos {
		return r, unprocessable(fmt.Sprintf("there are %d photos; allowed are %d", len(j.Photos), mostPhotos))
	}
	for _, name := range j.Photos {
		name = strings.TrimSpace(name)
		if name == "" || utf8.RuneCountInString(name) > 200 || !printable(name, "") {
			return r, unprocessable("the name of a photo must be plain text on one line, of 1 to 200 characters")
		}
		r.Photos = append(r.Photos, name)
	}
	if !(j.LabourHours >= 0 && j.LabourHours <= mostHours) {
		return r, unprocessable(fmt.Sprintf("labour_hours is %v; allowed are 0 to %d", j.LabourHours, mostHours))
	}
	if !slices.Contains([]string{"", "water", "product"}, j.Liquid) {
		return r, unknownWord("liquid", j.Liquid, []string{"water", "product"})
	}
	return r, nil
}

func unknownWord[T ~string](what string, word T, allowed []T) error {
	words := make([]string, len(allowed))
	for i, w := range allowed {
		words[i] = string(w)
	}
	return unprocessable(fmt.Sprintf("%s %q is not known; allowed are %s", what, word, strings.Join(words, ", ")))
}

func (s *Server) postRebuilt(r *http.Request) (any, error) {
	j, err := posted[rebuiltJSON](r)
	if err != nil {
		return nil, err
	}
	rebuilt, err := j.tidy()
	if err != nil {
		return nil, err
	}
	return s.src.Rebuilt(r.Context(), r.PathValue("id"), j.At, rebuilt)
}

func (s *Server) getRebuilds(r *http.Request) (any, error) {
	id := r.PathValue("id")
	if id != "" {
		if _, _, err := s.findPump(r, id); err != nil {
			return nil, err
		}
	}
	all, err := s.src.Rebuilds(r.Context(), id)
	if err != nil {
		return nil, err
	}
	return map[string]any{"rebuilds": orEmpty(all)}, nil
}

func (s *Server) getStock(r *http.Request) (any, error) {
	lines, err := s.src.Stock(r.Context())
	if err != nil {
		return nil, err
	}
	return map[string]any{"kits": orEmpty(lines)}, nil
}

func (s *Server) postSwapped(r *http.Request) (any, error) {
	j, err := posted[struct {
		By     string `json:"by"`
		Serial string `json:"serial"`
	}](r)
	if err != nil {
		return nil, err
	}
	if err := checkBy(strings.TrimSpace(j.By)); err != nil {
		return nil, err
	}
	serial := strings.TrimSpace(j.Serial)
	if serial == "" || utf8.RuneCountInString(serial) > mostName || !printable(serial, "") {
		return nil, unprocessable("serial must be that of the body that stands there now, plain text on one line of 1 to 80 characters")
	}
	b, err := s.src.Swapped(r.Context(), r.PathValue("id"), serial, strings.TrimSpace(j.By))
	return public(b), err
}

func (s *Server) postRelearn(r *http.Request) (any, error) {
	j, err := posted[struct {
		By     string    `json:"by"`
		Reason string    `json:"reason"`
		Since  time.Time `json:"since,omitzero"`
	}](r)
	if err != nil {
		return nil, err
	}
	j.By, j.Reason = strings.TrimSpace(j.By), strings.TrimSpace(j.Reason)
	if err := checkBy(j.By); err != nil {
		return nil, err
	}
	if j.Reason == "" {
		return nil, unprocessable("reason is missing: say what is new, such as another hose, product or damper")
	}
	if err := checkNote("reason", j.Reason); err != nil {
		return nil, err
	}
	b, err := s.src.Relearn(r.Context(), r.PathValue("id"), j.Reason, j.By, j.Since)
	return public(b), err
}

// public is a body without what only the monitor reads.
func public(b event.Body) event.Body {
	b.Best = nil
	return b
}

// shelfJSON asks for a shelf until a time, or for so many hours from now.
type shelfJSON struct {
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Until  time.Time `json:"until,omitzero"`
	Hours  float64   `json:"hours,omitempty"`
}

func (j *shelfJSON) tidy() error {
	j.By, j.Reason = strings.TrimSpace(j.By), strings.TrimSpace(j.Reason)
	if err := checkBy(j.By); err != nil {
		return err
	}
	switch {
	case j.Reason == "":
		return unprocessable("reason is missing: say why the advisory is put aside")
	case j.Until.IsZero() == (j.Hours == 0):
		return unprocessable("say when the advisory comes back: either until, such as 2026-03-09T10:00:00Z, or hours from now")
	case !(j.Hours >= 0 && j.Hours <= mostHours):
		return unprocessable(fmt.Sprintf("hours is %v; allowed are 0 to %d", j.Hours, mostHours))
	}
	return checkNote("reason", j.Reason)
}

func (j *shelfJSON) shelf() Shelf {
	return Shelf{By: j.By, Reason: j.Reason, Until: j.Until, For: time.Duration(j.Hours * float64(time.Hour))}
}

func (s *Server) postShelve(r *http.Request) (any, error) {
	j, err := posted[shelfJSON](r)
	if err == nil {
		err = j.tidy()
	}
	if err != nil {
		return nil, err
	}
	return s.src.Shelve(r.Context(), r.PathValue("id"), j.shelf())
}

func (s *Server) postUnshelve(r *http.Request) (any, error) {
	if _, err := posted[struct{}](r); err != nil {
		return nil, err
	}
	return s.src.Unshelve(r.Context(), r.PathValue("id"))
}
