package plan

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// Calendar writes the plan as an iCalendar object (RFC 5545): an all-day event for each shutdown that has a day, and one for each order. An event
// keeps its identity as long as its pumps, or its kit, and its day stay.
func (p Plan) Calendar(w io.Writer) error {
	var b strings.Builder
	line := func(name, value string) { b.WriteString(fold(name + ":" + value)) }
	line("BEGIN", "VCALENDAR")
	line("VERSION", "2.0")
	line("PRODID", "-//Diastole//Plan//EN")
	event := func(uid, on, summary, description string) {
		at, err := time.Parse(time.DateOnly, on)
		if err != nil {
			return // without a day it is nothing for a calendar
		}
		line("BEGIN", "VEVENT")
		line("UID", escape(uid)+"@diastole")
		line("DTSTAMP", p.Made.UTC().Format("20060102T150405Z"))
		line("DTSTART;VALUE=DATE", at.Format("20060102"))
		line("DTEND;VALUE=DATE", at.AddDate(0, 0, 1).Format("20060102")) // the end is not part of the event
		line("SUMMARY", escape(summary))
		line("DESCRIPTION", escape(description))
		line("TRANSP", "TRANSPARENT")
		line("END", "VEVENT")
	}
	for _, s := range p.Shutdowns {
		var about []string
		for _, x := range s.Work {
			about = append(about, fmt.Sprintf("%s: %s kit%s, %s, %s, %s", x.Pump, x.Kit, numbered(x.KitNumber), x.ByWords(), x.WhyWords(), x.SourceWords()))
		}
		about = append(about, p.Caution)
		event(strings.Join(append([]string{p.Site}, s.Pumps...), "-")+"-"+s.On, s.On, "Rebuild "+strings.Join(s.Pumps, ", "), strings.Join(about, "\n"))
	}
	for _, s := range p.Kits {
		if s.Order > 0 {
			event(p.Site+"-order-"+s.KitNumber+"-"+s.OrderBy, s.OrderBy, fmt.Sprintf("Order %d of %s", s.Order, s.KitNumber),
				fmt.Sprintf("%s kit %s: %s on hand, %d planned, lead time %g days", s.Kit, s.KitNumber, s.OnHandWords(), s.Planned, s.LeadTimeDays))
		}
	}
	line("END", "VCALENDAR")
	_, err := io.WriteString(w, b.String())
	return err
}

// escape is a value of type TEXT (RFC 5545, 3.3.11). Control characters are not part of it and are left out.
func escape(s string) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\r\n", "\n")
	s = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f {
			return -1
		}
		return r
	}, s)
	return strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\n", `\n`).Replace(s)
}

// fold ends a content line, broken so that none is longer than 75 octets without its end, and no character is torn (RFC 5545, 3.1).
func fold(s string) string {
	const most = 75
	var b strings.Builder
	room := most
	for len(s) > room {
		cut := room
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		b.WriteString(s[:cut] + "\r\n ")
		s = s[cut:]
		room = most - 1 // the space counts
	}
	b.WriteString(s + "\r\n")
	return b.String()
}
