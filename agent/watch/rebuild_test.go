package watch_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"diastole/agent/event"
	"diastole/agent/watch"
	"diastole/model/pump"
)

// partOf is a component at a rebuild.
func partOf(t *testing.T, r event.Rebuild, c pump.Component) event.Part {
	t.Helper()
	i := slices.IndexFunc(r.Parts, func(p event.Part) bool { return p.Component == c })
	if i < 0 {
		t.Fatalf("%s is not among the parts", c)
	}
	return r.Parts[i]
}

// TestRebuiltCountsParts: what is new begins at zero, what is not goes on, and a pump that was rebuilt before the start has a muffler
// of unknown age.
func TestRebuiltCountsParts(t *testing.T) {
	s, id, at, rest := acted(t)
	r, err := s.Rebuilt(pumpID, watch.Rebuilt{
		By: "jo", Kits: []pump.Kit{pump.WetEnd}, Replaced: []pump.Component{pump.ShaftSeals},
		Found: map[pump.Component]watch.Found{pump.Balls: {Condition: pump.Worn, Note: "flat on one side"}},
	}, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	ran := partOf(t, r, pump.Balls)
	if r.Ticket != id || r.Fault != pump.CheckValveLeak || ran.Strokes == nil || *ran.Strokes < 1000 || !ran.Replaced || ran.Found != pump.Worn {
		t.Errorf("rebuild of ticket %s for %s, balls %+v", r.Ticket, r.Fault, ran)
	}
	if p := partOf(t, r, pump.MainValve); p.Replaced || p.Strokes == nil || *p.Strokes != *ran.Strokes {
		t.Errorf("the main air valve is %+v", p)
	}
	if p := partOf(t, r, pump.Muffler); p.Replaced || p.Strokes != nil || p.Found != pump.NotLookedAt {
		t.Errorf("the muffler is %+v", p)
	}
	var c collected
	c.take(s)
	want := []event.Type{event.TicketClosed, event.BaselineReset, event.RebuildRecorded}
	if got := types(c.Events); !slices.Equal(got, want) {
		t.Errorf("events %v, want %v", got, want)
	}
	if len(c.Bodies) == 0 || c.Bodies[len(c.Bodies)-1].Serial != "0007" || len(c.Bodies[len(c.Bodies)-1].Best) == 0 {
		t.Errorf("bodies %+v", c.Bodies)
	}
	rest()
	now := map[pump.Component]float64{}
	st := s.Status()[0]
	for _, p := range st.Parts {
		if p.Strokes != nil {
			now[p.Component] = *p.Strokes
		}
	}
	if now[pump.Balls] == 0 || now[pump.Balls] != now[pump.ShaftSeals] || now[pump.MainValve] != now[pump.Balls]+*ran.Strokes || now[pump.Balls] != st.SinceRebuild {
		t.Errorf("what the parts have run: %v, since the rebuild %g", now, st.SinceRebuild)
	}
}

// TestRecordAmendsWhatWasAssumed: a ticket that is closed as done takes its kit to be used; who says more is believed instead, and
// nothing counts twice.
func TestRecordAmendsWhatWasAssumed(t *testing.T) {
	s, id, at, _ := acted(t)
	if _, err := s.Act(id, watch.Act{Do: event.Close, By: "jo", Outcome: event.Done, Note: "done"}, at); err != nil {
		t.Fatal(err)
	}
	assumed := *s.Status()[0].Rebuild
	if !assumed.Assumed || !cmp.Equal(assumed.Kits, []pump.Kit{pump.WetEnd}) || !partOf(t, assumed, pump.Balls).Replaced {
		t.Fatalf("assumed: %+v", assumed)
	}
	r, err := s.Rebuilt(pumpID, watch.Rebuilt{By: "ann", Kits: nil, Replaced: []pump.Component{pump.Balls}, Note: "one ball"}, at.Add(time.Hour), nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Rebuild != assumed.Rebuild || !r.Time.Equal(assumed.Time) || r.Assumed || r.Ticket != id || len(r.Kits) != 0 {
		t.Errorf("amended: %+v", r)
	}
	if !partOf(t, r, pump.Balls).Replaced || partOf(t, r, pump.Seats).Replaced {
		t.Error("the balls are new and the seats are not")
	}
	for _, p := range s.Status()[0].Parts {
		if p.Component == pump.Seats && (p.Strokes == nil || *p.Strokes != *partOf(t, assumed, pump.Seats).Strokes) {
			t.Errorf("the seats go on where they were: %+v", p)
		}
	}
	if n := len(s.Take().Rebuilds); n != 2 {
		t.Errorf("%d rows of rebuilds, the second in place of the first", n)
	}
}

// TestWhatAPersonSeesCounts: a leak outside is no good rebuild, and takes the ticket up again.
func TestWhatAPersonSeesCounts(t *testing.T) {
	s, id, at, _ := acted(t)
	wet := true
	r, err := s.Rebuilt(pumpID, watch.Rebuilt{By: "jo", Kits: []pump.Kit{pump.WetEnd}, Asked: event.Asked{LeaksWet: &wet}}, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Judgement != event.LookAgain || r.Verdicts[0].Mistake != "leaks-liquid" || len(r.Verdicts[0].Checks) == 0 {
		t.Errorf("judged %s: %+v", r.Judgement, r.Verdicts)
	}
	tickets := s.Status()[0].Tickets
	if len(tickets) != 1 || tickets[0].Ticket != id || tickets[0].State != event.StateInWork || !strings.Contains(tickets[0].Flag, "liquid escapes") {
		t.Errorf("tickets %+v", tickets)
	}
}

// TestSwapFollowsTheBody: the body that goes keeps what it has run, the one that comes brings what is known of it, and a serial stands
// in one place only.
func TestSwapFollowsTheBody(t *testing.T) {
	s, _, at, rest := acted(t)
	if _, err := s.Swapped(pumpID, "0007", "jo", nil, at); !errors.Is(err, watch.ErrConflict) {
		t.Errorf("the body that stands there: %v", err)
	}
	if _, err := s.Swapped("P-999", "0008", "jo", nil, at); !errors.Is(err, watch.ErrNotConfigured) {
		t.Errorf("no such pump: %v", err)
	}
	b, err := s.Swapped(pumpID, "0008", "jo", nil, at)
	if err != nil {
		t.Fatal(err)
	}
	if b.Serial != "0008" || b.Strokes != 0 || len(b.Fitted) != 0 || b.Rebuilt != nil {
		t.Errorf("a body that nobody knows: %+v", b)
	}
	var c collected
	c.take(s)
	if types(c.Events)[0] != event.TicketClosed || !slices.Contains(types(c.Events), event.BaselineReset) {
		t.Errorf("events %v", types(c.Events))
	}
	old := c.Bodies[0]
	if old.Serial != "0007" || old.Pump != "" || old.Strokes < 1000 || len(old.Best) == 0 {
		t.Errorf("the body that went: %+v", old)
	}
	rest()
	ran := s.Status()[0].Monitor.Strokes
	if st := s.Status()[0]; st.Pump.Serial != "0008" || st.SinceRebuild != 0 || ran == 0 {
		t.Errorf("serial %s, since a rebuild %g", st.Pump.Serial, st.SinceRebuild)
	}
	back, err := s.Swapped(pumpID, "0007", "jo", &old, at.Add(40*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if back.Strokes != old.Strokes || !cmp.Equal(back.Fitted, old.Fitted) || !cmp.Equal(back.Best, old.Best) {
		t.Errorf("the body that came back: %+v, it was %+v", back, old)
	}
	if bodies := s.Take().Bodies; bodies[0].Serial != "0008" || bodies[0].Strokes != ran {
		t.Errorf("the body that went has run %g, it was seen to run %g", bodies[0].Strokes, ran)
	}
}

// TestRelearnKeepsTheStrokes: a new hose makes no part younger, also where it was fitted some time ago.
func TestRelearnKeepsTheStrokes(t *testing.T) {
	messages := wearMessages(t)
	s := wearSite(t)
	var c collected
	n := upTo(t, messages, 2)
	c.feed(s, messages[:n])
	before := s.Status()[0]
	since := c.Epochs[len(c.Epochs)-5].Epoch.Start
	if _, err := s.Relearn(pumpID, "another hose", "jo", since, c.epochs()[len(c.Epochs)-5:]); err != nil {
		t.Fatal(err)
	}
	after := s.Status()[0]
	if after.Monitor.Baseline != nil || after.Monitor.Learned == 0 || after.Monitor.Learned >= 1 {
		t.Errorf("learned %g of a baseline that begins five epochs ago", after.Monitor.Learned)
	}
	if d := after.SinceRebuild - before.SinceRebuild; d > 10000 || d < -10000 { // an hour before the first burst that is folded again
		t.Errorf("the parts had run %g, now %g", before.SinceRebuild, after.SinceRebuild)
	}
	if _, err := s.Relearn("P-999", "x", "jo", since, nil); !errors.Is(err, watch.ErrNotConfigured) {
		t.Errorf("no such pump: %v", err)
	}
}

// TestWorkOutlivesASnapshot: body, rebuild and its acceptance are the same after a restart, with a snapshot and without.
func TestWorkOutlivesASnapshot(t *testing.T) {
	s, _, at, rest := acted(t)
	r, err := s.Rebuilt(pumpID, watch.Rebuilt{By: "jo", Kits: []pump.Kit{pump.WetEnd}}, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	body := s.Status()[0].Body
	data := snapshot(t, s)
	want := rest()
	known := watch.Known{Bodies: []event.Body{body}, Rebuilds: []event.Rebuild{r}}
	for name, snap := range map[string][]byte{"snapshot": data, "no snapshot": nil} {
		again := wearSite(t)
		if err := again.Restore(pumpID, snap, nil, known); err != nil {
			t.Fatal(err)
		}
		again.Adopt(known)
		if d := cmp.Diff(body, again.Status()[0].Body); d != "" {
			t.Errorf("%s: body (-before +after):\n%s", name, d)
		}
		messages := wearMessages(t)
		var c collected
		c.feed(again, messages[upTo(t, messages, 2):])
		c.finish(again, messages)
		judged := func(c collected) (out []event.Event) {
			for _, e := range c.Events {
				if e.Type == event.RebuildJudged {
					out = append(out, e)
				}
			}
			return out
		}
		if a, b := judged(want), judged(c); len(a) != 1 || len(b) != 1 || a[0].ID != b[0].ID {
			t.Errorf("%s: the rebuild is judged %d and %d times", name, len(a), len(b))
		}
	}
}

// TestTicketLife goes through any acts in any order: a ticket is never in a state that its log does not tell of, each change counts its
// version up by one, and what is refused changes nothing.
func TestTicketLife(t *testing.T) {
	messages := wearMessages(t)
	n := upTo(t, messages, 2)
	rapid.Check(t, func(t *rapid.T) {
		s := wearSite(t)
		var c collected
		c.feed(s, messages[:n])
		id := c.Tickets[0].Ticket.Ticket
		version, closed := int64(0), false
		deeds := rapid.SliceOfN(rapid.SampledFrom(event.Deeds()), 1, 12).Draw(t, "deeds")
		for i, do := range deeds {
			a := watch.Act{Do: do, By: rapid.SampledFrom([]string{"jo", "ann"}).Draw(t, "by"), Note: "n", For: "2026-04-01"}
			if do == event.Close {
				a.Outcome = rapid.SampledFrom([]event.Outcome{event.Done, event.Rejected}).Draw(t, "outcome")
			}
			stale := rapid.Bool().Draw(t, "stale")
			if stale {
				a.Version = new(version - 1)
			} else if rapid.Bool().Draw(t, "versioned") {
				a.Version = &version
			}
			got, err := s.Act(id, a, messages[n].Arrival.Add(time.Duration(i)*time.Minute))
			switch {
			case err == nil && stale:
				t.Fatalf("%s on version %d passed, it is at %d", do, version-1, version)
			case err == nil && got.Version == version: // said again by the same person
				if do != event.Acknowledge || got.By != a.By {
					t.Fatalf("%s by %s changed nothing", do, a.By)
				}
			case err == nil:
				last := got.Log[len(got.Log)-1]
				if got.Version != version+1 || last.Did != do || last.By != a.By || closed && do != event.Comment && do != event.Verify {
					t.Fatalf("%s: version %d after %d, log ends with %+v", do, got.Version, version, last)
				}
				version, closed = got.Version, got.State == event.StateClosed
			case !errors.Is(err, watch.ErrConflict) && !errors.Is(err, watch.ErrNotOpen) && !errors.Is(err, watch.ErrRefused):
				t.Fatalf("%s: %v", do, err)
			}
		}
		var told int64
		for _, e := range s.Take().Events {
			if strings.HasPrefix(string(e.Type), "diastole.ticket") {
				told++
			}
		}
		if told != version {
			t.Fatalf("%d events for %d changes", told, version)
		}
	})
}

// TestShelvedAdvisory: it is quiet until its time, comes back by itself, and is told of at its end.
func TestShelvedAdvisory(t *testing.T) {
	s := wearSite(t)
	now := wearMessages(t)[0].Arrival
	a := event.Advisory{Advisory: pumpID + "-cause-1", Pump: pumpID, Cause: pump.SuctionRestricted, Since: now}
	s.Adopt(watch.Known{Advisories: []event.Advisory{a}})
	until := now.Add(8 * time.Hour)
	for _, x := range []struct {
		until time.Time
		want  string
	}{{now, "must end after now"}, {now.Add(40 * 24 * time.Hour), "31 days"}} {
		if _, err := s.Shelve(a.Advisory, event.Shelf{By: "jo", At: now, Until: x.until, Reason: "r"}); !errors.Is(err, watch.ErrRefused) || !strings.Contains(err.Error(), x.want) {
			t.Errorf("until %v: %v", x.until, err)
		}
	}
	if _, err := s.Shelve("A-0", event.Shelf{By: "jo", At: now, Until: until, Reason: "r"}); !errors.Is(err, watch.ErrNotOpen) {
		t.Errorf("no such advisory: %v", err)
	}
	got, err := s.Shelve(a.Advisory, event.Shelf{By: "jo", At: now, Until: until, Reason: "strainer ordered"})
	if err != nil || got.Shelved == nil {
		t.Fatalf("%+v, %v", got, err)
	}
	if out := s.Take(); len(out.Events) != 1 || len(out.Advisories) != 1 || out.Events[0].Type != event.AdvisoryUpdated {
		t.Fatalf("%+v", out)
	}
	s.Tick(until.Add(-time.Minute))
	if out := s.Take(); !out.Empty() {
		t.Fatalf("too soon: %+v", out)
	}
	s.Tick(until.Add(3 * time.Hour)) // time was not looked at for hours
	out := s.Take()
	if len(out.Events) != 1 || !out.Events[0].Time.Equal(until) || out.Advisories[0].Advisory.Shelved != nil {
		t.Errorf("%+v", out)
	}
}
