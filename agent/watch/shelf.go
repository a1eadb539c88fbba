package watch

import (
	"fmt"
	"slices"
	"time"

	"diastole/agent/config"
	"diastole/agent/event"
)

// mostShelved is the longest time that an advisory may be put aside: what nobody looks at for a month is not shelved but
// forgotten (IEC 62682 asks for a limit and leaves it to the site).
const mostShelved = 31 * 24 * time.Hour

// Shelve puts an advisory aside until a time. Its changes are then stored but told to nobody; that it has ended still is.
func (s *Site) Shelve(id string, shelf event.Shelf) (event.Advisory, error) {
	switch d := shelf.Until.Sub(shelf.At); {
	case d <= 0:
		return event.Advisory{}, fmt.Errorf("advisory %s: the shelf must end after now; it ends at %s: %w", id, shelf.Until.Format(time.RFC3339), ErrRefused)
	case d > mostShelved:
		return event.Advisory{}, fmt.Errorf("advisory %s: the longest time on the shelf is %g days; it ends at %s: %w", id, mostShelved.Hours()/24, shelf.Until.Format(time.RFC3339), ErrRefused)
	}
	return s.shelf(id, shelf.At, &shelf)
}

// Unshelve brings an advisory back before its time.
func (s *Site) Unshelve(id string, at time.Time) (event.Advisory, error) { return s.shelf(id, at, nil) }

func (s *Site) shelf(id string, at time.Time, shelf *event.Shelf) (event.Advisory, error) {
	for _, p := range s.pumps {
		if i := slices.IndexFunc(p.book.Advisories, func(a event.Advisory) bool { return a.Advisory == id }); i >= 0 {
			return p.book.shelve(p.site, p.cfg, i, at, shelf, &p.out), nil
		}
	}
	return event.Advisory{}, fmt.Errorf("advisory %s: %w", id, ErrNotOpen)
}

func (b *book) shelve(site string, p *config.Pump, i int, at time.Time, shelf *event.Shelf, out *Output) event.Advisory {
	a := &b.Advisories[i]
	a.Shelved = shelf
	out.Advisories = append(out.Advisories, Advisory{at, *a})
	out.emit(site, p.ID, event.AdvisoryUpdated, at, fmt.Sprintf("%s shelved %t", a.Advisory, shelf != nil), *a)
	return *a
}

// unshelve brings back what was put aside until now. It happens at the end of the shelf, whenever time is next looked at.
func (b *book) unshelve(site string, p *config.Pump, now time.Time, out *Output) {
	for i := range b.Advisories {
		if s := b.Advisories[i].Shelved; s != nil && !now.Before(s.Until) {
			b.shelve(site, p, i, s.Until, nil, out)
		}
	}
}
