package agent_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
	"diastole/agent/intake"
)

// TestRestartGoesOn: an agent that is stopped and started again in mid-epoch, while its broker keeps what comes meanwhile, tells in
// all what an unbroken one tells.
func TestRestartGoesOn(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)
	address := freeAddress(t)
	mosquitto(t, address)
	s := setup{broker: "mqtt://" + address, state: t.TempDir()}
	p := connect(t, s.broker, "plant")
	var told []event.Event
	// The first stop is in mid-burst before anything is known, the second while learning, the third with a ticket open.
	cuts := []int{13, 400, 1100}
	from := 0
	for i, cut := range append(cuts, len(messages)) {
		r := start(t, s)
		away := 0
		if i > 0 {
			away = 5 // came while nobody listened
			eventually(t, "what the broker has kept", func() bool { return r.Judged() >= int64(away) })
		}
		p.feed(t, r, messages[from+away:cut])
		if i == len(cuts) {
			eventually(t, "all events", func() bool { return len(told)+len(r.events()) >= len(wearEvents(t)) })
		}
		r.stop()
		told = append(told, r.events()...)
		if from = cut; i < len(cuts) {
			p.publish(t, messages[from:from+5]...)
		}
	}
	if d := cmp.Diff(wearEvents(t), told); d != "" {
		t.Errorf("(-unbroken +restarted):\n%s", d)
	}
}

// feedUntilTicket publishes messages until a ticket is open, and gives it with what is left.
func feedUntilTicket(t *testing.T, r *running, p plant) (ticket event.Ticket, left int) {
	t.Helper()
	messages := must(wear())(t)
	opened := slices.IndexFunc(wearEvents(t), func(e event.Event) bool { return e.Type == event.TicketOpened })
	at := wearEvents(t)[opened].Time
	n := slices.IndexFunc(messages, func(m intake.Message) bool { return m.Arrival.After(at.Add(time.Minute)) }) + 30
	p.feed(t, r, messages[:n])
	eventually(t, "a ticket", func() bool { return len(r.tickets(t)) > 0 })
	return r.tickets(t)[0], len(messages) - n
}

// TestAcknowledgementOutlivesARestart, and a crash: the copy of the state is what a power cut leaves.
func TestAcknowledgementOutlivesARestart(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)
	s := setup{state: t.TempDir()}
	r := start(t, s)
	ticket, left := feedUntilTicket(t, r, connect(t, r.brokerURL(), "plant"))
	if status, body := r.post(t, "/api/v1/tickets/"+ticket.Ticket+"/acknowledge", `{"by":"jo"}`); status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	crashed := copyState(t, s.state)
	r.stop()
	for name, state := range map[string]string{"stop": s.state, "crash": crashed} {
		t.Run(name, func(t *testing.T) {
			r := start(t, setup{state: state})
			got := r.tickets(t)
			if len(got) != 1 || got[0].Ticket != ticket.Ticket || got[0].State != event.StateAcknowledged || got[0].By != "jo" {
				t.Fatalf("%+v", got)
			}
			connect(t, r.brokerURL(), "plant").feed(t, r, messages[len(messages)-left:])
			eventually(t, "the ticket is updated", func() bool { return len(r.events()) > 0 })
			for _, e := range r.events() {
				var x event.Ticket
				if err := json.Unmarshal(e.Data, &x); err != nil {
					t.Fatal(err)
				}
				if e.Type != event.TicketUpdated || x.Ticket != ticket.Ticket || x.State != event.StateAcknowledged || x.By != "jo" {
					t.Errorf("%s of ticket %s, %s by %q", e.Type, x.Ticket, x.State, x.By)
				}
			}
			r.stop()
		})
	}
}

// TestRebuildOutlivesACrash: the healthy state of the pump that was is not that of the pump that is, whatever is left of the memory.
func TestRebuildOutlivesACrash(t *testing.T) {
	t.Parallel()
	for _, restarted := range []bool{false, true} { // before the rebuild: a stop stores the state of the pump that was
		s := setup{state: t.TempDir()}
		r := start(t, s)
		ticket, _ := feedUntilTicket(t, r, connect(t, r.brokerURL(), "plant"))
		if restarted {
			r.stop()
			r = start(t, s)
		}
		if status, body := r.post(t, "/api/v1/tickets/"+ticket.Ticket+"/close", `{"by":"jo","outcome":"done","note":"worn ball"}`); status != http.StatusOK {
			t.Fatalf("%d %s", status, body)
		}
		crashed := copyState(t, s.state)
		r.stop()
		for name, state := range map[string]string{"stop": s.state, "crash": crashed} {
			t.Run(fmt.Sprintf("%s, restarted before %v", name, restarted), func(t *testing.T) {
				r := start(t, setup{state: state})
				if got := r.metric(t, `diastole_pump_learned_ratio{pump="P-101",site="works"}`); got != "0" {
					t.Errorf("learned: %s", got)
				}
				got := r.tickets(t)
				if len(got) != 1 || got[0].State != event.StateClosed || got[0].Outcome != event.Done || got[0].Note != "worn ball" {
					t.Errorf("%+v", got)
				}
				r.stop()
			})
		}
	}
}

// TestTwoAgentsOnOneState: the second says so and leaves the first alone.
func TestTwoAgentsOnOneState(t *testing.T) {
	t.Parallel()
	s := setup{state: t.TempDir()}
	r := start(t, s)
	if err := tryStart(t, s); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("%v", err)
	}
	if status, _ := r.get(t, "/readyz"); status != http.StatusOK {
		t.Errorf("the first agent: %d", status)
	}
}

// copyState copies the files as they stand, as a crash would leave them: all of one moment.
func copyState(t *testing.T, dir string) string {
	t.Helper()
	read := func() map[string][]byte {
		files := map[string][]byte{}
		for _, entry := range must(os.ReadDir(dir))(t) {
			files[entry.Name()] = must(os.ReadFile(filepath.Join(dir, entry.Name())))(t)
		}
		return files
	}
	files := read()
	eventually(t, "nothing is written while it is copied", func() bool {
		before := files
		files = read()
		return cmp.Equal(before, files)
	})
	to := t.TempDir()
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(to, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to
}
