package agent

import (
	"fmt"
	"strings"

	"diastole/agent/watch"
	"diastole/detect"
)

// unseen says in words what the channels of a pump cannot show.
func unseen(s watch.Status) []string {
	var out []string
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
