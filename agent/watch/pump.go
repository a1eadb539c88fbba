package watch

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
	"diastole/agent/intake/settle"
	"diastole/detect"
	"diastole/detect/diagnose"
	"diastole/detect/feature"
	"diastole/detect/signal"
	trade "diastole/model/pump"
)

// ErrNotOpen is what an act on a ticket that is not open gives.
var ErrNotOpen = errors.New("is not open")

// pump is one pump: what settles its samples, what judges them, and what it told the world.
type pump struct {
	site    string
	cfg     *config.Pump
	settler *settle.Settler
	monitor *detect.Monitor
	book    book
	// newest is the newest finished epoch, lastData the end of the newest samples.
	newest                feature.Epoch
	lastData, lastArrival time.Time
	out                   Output
	holding               holding
	// settings are the configuration's with the hypotheses of the model.
	settings detect.Settings
	// lives and liquids are the site's: what is known of the lives of parts, and what a position pumps. costs are the catalogue's.
	lives   *Lives
	liquids func(pump string) string
	costs   trade.Costs
}

func newPump(site string, cfg *config.Pump, hypotheses []diagnose.Hypothesis) *pump {
	p := &pump{site: site, cfg: cfg, settler: settle.New(), settings: cfg.Settings}
	p.settings.Hypotheses = detect.Possible(cfg.Settings, hypotheses)
	p.holding.follow(cfg)
	p.monitor = detect.New(p.settings)
	p.book.Body = firstBody(cfg)
	return p
}

// advance lets time pass, and judges what has settled.
func (p *pump) advance(now time.Time) {
	p.holding.repeat(now, func(arrival time.Time, c signal.Chunk) { p.settler.Offer(arrival, c) })
	for _, c := range p.settler.Advance(now) {
		p.monitor.Push(c)
	}
	p.monitor.Advance(p.settler.Watermark())
	p.collect()
	p.book.unshelve(p.site, p.cfg, now, &p.out)
}

func (p *pump) offer(arrival time.Time, c signal.Chunk) {
	v := p.settler.Offer(arrival, c)
	if v != settle.Clock {
		p.holding.take(arrival, c) // also where it came late: it is the last word of its sensor
	}
	if v != settle.Accepted && v != settle.Replaced {
		return
	}
	end := c.End()
	if end.After(p.lastData) {
		p.lastData, p.lastArrival = end, arrival
	}
}

// collect turns findings into rows and events.
func (p *pump) collect() {
	for _, f := range p.monitor.Take() {
		switch f.Kind {
		case detect.EpochDone:
			p.newest = *f.Epoch
			p.out.Epochs = append(p.out.Epochs, Epoch{Pump: p.cfg.ID, Epoch: *f.Epoch})
		case detect.BaselineLearned:
			p.out.emit(p.site, p.cfg.ID, event.BaselineLearned, f.Time, "baseline", baselineOf(p.cfg, f.Baseline))
		case detect.FaultRaised, detect.FaultChanged, detect.FaultWorn, detect.FaultCleared:
			p.book.fault(p.site, p.cfg, &f, p.outlook(&f), &p.out)
		case detect.CauseRaised, detect.CauseChanged, detect.CauseCleared:
			p.book.cause(p.site, p.cfg, &f, &p.out)
		case detect.RebuildJudged:
			p.judged(&f)
		}
	}
}

func baselineOf(p *config.Pump, s *detect.BaselineSummary) event.Baseline {
	called := "healthy"
	if s.AsFound {
		called = "as found"
	}
	return event.Baseline{
		Pump: p.ID, Model: p.Settings.Model.Name, Called: called,
		From: s.From.UTC(), To: s.To.UTC(), Epochs: s.Epochs,
		Inlet:     &[2]float64{significant(s.InletMin), significant(s.InletMax)},
		Discharge: &[2]float64{significant(s.DischargeMin), significant(s.DischargeMax)},
		Lacks:     s.Lacks,
	}
}

// saved is the stored form of a pump.
type saved struct {
	Version int
	Settler settle.State
	Monitor []byte
	// Book is JSON: gob does not tell a pointer to zero from nil.
	Book   []byte
	Newest feature.Epoch

	LastData, LastArrival time.Time

	// Held and Heard are of values that are sent on change only.
	Held  []held
	Heard time.Time
}

const savedVersion = 2

func (p *pump) snapshot() ([]byte, error) {
	m, err := p.monitor.Snapshot()
	if err != nil {
		return nil, fmt.Errorf("pump %s: %w", p.cfg.ID, err)
	}
	b, err := json.Marshal(&p.book)
	if err != nil {
		return nil, fmt.Errorf("snapshot of the tickets of pump %s: %w", p.cfg.ID, err)
	}
	var buf bytes.Buffer
	s := saved{savedVersion, p.settler.Snapshot(), m, b, p.newest, p.lastData, p.lastArrival, p.holding.Held, p.holding.Heard}
	if err := gob.NewEncoder(&buf).Encode(s); err != nil {
		return nil, fmt.Errorf("snapshot of pump %s: %w", p.cfg.ID, err)
	}
	return buf.Bytes(), nil
}

// restore goes on where a snapshot was taken. epochs are those that were finished since: where there are any, the samples
// of the open epoch are lost, and the state is what the epochs say.
func (p *pump) restore(data []byte, epochs []feature.Epoch) error {
	var s saved
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return fmt.Errorf("snapshot of pump %s: %w", p.cfg.ID, err)
	}
	if s.Version != savedVersion {
		return fmt.Errorf("snapshot of pump %s has version %d, this program reads %d", p.cfg.ID, s.Version, savedVersion)
	}
	m, err := detect.Restore(p.settings, s.Monitor)
	if err != nil {
		return fmt.Errorf("snapshot of pump %s: %w", p.cfg.ID, err)
	}
	var b book
	if err := json.Unmarshal(s.Book, &b); err != nil {
		return fmt.Errorf("snapshot of the tickets of pump %s: %w", p.cfg.ID, err)
	}
	p.monitor, p.book, p.newest, p.lastData, p.lastArrival = m, b, s.Newest, s.LastData, s.LastArrival
	p.standing()
	if len(epochs) == 0 {
		p.settler = settle.Restore(s.Settler)
		p.holding.Held, p.holding.Heard = s.Held, s.Heard
		return nil
	}
	p.refold(epochs)
	return nil
}

// refold folds stored epochs again. What comes of them has the ids that it had before, so that nothing is told twice.
func (p *pump) refold(epochs []feature.Epoch) {
	p.settler = settle.New()
	p.monitor.Refold(epochs)
	p.collect()
	for _, e := range epochs {
		if e.End.After(p.lastData) {
			p.lastData, p.lastArrival = e.End, e.End
		}
	}
}
