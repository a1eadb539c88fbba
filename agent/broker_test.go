package agent_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"diastole/agent/event"
)

// TestBrokerDiesAndComesBack: the agent says that it hears nothing, connects and subscribes again, tells what waited, and the pump is
// judged as if nothing had been.
func TestBrokerDiesAndComesBack(t *testing.T) {
	t.Parallel()
	messages := must(wear())(t)
	address := freeAddress(t)
	kill := mosquitto(t, address)
	h := newHook(t)
	r := start(t, setup{broker: "mqtt://" + address, outlets: h.outlet()})
	p := connect(t, "mqtt://"+address, "plant")
	half := len(messages) / 2
	p.feed(t, r, messages[:half])

	kill()
	var body string
	eventually(t, "the agent is not ready", func() bool {
		var status int
		status, body = r.get(t, "/readyz")
		return status == http.StatusServiceUnavailable
	})
	if !strings.Contains(body, "failed sensor messages: not connected to the broker") {
		t.Errorf("readyz says %q", body)
	}
	if status, _ := r.get(t, "/healthz"); status != http.StatusOK {
		t.Errorf("healthz is about the process: %d", status)
	}
	if got := r.metric(t, `diastole_broker_connected{site="works"}`); got != "0" {
		t.Errorf("connected: %s", got)
	}

	mosquitto(t, address)
	eventually(t, "the agent is ready again", func() bool { status, _ := r.get(t, "/readyz"); return status == http.StatusOK })
	p = connect(t, "mqtt://"+address, "plant")
	events := p.subscribe(t, "diastole/works/P-101/events")
	p.feed(t, r, messages[half:])
	want := wearEvents(t)
	eventually(t, "all is told", func() bool { return len(ofPumps(h.got())) >= len(want) && len(events()) >= len(want)-baselines(want) })
	if d := cmp.Diff(want, r.events()); d != "" {
		t.Errorf("(-unbroken +with a dead broker between):\n%s", d)
	}
	if got := r.Session().Connects; got != 2 {
		t.Errorf("%d connects, want 2", got)
	}
	r.stop()
}

// baselines are the events of the first half, which went to the broker that died.
func baselines(events []event.Event) (n int) {
	for _, e := range events {
		if e.Type == event.BaselineLearned {
			n++
		}
	}
	return n
}

// TestEventsWaitForTheirReceiver: what is told while the broker is away goes out when it is back, also over a restart of the agent.
func TestEventsWaitForTheirReceiver(t *testing.T) {
	t.Parallel()
	address := freeAddress(t)
	kill := mosquitto(t, address)
	s := setup{broker: "mqtt://" + address, state: t.TempDir()}
	r := start(t, s)
	ticket, _ := feedUntilTicket(t, r, connect(t, s.broker, "plant"))
	kill()
	eventually(t, "the agent is not ready", func() bool { status, _ := r.get(t, "/readyz"); return status != http.StatusOK })
	if status, body := r.post(t, "/api/v1/tickets/"+ticket.Ticket+"/acknowledge", `{"by":"jo"}`); status != http.StatusOK {
		t.Fatalf("with a dead broker: %d %s", status, body)
	}
	r.stop()

	mosquitto(t, address)
	events := connect(t, s.broker, "desk").subscribe(t, "diastole/works/P-101/events")
	r = start(t, s)
	var x event.Ticket
	eventually(t, "the acknowledgement is told", func() bool { // perhaps after events that had to wait too
		for _, e := range eventsIn(t, events()) {
			if err := json.Unmarshal(e.Data, &x); err != nil {
				t.Fatal(err)
			}
		}
		return x.State == event.StateAcknowledged
	})
	if x.Ticket != ticket.Ticket || x.By != "jo" {
		t.Errorf("%s by %q, want %s by jo", x.Ticket, x.By, ticket.Ticket)
	}
	r.stop()
}
