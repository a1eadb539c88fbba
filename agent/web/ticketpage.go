package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

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
	// Remaining and Waste say how long the pump will do and what waiting costs in air.
	Remaining, Waste     string
	Closed, Acknowledged bool
	// MayVerify is true where the work is done and nobody has said yet that the pump is good.
	MayVerify bool
	Action    action // what the person entered, shown again after an error
	Error     string
	Log       []logRow
	// Sheet is the pump and its upkeep. Link is the ticket's page, Local where only this computer reaches it, QR its code.
	Sheet sheet
	Link  string
	Local bool
	QR    template.HTML
	// Picture is the course of the feature that says most; nil where there is none.
	Picture *trendView
}

type logRow struct {
	Time          time.Time
	By, Did, Text string
}

var deedWords = map[event.Deed]string{
	event.Acknowledge: "took it on", event.Schedule: "scheduled it", event.Begin: "began the work", event.Comment: "said",
	event.Close: "closed it", event.Verify: "verified it", event.Reopen: "took it up again",
}

type alternativeRow struct{ Name, Probability string }

func newTicketData(f frame, t event.Ticket, j Job) ticketData {
	data := ticketData{
		frame: f, Ticket: t, Path: ticketPath(t.Ticket), PumpPath: pumpPath(t.Pump),
		Status: ticketStatus(t), StateWords: stateOfTicket(t),
		Kit: kitWords([]pump.Kit{t.Kit}), Bring: kitWords(t.Bring),
		Fault: sentence(string(t.Fault)), Side: sideWords(t.Side), Urgency: urgencyWords(t.Urgency),
		Model: plain(t.Model), Standing: missing(t.Cautions),
		Severity: percent(t.Severity),
		Closed:   t.State == event.StateClosed, Acknowledged: t.State != event.StateOpen && t.State != event.StateClosed,
		MayVerify: t.State == event.StateClosed && t.Outcome == event.Done, Sheet: newSheet(t, j),
	}
	for _, l := range t.Log {
		data.Log = append(data.Log, logRow{l.Time, l.By, deedWords[l.Did], l.Text})
	}
	if t.Remaining != nil {
		data.Remaining = t.Remaining.Words()
	}
	if t.AirWaste != nil {
		data.Waste = t.AirWaste.Words()
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

// alone is the frame of a ticket as one HTML file that needs nothing else: for a printer or a mail.
func alone(site string, t event.Ticket) frame {
	return frame{
		Site: site, Title: "Rebuild ticket " + t.Ticket,
		Style: template.CSS(assets["style.css"].body), //nolint:gosec // our own embedded style sheet
	}
}

func (s *Server) ticketPage(r *http.Request) (rendered, error) {
	return s.showTicket(r, func(t event.Ticket) frame { return s.frame(r, "Rebuild ticket "+t.Ticket, "tickets") })
}

// ticketSheet is the same ticket as a file that stands alone.
func (s *Server) ticketSheet(r *http.Request) (rendered, error) {
	return s.showTicket(r, func(t event.Ticket) frame { return alone(s.src.Site(), t) })
}

func (s *Server) showTicket(r *http.Request, f func(event.Ticket) frame) (rendered, error) {
	t, err := s.src.Ticket(r.Context(), r.PathValue("id"))
	if err != nil {
		return rendered{}, err
	}
	data, err := s.ticketData(r, f(t), t)
	if err != nil {
		return rendered{}, err
	}
	return render("ticket", data)
}

// ticketData gathers what a ticket's page shows. A pump that the configuration has no more lacks its upkeep and its picture.
func (s *Server) ticketData(r *http.Request, f frame, t event.Ticket) (ticketData, error) {
	j, err := s.src.Job(r.Context(), t.Pump)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return ticketData{}, err
	}
	data := newTicketData(f, t, j)
	data.Link, data.Local = s.link(r, t.Ticket)
	data.QR = qrCode(data.Link)
	if err == nil {
		data.Picture, err = s.picture(r, t)
	} else {
		err = nil
	}
	return data, err
}

// picture is the course of the feature that says most for the ticket, against what the healthy pump would show.
func (s *Server) picture(r *http.Request, t event.Ticket) (*trendView, error) {
	p, _, err := s.findPump(r, t.Pump)
	if err != nil {
		return nil, err
	}
	for _, e := range t.Evidence {
		for _, reading := range p.Readings {
			if reading.Feature.String() == e.Feature {
				v, err := s.trendView(r, p, reading, max(7*day, p.LastData.Sub(t.Since)+3*day))
				return &v, err
			}
		}
	}
	return nil, nil
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

func (s *Server) deedForm(do event.Deed) func(r *http.Request) (rendered, error) {
	return func(r *http.Request) (rendered, error) {
		return s.ticketForm(r, do, func(a action) error {
			_, err := s.act(r, do, a)
			return err
		})
	}
}

// ticketForm reads a form of the ticket page, acts and sends the browser back to the ticket. What the
// person can put right is told beside the form, with what was entered kept.
func (s *Server) ticketForm(r *http.Request, do event.Deed, act func(a action) error) (rendered, error) {
	id := r.PathValue("id")
	if err := parseForm(r); err != nil {
		return rendered{}, err
	}
	a := action{
		By: r.PostForm.Get("by"), Outcome: event.Outcome(r.PostForm.Get("outcome")), Note: r.PostForm.Get("note"), For: r.PostForm.Get("for"),
	}
	if text := r.PostForm.Get("version"); text != "" {
		v, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return rendered{}, badRequest("version %q is not a whole number", text)
		}
		a.Version = &v
	}
	err := a.tidy(do)
	if err == nil {
		err = act(a)
	}
	if err == nil {
		return rendered{redirect: ticketPath(id)}, nil
	}
	if _, input := errors.AsType[*inputError](err); !input && !errors.Is(err, ErrConflict) && !errors.Is(err, ErrRefused) {
		return rendered{}, err
	}
	t, findErr := s.src.Ticket(r.Context(), id)
	if findErr != nil {
		return rendered{}, findErr
	}
	data, findErr := s.ticketData(r, s.frame(r, "Rebuild ticket "+id, "tickets"), t)
	if findErr != nil {
		return rendered{}, findErr
	}
	p := s.describe(r, err)
	data.Action, data.Error = a, p.Detail
	answer, err := render("ticket", data)
	answer.status = p.Status
	return answer, err
}

func parseForm(r *http.Request) error {
	err := r.ParseForm()
	if err == nil {
		return nil
	}
	if _, tooLarge := errors.AsType[*http.MaxBytesError](err); tooLarge {
		return err
	}
	return badRequest("the form cannot be read: %v", err)
}
