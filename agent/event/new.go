package event

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// New makes an event of pump at a site. about names what it is about (a ticket, an advisory, a baseline); with the
// source, the type and the time it makes the id, so that the same finding has the same id in every replay.
func New(site, pump string, t Type, at time.Time, about string, data any) (Event, error) {
	raw, err := json.Marshal(data)
	if err != nil {
		return Event{}, fmt.Errorf("data of a %s of pump %s: %w", t, pump, err)
	}
	at = at.UTC()
	source := "/sites/" + site
	if pump != "" {
		source += "/pumps/" + pump
	}
	sum := sha256.Sum256([]byte(strings.Join([]string{source, string(t), at.Format(time.RFC3339Nano), about}, "\n")))
	return Event{
		SpecVersion: "1.0", ID: hex.EncodeToString(sum[:12]), Source: source, Type: t, Subject: pump,
		Time: at, DataContentType: "application/json", Data: raw,
	}, nil
}
