package web

import (
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"strings"

	"diastole/agent/event"
	"diastole/agent/web/chart"
	"diastole/model/pump"
)

// standing are the cautions that no ticket goes without: the limits of what the agent can know and give. They are added
// where the ticket's own do not speak of them.
var standing = []string{
	"This ticket is a suspicion drawn from measurements. It is no proof that the pump is safe to open or to run.",
	"Torque, tightening sequence, lubricant and thread treatment: only from the pump's own service manual. " +
		"That manual, the site's lockout and permits, and local codes come before anything printed here. " +
		"Work is for people licensed and trained for it.",
}

// missing is standing, or nothing where the cautions already defer to the service manual and call the ticket no proof.
func missing(cautions []string) []string {
	all := strings.Join(cautions, "\n")
	if strings.Contains(all, "service manual") && strings.Contains(all, "proof") {
		return nil
	}
	return standing
}

// evidenceRow is one line of the evidence, in words and shown units.
type evidenceRow struct {
	Name, Unit, Expected, Observed, Deviation, Meaning string
}

// ticketData is what the page of a ticket shows.
type ticketData struct {
	frame
	Ticket               event.Ticket
	Path, PumpPath       string
	Status               Status
	StateWords           string
	Kit, Bring           string
	Fault, Side, Urgency string
	Model                string
	Standing             []string
	Evidence             []evidenceRow
	Alternatives         []alternativeRow
	Severity, Strokes    string
	Closed, Acknowledged bool
	Action               action // what the person entered, shown again after an error
	Error                string
}

type alternativeRow struct{ Name, Probability string }

func newTicketData(f frame, t event.Ticket) ticketData {
	data := ticketData{
		frame: f, Ticket: t, Path: ticketPath(t.Ticket), PumpPath: pumpPath(t.Pump),
		Status: ticketStatus(t), StateWords: stateOfTicket(t),
		Kit: kitWords([]pump.Kit{t.Kit}), Bring: kitWords(t.Bring),
		Fault: sentence(string(t.Fault)), Side: sideWords(t.Side), Urgency: urgencyWords(t.Urgency),
		Model: plain(t.Model), Standing: missing(t.Cautions),
		Severity: percent(t.Severity),
		Closed:   t.State == event.StateClosed, Acknowledged: t.State == event.StateAcknowledged,
	}
	if t.StrokesSinceRebuild > 0 {
		data.Strokes = grouped(t.StrokesSinceRebuild)
	}
	for _, e := range t.Evidence {
		q := quantityOf(e.Feature, e.Unit)
		data.Evidence = append(data.Evidence, evidenceRow{
			Name: q.name, Unit: q.unit, Expected: q.number(e.Expected), Observed: q.number(e.Observed),
			Deviation: chart.Number(e.DeviationSigma, 1), Meaning: e.Meaning,
		})
	}
	for _, a := range t.Alternatives {
		name := string(a.Fault)
		if a.Fault == "" {
			name = string(a.Cause)
		}
		data.Alternatives = append(data.Alternatives, alternativeRow{sentence(name), percent(a.Probability)})
	}
	return data
}

// PrintTicket writes a ticket as one HTML file that needs nothing else: for a printer or a mail.
func PrintTicket(w io.Writer, site string, t event.Ticket) error {
	f := frame{
		Site: site, Title: "Rebuild ticket " + t.Ticket,
		Style: template.CSS(assets["style.css"].body), //nolint:gosec // our own embedded style sheet
	}
	answer, err := render("ticket", newTicketData(f, t))
	if err != nil {
		return err
	}
	if _, err := w.Write(answer.html); err != nil {
		return fmt.Errorf("write ticket %s: %w", t.Ticket, err)
	}
	return nil
}

func (s *Server) ticketPage(r *http.Request) (rendered, error) {
	t, err := s.src.Ticket(r.Context(), r.PathValue("id"))
	if err != nil {
		return rendered{}, err
	}
	return render("ticket", newTicketData(s.frame(r, "Rebuild ticket "+t.Ticket, "tickets"), t))
}

func (s *Server) ticketsPage(r *http.Request) (rendered, error) {
	tickets, err := s.src.Tickets(r.Context(), false)
	if err != nil {
		return rendered{}, fmt.Errorf("tickets: %w", err)
	}
	data := struct {
		frame
		Open, Closed []ticketRow
	}{frame: s.frame(r, "Tickets", "tickets")}
	data.Live = true
	for _, row := range ticketRows(tickets) {
		if row.State == event.StateClosed {
			data.Closed = append(data.Closed, row)
		} else {
			data.Open = append(data.Open, row)
		}
	}
	return render("tickets", data)
}

func (s *Server) acknowledgeForm(r *http.Request) (rendered, error) {
	return s.ticketForm(r, false, func(id string, a action) error {
		_, err := s.src.Acknowledge(r.Context(), id, a.By)
		return err
	})
}

func (s *Server) closeForm(r *http.Request) (rendered, error) {
	return s.ticketForm(r, true, func(id string, a action) error {
		_, err := s.src.Close(r.Context(), id, a.By, a.Outcome, a.Note)
		return err
	})
}

// ticketForm reads a form of the ticket page, acts and sends the browser back to the ticket. What the
// person can put right is told beside the form, with what was entered kept.
func (s *Server) ticketForm(r *http.Request, closing bool, act func(id string, a action) error) (rendered, error) {
	id := r.PathValue("id")
	if err := r.ParseForm(); err != nil {
		if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
			return rendered{}, err
		}
		return rendered{}, badRequest("the form cannot be read: %v", err)
	}
	a := action{By: r.PostForm.Get("by"), Outcome: event.Outcome(r.PostForm.Get("outcome")), Note: r.PostForm.Get("note")}
	err := a.tidy(closing)
	if err == nil {
		err = act(id, a)
	}
	if err == nil {
		return rendered{redirect: ticketPath(id)}, nil
	}
	if _, input := errors.AsType[*inputError](err); !input && !errors.Is(err, ErrConflict) {
		return rendered{}, err
	}
	t, findErr := s.src.Ticket(r.Context(), id)
	if findErr != nil {
		return rendered{}, findErr
	}
	data := newTicketData(s.frame(r, "Rebuild ticket "+id, "tickets"), t)
	p := s.describe(r, err)
	data.Action, data.Error = a, p.Detail
	answer, err := render("ticket", data)
	answer.status = p.Status
	return answer, err
}
