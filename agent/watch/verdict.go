package watch

import (
	"fmt"
	"math"
	"slices"
	"time"

	"diastole/agent/event"
	"diastole/detect"
	"diastole/detect/accept"
	"diastole/model/advice"
)

// resume begins the acceptance anew that a lost snapshot has taken with it, before the epochs since are folded again.
func (p *pump) resume() {
	if r := p.book.Rebuild; r != nil && (r.Judgement == event.Accepting || r.Judgement == event.AcceptedForNow) {
		// What cannot be read is as if it were not known: the rebuild is judged by what pumps in general do.
		best, _ := detect.DecodeHealthy(p.book.Body.Best)
		p.monitor.Rebuilt(best)
	}
}

// catchUp tells the verdicts that folding the epochs gave again and that the store does not have.
func (p *pump) catchUp(folded *event.Rebuild) {
	r := p.book.Rebuild
	if folded == nil || r == nil || folded.Rebuild != r.Rebuild {
		return
	}
	for _, v := range folded.Verdicts[min(len(r.Verdicts), len(folded.Verdicts)):] {
		p.verdict(v)
	}
}

// unjudged ends an acceptance that cannot be finished.
func (p *pump) unjudged(words string, at time.Time) {
	r := p.book.Rebuild
	if r == nil || r.Judgement != event.Accepting && r.Judgement != event.AcceptedForNow {
		return
	}
	p.verdict(event.Verdict{Time: at.UTC(), Stage: "first", Judgement: event.NotJudged, Words: words})
}

// answers judges by what a person has said that no sensor sees: a leak outside or a pump that does not start again is no
// good rebuild, whatever the strokes look like.
func (p *pump) answers(at time.Time) {
	r := p.book.Rebuild
	m, wrong := accept.Asked(r.Asked.Restarts, r.Asked.LeaksDry, r.Asked.LeaksWet)
	if !wrong || r.Judgement == event.LookAgain {
		return
	}
	p.verdict(event.Verdict{
		Time: at.UTC(), Stage: "first", Judgement: event.LookAgain, Mistake: string(m), Probability: 1,
		Against: "what was seen at the start", Words: "look again: " + m.Words(), Checks: m.Checks(),
	})
}

// judged follows a finding about the acceptance of the last rebuild.
func (p *pump) judged(f *detect.Finding) {
	if p.book.Rebuild == nil {
		return // the body has been swapped since
	}
	v := f.Verdict
	out := event.Verdict{
		Time: f.Time.UTC(), Stage: string(v.Stage), Probability: rounded(v.Probability), Against: v.Against, Words: v.Words(), Judgement: event.NotJudged,
	}
	switch {
	case v.Mistake != "":
		out.Judgement, out.Mistake, out.Checks = event.LookAgain, string(v.Mistake), v.Mistake.Checks()
	case v.Good && v.Stage == accept.First:
		out.Judgement = event.AcceptedForNow
	case v.Good:
		out.Judgement = event.Accepted
	}
	for _, e := range v.Evidence {
		out.Evidence = append(out.Evidence, event.Evidence{
			Feature: e.Feature.String(), Unit: e.Feature.Unit(), Expected: significant(e.Expected), Observed: significant(e.Observed),
			DeviationSigma: math.Round(e.Sigma*10) / 10, Meaning: advice.Meaning(e.Feature.String(), e.Sigma > 0),
		})
	}
	p.verdict(out)
}

// verdict books a verdict of the last rebuild and moves its ticket: verified where the pump is as it should be, in work again where
// it is not. A person's word that the pump leaks stands against a good verdict of the sensors.
func (p *pump) verdict(v event.Verdict) {
	r := *p.book.Rebuild
	if r.Judgement == event.LookAgain && v.Judgement != event.LookAgain {
		return
	}
	r.Verdicts = append(slices.Clone(r.Verdicts), v)
	r.Judgement = v.Judgement
	p.book.Rebuild = &r
	p.out.Rebuilds = append(p.out.Rebuilds, r)
	p.out.emit(p.site, p.cfg.ID, event.RebuildJudged, v.Time, fmt.Sprintf("%s verdict %d", r.Rebuild, len(r.Verdicts)), r)
	i := slices.IndexFunc(p.book.Done, func(t event.Ticket) bool { return t.Ticket == r.Ticket })
	if i < 0 {
		return
	}
	t := p.book.Done[i]
	entry := event.LogEntry{Time: v.Time, By: "acceptance", Did: event.Verify, Text: v.Words}
	again := v.Judgement == event.LookAgain
	switch {
	case again: // also where the first look was good and the second is not
		t.State, t.Outcome, t.Flag, entry.Did = event.StateInWork, "", v.Words, event.Reopen
	case v.Judgement == event.NotJudged:
		return
	default:
		t.Outcome = event.Verified
	}
	t.Version++
	t.Log = append(slices.Clone(t.Log), entry)
	if again {
		p.book.Done = slices.Delete(p.book.Done, i, i+1)
		p.book.Tickets = append(p.book.Tickets, t)
	} else {
		p.book.Done[i] = t
	}
	p.book.tell(p.site, p.cfg, event.TicketUpdated, v.Time, t, &p.out)
}
