package watch

import (
	"bytes"
	"encoding/gob"
	"fmt"

	"diastole/agent/config"
	"diastole/detect"
	"diastole/detect/diagnose"
)

// Outlook is what the charts of a pump can be expected to do, by a stored snapshot of the pump. It reports false where the pump was
// still learning.
func Outlook(cfg *config.Pump, hypotheses []diagnose.Hypothesis, snapshot []byte) (detect.Outlook, bool, error) {
	var s saved
	if err := gob.NewDecoder(bytes.NewReader(snapshot)).Decode(&s); err != nil {
		return detect.Outlook{}, false, fmt.Errorf("snapshot of pump %s: %w", cfg.ID, err)
	}
	if s.Version != savedVersion {
		return detect.Outlook{}, false, fmt.Errorf("snapshot of pump %s has version %d, this program reads %d", cfg.ID, s.Version, savedVersion)
	}
	set := cfg.Settings
	set.Hypotheses = hypotheses
	m, err := detect.Restore(set, s.Monitor)
	if err != nil {
		return detect.Outlook{}, false, fmt.Errorf("snapshot of pump %s: %w", cfg.ID, err)
	}
	o, learned := m.Outlook()
	return o, learned, nil
}
