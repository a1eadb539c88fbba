package watch_test

import (
	"testing"
	"time"

	"diastole/agent/watch"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
)

// TestOutlook: a snapshot tells of the pump's own noise once it has learned, and not before.
func TestOutlook(t *testing.T) {
	cfg, err := wearConfig()
	if err != nil {
		t.Fatal(err)
	}
	p := &cfg.Pumps[0]
	hypotheses, err := diagnose.Hypotheses(p.Settings.Model)
	if err != nil {
		t.Fatal(err)
	}
	s := wearSite(t)
	outlook := func() (detect.Outlook, bool) {
		t.Helper()
		_, data, err := s.Snapshot(pumpID)
		if err != nil {
			t.Fatal(err)
		}
		o, learned, err := watch.Outlook(p, hypotheses, data)
		if err != nil {
			t.Fatal(err)
		}
		return o, learned
	}
	if _, learned := outlook(); learned {
		t.Error("learned before the first message")
	}
	messages := wearMessages(t)
	var c collected
	c.feed(s, messages[:len(messages)*3/4])
	o, learned := outlook()
	if !learned || !o.Learned {
		t.Fatal("not learned")
	}
	if o.Every < 50*time.Minute || o.Every > 70*time.Minute { // the recording has a burst an hour
		t.Errorf("an epoch every %s", o.Every)
	}
	if sum := o.FalseTickets + o.FalseChanges; sum != p.Settings.FalseTicketsPerYear {
		t.Errorf("the charts share %g false tickets, the budget is %g", sum, p.Settings.FalseTicketsPerYear)
	}
	if len(o.Findable) == 0 || o.Findable[0].Feature != feature.StrokeRate {
		t.Fatalf("findable: %+v", o.Findable)
	}
	for _, f := range o.Findable {
		for i := range f.Ticket {
			if i > 0 && (f.Ticket[i] >= f.Ticket[i-1] || f.Change[i] >= f.Change[i-1]) || f.Ticket[i] <= 0 {
				t.Errorf("%s: %v and %v are found in a day, a week, a month", f.Feature, f.Ticket, f.Change)
			}
		}
	}
	if _, _, err := watch.Outlook(p, hypotheses, []byte("no snapshot")); err == nil {
		t.Error("rubbish was taken for a snapshot")
	}
}
