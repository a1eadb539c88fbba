package agent

import (
	"fmt"
	"strings"
	"time"

	"diastole/agent/watch"
	"diastole/detect"
	"diastole/detect/signal"
)

// unseen says in words what the channels of a pump cannot show.
func unseen(s watch.Status) []string {
	var out []string
	if at := s.Monitor.Service; at != signal.ServiceRun {
		out = append(out, fmt.Sprintf("anything while the service state is %s, since %s: nothing is learned or judged", at, s.Monitor.ServiceSince.UTC().Format(time.RFC3339)))
	}
	for _, x := range s.Offline {
		out = append(out, fmt.Sprintf("what %s shows: its sender is offline since %s", x.Channel, x.Since.Format(time.RFC3339)))
	}
	for _, x := range detect.Sights(s.Settings) {
		if x.Seen {
			continue
		}
		text := string(x.Fault) + string(x.Cause)
		var names []string
		for _, c := range x.Missing {
			names = append(names, c.String())
		}
		if len(names) > 0 {
			text = fmt.Sprintf("%s (%s would show it)", text, strings.Join(names, ", "))
		}
		out = append(out, text)
	}
	return out
}
