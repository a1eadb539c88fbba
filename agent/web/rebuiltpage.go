package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"diastole/agent/event"
	"diastole/agent/web/chart"
	"diastole/model/pump"
)

// rebuiltData is the form in which a rebuild is recorded.
type rebuiltData struct {
	frame
	Pump, Path, Ticket, Error, By, Note, Photos, Hours, Liquid string
	Kits, Parts                                                []choice
	Conditions                                                 []string
	Questions                                                  []question
}

type choice struct {
	Word, Number, Strokes, Found string
	Chosen                       bool
}

type question struct{ Name, Words, Answer string }

// questions are about what no sensor sees.
var questions = []question{
	{Name: "restarts", Words: "It started again by itself after a stall:"},
	{Name: "leaks_dry", Words: "Air escapes outside (soap water):"},
	{Name: "leaks_wet", Words: "Liquid escapes outside:"},
}

func (s *Server) rebuiltPage(r *http.Request) (rendered, error) {
	ticket := r.URL.Query().Get("ticket")
	data, err := s.rebuiltData(r, ticket)
	if err != nil {
		return rendered{}, err
	}
	if ticket != "" {
		t, err := s.src.Ticket(r.Context(), ticket)
		if err != nil {
			return rendered{}, err
		}
		for i := range data.Kits {
			data.Kits[i].Chosen = data.Kits[i].Word == string(t.Kit)
		}
	}
	return render("rebuilt", data)
}

func (s *Server) rebuiltData(r *http.Request, ticket string) (*rebuiltData, error) {
	id := r.PathValue("id")
	j, err := s.src.Job(r.Context(), id)
	if err != nil {
		return nil, err
	}
	data := &rebuiltData{
		frame: s.frame(r, id+" was rebuilt", "pumps"), Pump: id, Path: pumpPath(id), Ticket: ticket, Questions: slices.Clone(questions),
	}
	for _, k := range pump.Kits() {
		spec, _ := j.Upkeep.Kit(k)
		data.Kits = append(data.Kits, choice{Word: string(k), Number: spec.Number})
	}
	for _, p := range j.Parts {
		c := choice{Word: string(p.Component), Found: string(pump.NotLookedAt)}
		if p.Strokes != nil {
			c.Strokes = grouped(*p.Strokes)
		}
		data.Parts = append(data.Parts, c)
	}
	for _, c := range pump.Conditions() {
		data.Conditions = append(data.Conditions, string(c))
	}
	return data, nil
}

// rebuiltForm records what the form says and goes back to the pump. What can be put right is told in the form, with what was
// entered kept.
func (s *Server) rebuiltForm(r *http.Request) (rendered, error) {
	if err := parseForm(r); err != nil {
		return rendered{}, err
	}
	id, f := r.PathValue("id"), r.PostForm
	j := rebuiltJSON{By: f.Get("by"), Ticket: f.Get("ticket"), Note: f.Get("note"), Liquid: f.Get("liquid")}
	for _, k := range f["kit"] {
		j.Kits = append(j.Kits, pump.Kit(k))
	}
	for _, c := range f["replaced"] {
		j.Replaced = append(j.Replaced, pump.Component(c))
	}
	for _, c := range pump.Components() {
		if v := pump.Condition(f.Get("found-" + string(c))); v != "" && v != pump.NotLookedAt {
			j.Found = append(j.Found, foundJSON{Component: c, Condition: v})
		}
	}
	for line := range strings.Lines(f.Get("photos")) {
		if line = strings.TrimSpace(line); line != "" {
			j.Photos = append(j.Photos, line)
		}
	}
	var err error
	if text := strings.TrimSpace(f.Get("labour_hours")); text != "" {
		if j.LabourHours, err = strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err != nil || math.IsNaN(j.LabourHours) {
			err = unprocessable(fmt.Sprintf("hours of work %q is not a number", text))
		}
	}
	for name, answer := range map[string]**bool{"restarts": &j.Asked.Restarts, "leaks_dry": &j.Asked.LeaksDry, "leaks_wet": &j.Asked.LeaksWet} {
		if v := f.Get(name); v != "" {
			*answer = new(v == "yes")
		}
	}
	if err == nil {
		rebuilt, tidyErr := j.tidy()
		if err = tidyErr; err == nil {
			_, err = s.src.Rebuilt(r.Context(), id, j.At, rebuilt)
		}
	}
	if err == nil {
		return rendered{redirect: pumpPath(id)}, nil
	}
	if _, input := errors.AsType[*inputError](err); !input && !errors.Is(err, ErrConflict) && !errors.Is(err, ErrRefused) {
		return rendered{}, err
	}
	data, findErr := s.rebuiltData(r, j.Ticket)
	if findErr != nil {
		return rendered{}, findErr
	}
	p := s.describe(r, err)
	data.Error, data.By, data.Note, data.Photos, data.Hours, data.Liquid = p.Detail, j.By, j.Note, f.Get("photos"), f.Get("labour_hours"), j.Liquid
	for i := range data.Kits {
		data.Kits[i].Chosen = slices.Contains(f["kit"], data.Kits[i].Word)
	}
	for i := range data.Parts {
		c := &data.Parts[i]
		c.Chosen = slices.Contains(f["replaced"], c.Word)
		if v := f.Get("found-" + c.Word); v != "" {
			c.Found = v
		}
	}
	for i := range data.Questions {
		data.Questions[i].Answer = f.Get(data.Questions[i].Name)
	}
	answer, err := render("rebuilt", data)
	answer.status = p.Status
	return answer, err
}

// rebuildRow is a rebuild on the page of its pump.
type rebuildRow struct {
	event.Rebuild
	Words    string
	Wrong    bool
	Verdicts []verdictRow
	Used     string
	Found    []string
}

type verdictRow struct {
	event.Verdict
	Evidence []evidenceRow
}

var judgementWords = map[event.Judgement]string{
	event.Accepting: "being judged by its first strokes", event.AcceptedForNow: "accepted for now", event.Accepted: "accepted after bedding in",
	event.LookAgain: "look again", event.NotJudged: "not judged",
}

func rebuildRows(all []event.Rebuild) []rebuildRow {
	var rows []rebuildRow
	for _, r := range all {
		row := rebuildRow{Rebuild: r, Words: judgementWords[r.Judgement], Wrong: r.Judgement == event.LookAgain, Used: kitWords(r.Kits)}
		for _, v := range r.Verdicts {
			vr := verdictRow{Verdict: v}
			for _, e := range v.Evidence {
				q := quantityOf(e.Feature, e.Unit)
				vr.Evidence = append(vr.Evidence, evidenceRow{
					Name: q.name, Unit: q.unit, Expected: q.number(e.Expected), Observed: q.number(e.Observed),
					Deviation: chart.Number(e.DeviationSigma, 1), Meaning: e.Meaning,
				})
			}
			row.Verdicts = append(row.Verdicts, vr)
		}
		for _, p := range r.Parts {
			if p.Found != pump.NotLookedAt {
				row.Found = append(row.Found, plain(string(p.Component))+" "+plain(string(p.Found)))
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func (s *Server) shelveForm(r *http.Request) (rendered, error) {
	return s.shelfForm(r, func() error {
		hours, err := strconv.ParseFloat(r.PostForm.Get("hours"), 64)
		if err != nil {
			return unprocessable(fmt.Sprintf("hours %q is not a number", r.PostForm.Get("hours")))
		}
		j := shelfJSON{By: r.PostForm.Get("by"), Reason: r.PostForm.Get("reason"), Hours: hours}
		if err := j.tidy(); err != nil {
			return err
		}
		_, err = s.src.Shelve(r.Context(), r.PathValue("id"), j.shelf())
		return err
	})
}

func (s *Server) unshelveForm(r *http.Request) (rendered, error) {
	return s.shelfForm(r, func() error {
		_, err := s.src.Unshelve(r.Context(), r.PathValue("id"))
		return err
	})
}

// shelfForm does what the form of an advisory asks for and goes back to its pump.
func (s *Server) shelfForm(r *http.Request, do func() error) (rendered, error) {
	if err := parseForm(r); err != nil {
		return rendered{}, err
	}
	pump := r.PostForm.Get("pump")
	if _, _, err := s.findPump(r, pump); err != nil {
		return rendered{}, err
	}
	if err := do(); err != nil {
		return rendered{}, err
	}
	return rendered{redirect: pumpPath(pump)}, nil
}
