package sparkplug

import (
	"encoding/json"
	"fmt"
	"time"
)

// HostState is what a STATE message tells of a host.
type HostState struct {
	Online bool
	// Timestamp is when it came online; its death carries the same (tck-id-host-topic-phid-death-payload-timestamp-disconnect-clean
	// and its like). It is zero where an earlier version of the specification is spoken.
	Timestamp time.Time
}

// DecodeState reads the payload of a STATE message: {"online": true, "timestamp": ms}, or ONLINE and OFFLINE of version 2.2.
func DecodeState(payload []byte) (HostState, error) {
	switch string(payload) {
	case "ONLINE":
		return HostState{Online: true}, nil
	case "OFFLINE":
		return HostState{}, nil
	}
	var s struct {
		Online    *bool  `json:"online"`
		Timestamp *int64 `json:"timestamp"`
	}
	if err := json.Unmarshal(payload, &s); err != nil {
		return HostState{}, fmt.Errorf("STATE is not {\"online\": true or false, \"timestamp\": ms}: %w", err)
	}
	if s.Online == nil || s.Timestamp == nil {
		return HostState{}, fmt.Errorf("STATE %.60q lacks online or timestamp", payload)
	}
	return HostState{Online: *s.Online, Timestamp: time.UnixMilli(*s.Timestamp).UTC()}, nil
}
