package itip

import (
	"fmt"
	"strings"
	"time"

	"kitd/internal/fault"
	"kitd/internal/ical"
	"kitd/internal/schedule"
)

// The answers of an ATTENDEE (RFC 5545, 3.2.12).
const (
	accepted = "ACCEPTED"
	declined = "DECLINED"
)

// reply queues the answer to the organizer: a text for people and a REPLY for their calendar.
func (s *Secretary) reply(st Store, c *matter, status, said string, got []schedule.Booking) error {
	word := "Declined"
	if status == accepted {
		word = "Accepted"
	}
	body := said + "\n" + s.links(got) + "\n" + c.target.Name() + " <" + c.target.Address + ">\n"
	return s.answer(st, c, word+": "+subjectOf(c), body, compose(c.message, c.target, c.isUs, status, said, s.now()), "REPLY")
}

func subjectOf(c *matter) string {
	if c.message != nil && c.message.Heads[0].Summary != "" {
		return cut(c.message.Heads[0].Summary)
	}
	return c.receipt.Subject
}

func (s *Secretary) links(got []schedule.Booking) string {
	if s.URL == "" {
		return ""
	}
	var b strings.Builder
	for _, x := range got {
		fmt.Fprintf(&b, "%s: %s/bookings/%s\n", x.Label(), strings.TrimSuffix(s.URL, "/"), x.ID)
	}
	return b.String()
}

// compose writes a REPLY (RFC 5546, 3.2.3): of each component that was sent the UID, the SEQUENCE as it came, the instance, our
// ATTENDEE alone, and a COMMENT.
func compose(m *ical.Message, target Target, us func(ical.Person) bool, status, said string, now time.Time) []byte {
	out := ical.Calendar{Method: "REPLY"}
	for _, h := range m.Heads {
		e := answerTo(m, h, target, us, status, now)
		e.Comment = said
		out.Events = append(out.Events, e)
		switch loc := ical.Location(h.Start.Zone); {
		case h.AllDay:
			out.Zone = target.zone()
		case out.Zone == nil && loc != nil && h.Start.Zone != "":
			out.Zone = loc
		}
	}
	return ical.Encode(out)
}

// answerTo is the component of an answer to one component of a message.
func answerTo(m *ical.Message, h ical.Head, target Target, us func(ical.Person) bool, status string, now time.Time) ical.Entry {
	me := ical.Person{Address: target.Address, Name: target.Name(), Kind: "RESOURCE"}
	for _, a := range h.Attendees {
		if us(a) {
			me = ical.Person{Address: a.Address, Name: a.Name, Kind: a.Kind, Role: a.Role}
			break
		}
	}
	me.Status = status
	organizer := ical.Person{Address: h.Organizer.Address, Name: h.Organizer.Name, SentBy: h.Organizer.SentBy}
	if organizer.Address == "" {
		organizer = m.Heads[0].Organizer
	}
	return ical.Entry{UID: m.UID, Stamp: now, Sequence: h.Sequence, Start: h.Start.At, End: h.End.At, AllDay: h.AllDay,
		RecurrenceID: h.RecurrenceID, Summary: h.Summary, Organizer: &organizer, Attendees: []ical.Person{me}}
}

// askAgain asks the organizer for the whole event, since an ADD came for one that is not known here (RFC 5546, 3.2.4).
func (s *Secretary) askAgain(st Store, c *matter) error {
	e := answerTo(c.message, c.message.Heads[0], c.target, c.isUs, "", s.now())
	e.Sequence, e.Start, e.End, e.Summary = 0, time.Time{}, time.Time{}, ""
	said := "This adds a date to an event that is not known here; nothing was booked. Send the invitation to the whole event again."
	calendar := ical.Encode(ical.Calendar{Method: "REFRESH", Events: []ical.Entry{e}})
	if err := s.answer(st, c, "Unknown event: "+subjectOf(c), said+"\n", calendar, "REFRESH"); err != nil {
		return err
	}
	return s.keep(st, c, Refreshed, said)
}

// explain tells a known sender in words why nothing was done.
func (s *Secretary) explain(st Store, c *matter, said string) error {
	if err := s.answer(st, c, "Nothing was booked: "+subjectOf(c), said+"\n\n"+c.target.Name()+" <"+c.target.Address+">\n", nil, ""); err != nil {
		return err
	}
	return s.keep(st, c, Explained, said)
}

// unclear says why a letter cannot be acted on at all, empty when it can.
func (s *Secretary) unclear(c *matter) string {
	l := c.letter
	switch {
	case c.message == nil && len(l.Calendars) == 0 && l.TNEF:
		return "Your invitation came in a form that only one maker's mail programs read (winmail.dat, TNEF). Send it as iCalendar: make an event and invite " + c.target.Address + " from a calendar program, and let messages to this address leave as plain Internet mail."
	case c.message == nil && l.Trouble != nil:
		return fault.Of(l.Trouble).Sentence()
	case c.message == nil:
		return "This mail holds no invitation. To book, make an event in your calendar program and invite " + c.target.Address + "."
	case c.message.Method == "PUBLISH":
		return "This event was published, not an invitation. To book, invite " + c.target.Address + " to it."
	case c.message.Method != "REQUEST" && c.message.Method != "CANCEL" && c.message.Method != "ADD" && c.message.Method != "REFRESH":
		return "The method " + c.message.Method + " does nothing here. To book, invite " + c.target.Address + " to an event."
	case !speaksFor(l.From, c.message.Heads[0].Organizer):
		return "The organizer of this event is " + organizerOf(c.message) + ", and the mail came from " + l.From + ". Only the organizer, or who sends on the organizer's behalf (SENT-BY), can invite. Make an event of your own and invite " + c.target.Address + "."
	}
	return ""
}

func organizerOf(m *ical.Message) string {
	if a := m.Heads[0].Organizer.Address; a != "" {
		return cut(a)
	}
	return "not named"
}

// promised says what stands, in one paragraph.
func promised(got []schedule.Booking, target Target, order Order) string {
	var b strings.Builder
	if target.Kit == nil {
		fmt.Fprintf(&b, "Understood: %s of %s. ", order, target.Depot.Name)
	}
	for i, x := range got {
		if i > 0 {
			b.WriteByte(' ')
		}
		tags := make([]string, len(x.Units))
		for n, u := range x.Units {
			tags[n] = u.Tag
		}
		fmt.Fprintf(&b, "%s: promised %s, %s.", x.Label(), strings.Join(tags, ", "), whenOf(x, target.zone()))
	}
	return b.String()
}

// String shows the order as people say it.
func (o Order) String() string {
	unit := func(n int, what string) string {
		if n == 1 {
			return "1 " + what
		}
		return fmt.Sprintf("%d %ss", n, what)
	}
	switch {
	case o.Dosimeters > 0 && o.Calibrator:
		return unit(o.Dosimeters, "dosimeter") + " and a calibrator"
	case o.Dosimeters > 0:
		return unit(o.Dosimeters, "dosimeter")
	}
	return unit(max(o.Kits, 1), "kit")
}

// whenOf shows the visits of a booking on the depot's clock.
func whenOf(b schedule.Booking, loc *time.Location) string {
	first, last := b.Occurrences[0].Span, b.Occurrences[len(b.Occurrences)-1].Span
	const day, clock = "Mon 2 Jan 2006", "15:04"
	from, to := first.From.In(loc), last.To.In(loc)
	text := "from " + from.Format(day+", "+clock) + " to " + to.Format(day+", "+clock)
	if from.Format(day) == to.Format(day) {
		text = "on " + from.Format(day+", "+clock) + " to " + to.Format(clock)
	}
	if n := len(b.Occurrences); n > 1 {
		text = fmt.Sprintf("for %d visits %s", n, text)
	}
	return text + " (" + loc.String() + ")"
}
