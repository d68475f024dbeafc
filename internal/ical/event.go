package ical

import (
	"slices"
	"strconv"
	"strings"
	"time"

	goical "github.com/emersion/go-ical"
)

// maxUID bounds what is kept as a key.
const maxUID = 512

// Parse reads a calendar object resource (RFC 4791, 4.1): one UID, no METHOD, events only, a master and its overrides or
// overrides alone. Every error is a fault that names the line. A recurrence must end, within one year of its start.
func Parse(raw []byte, opt Options) (*Event, error) {
	lines, err := scan(raw)
	if err != nil {
		return nil, err
	}
	root, err := decode(lines)
	if err != nil {
		return nil, err
	}
	if err := checkCalendar(root); err != nil {
		return nil, err
	}
	zones, err := newZoneSet(opt.Zone, root)
	if err != nil {
		return nil, err
	}
	var parts []*part
	for _, c := range root.Children {
		if c.Name != goical.CompEvent {
			continue
		}
		p, err := readPart(c, zones)
		if err != nil {
			return nil, err
		}
		parts = append(parts, p)
	}
	return assemble(parts, zones)
}

// checkCalendar holds the object to what a calendar collection may store.
func checkCalendar(root *goical.Component) error {
	if m := root.Props.Get("METHOD"); m != nil {
		return badObject("it is a scheduling message (METHOD:%s); a stored object has no METHOD", m.Value)
	}
	return checkForm(root, "kept")
}

// checkForm holds objects and messages to one version, one calendar scale and events.
func checkForm(root *goical.Component, done string) error {
	for _, want := range []struct{ name, value, why string }{
		{"VERSION", "2.0", "it is not iCalendar version 2.0; export it as iCalendar"},
		{"CALSCALE", "GREGORIAN", "it is not in the Gregorian calendar"},
	} {
		p, ok, err := one(root, want.name)
		if err != nil {
			return err
		}
		if ok && !strings.EqualFold(strings.TrimSpace(p.Value), want.value) {
			return badObject("%s", want.why)
		}
	}
	for _, c := range root.Children {
		if c.Name != goical.CompEvent && c.Name != goical.CompTimezone {
			return badObject("it holds a %s in line %d; only events (VEVENT) are %s here", c.Name, lineOf(c), done)
		}
	}
	return nil
}

// part is one VEVENT: the master of a UID or an override of one instance.
type part struct {
	c        *goical.Component
	uid      string
	start    moment
	length   length
	original *moment // RECURRENCE-ID
	rule     *rule
	ruleLine int
	ruleText string
	extra    []extra   // RDATE
	without  []exclude // EXDATE
	status   string
	summary  string
}

// length is what a part says of its duration (RFC 5545, 3.6.1 and 3.8.5.3): DTEND gives an exact length that every instance
// has, whole days for all-day events; DURATION a nominal one.
type length struct {
	span span
	end  *moment // DTEND
}

func (l length) of(start moment) time.Time { return l.span.after(start) }

func readPart(c *goical.Component, zones *zoneSet) (*part, error) {
	p := &part{c: c}
	uid, ok, err := one(c, "UID")
	if err != nil {
		return nil, err
	}
	if p.uid = uidOf(uid, ok); p.uid == "" || len(p.uid) > maxUID {
		return nil, badLine(lineOf(c), "the event needs a UID of 1 to %d octets", maxUID)
	}
	if err := p.readTimes(zones); err != nil {
		return nil, err
	}
	if err := p.readRecurrence(zones); err != nil {
		return nil, err
	}
	status, _, err := one(c, "STATUS")
	if err != nil {
		return nil, err
	}
	if status.Prop != nil {
		p.status = strings.ToUpper(strings.TrimSpace(status.Value))
	}
	p.summary, err = textOf(c, "SUMMARY")
	return p, err
}

func uidOf(p property, ok bool) string {
	if !ok {
		return ""
	}
	return strings.TrimSpace(p.text())
}

func textOf(c *goical.Component, name string) (string, error) {
	p, ok, err := one(c, name)
	if err != nil || !ok {
		return "", err
	}
	return p.text(), nil
}

// readTimes reads DTSTART with DTEND, DURATION or neither: then a date lasts one day and a time lasts no time (RFC 5545, 3.6.1).
func (p *part) readTimes(zones *zoneSet) error {
	start, ok, err := one(p.c, "DTSTART")
	if err != nil {
		return err
	}
	if !ok {
		return badLine(lineOf(p.c), "the event has no DTSTART; say when it begins")
	}
	if p.start, err = readMoment(start, start.Value, zones); err != nil {
		return err
	}
	end, hasEnd, err := one(p.c, "DTEND")
	if err != nil {
		return err
	}
	duration, hasDuration, err := one(p.c, "DURATION")
	switch {
	case err != nil:
		return err
	case hasEnd && hasDuration:
		return badLine(duration.line(), "the event has both DTEND and DURATION; keep one")
	case hasEnd:
		return p.readEnd(end, zones)
	case hasDuration:
		return p.readDuration(duration)
	case p.start.date:
		p.length.span.days = 1
	}
	return nil
}

func (p *part) readEnd(end property, zones *zoneSet) error {
	m, err := readMoment(end, end.Value, zones)
	if err != nil {
		return err
	}
	if m.date != p.start.date {
		return badLine(end.line(), "DTSTART and DTEND are not both dates or both times")
	}
	from, to := p.start.instant(), m.instant()
	if !to.After(from) {
		return badLine(end.line(), "the event ends (DTEND %s) before or when it begins; put the end after the start", end.Value)
	}
	if to.Sub(from) > 366*24*time.Hour {
		return badLine(end.line(), "the event lasts longer than one year; shorten it")
	}
	p.length.end = &m
	if m.date {
		p.length.span.days = daysBetween(p.start.wall, m.wall)
	} else {
		p.length.span.exact = to.Sub(from)
	}
	return nil
}

func (p *part) readDuration(d property) (err error) {
	if p.length.span, err = readSpan(d.line(), "DURATION", d.Value); err != nil {
		return err
	}
	if s := &p.length.span; p.start.date {
		if s.exact%(24*time.Hour) != 0 {
			return badLine(d.line(), "an all-day event lasts whole days, not %s", quote(d.Value))
		}
		s.days, s.exact = s.days+int(s.exact/(24*time.Hour)), 0
		if s.days == 0 {
			return badLine(d.line(), "an all-day event lasts at least one day")
		}
	}
	return nil
}

// assemble joins the parts of one UID.
func assemble(parts []*part, zones *zoneSet) (*Event, error) {
	if len(parts) == 0 {
		return nil, badObject("it holds no event (VEVENT)")
	}
	var master *part
	overrides := map[int64]*part{}
	for _, p := range parts {
		if p.uid != parts[0].uid {
			return nil, badObject("it holds two UIDs, %s and %s; store each event as an object of its own", quote(parts[0].uid), quote(p.uid))
		}
		if p.original == nil {
			if master != nil {
				return nil, badLine(lineOf(p.c), "the object holds the event twice; keep one, or give the other a RECURRENCE-ID")
			}
			master = p
			continue
		}
		key := p.original.instant().Unix()
		if overrides[key] != nil {
			return nil, badLine(lineOf(p.c), "two events have the same RECURRENCE-ID; keep one")
		}
		overrides[key] = p
	}
	lead := master
	if lead == nil {
		lead = slices.MinFunc(parts, func(a, b *part) int { return a.start.instant().Compare(b.start.instant()) })
	}
	e, err := lead.event()
	if err != nil {
		return nil, err
	}
	e.Recurring = len(overrides) > 0 || lead.rule != nil || len(lead.extra) > 0
	e.Occurrences, err = occurrences(master, overrides)
	if err != nil {
		return nil, err // a half-read event must not pass for one
	}
	return e, nil
}

// event reads what describes the event.
func (p *part) event() (e *Event, err error) {
	e = &Event{UID: p.uid, Status: p.status, Summary: p.summary, AllDay: p.start.date, Rule: p.ruleText}
	e.Start = p.start.public()
	e.End = p.start.at(wallOf(p.start.zone, p.length.of(p.start))).public()
	if p.length.end != nil {
		e.End = p.length.end.public()
	}
	for name, into := range map[string]*string{"LOCATION": &e.Location, "DESCRIPTION": &e.Description} {
		if *into, err = textOf(p.c, name); err != nil {
			return nil, err
		}
	}
	if e.Sequence, e.Stamp, err = p.revision(); err != nil {
		return nil, err
	}
	transp, err := textOf(p.c, "TRANSP")
	if err != nil {
		return nil, err
	}
	e.Transparent = strings.EqualFold(strings.TrimSpace(transp), "TRANSPARENT")
	organizer, ok, err := one(p.c, "ORGANIZER")
	if err != nil {
		return nil, err
	}
	if ok {
		e.Organizer = readPerson(organizer)
	}
	for _, a := range all(p.c, "ATTENDEE") {
		e.Attendees = append(e.Attendees, readPerson(a))
	}
	for _, r := range all(p.c, "RESOURCES") {
		e.Resources = append(e.Resources, r.list()...)
	}
	return e, nil
}

// revision reads SEQUENCE and DTSTAMP, which order the versions of an event (RFC 5546, 2.1.5).
func (p *part) revision() (sequence int, stamp time.Time, err error) {
	s, ok, err := one(p.c, "SEQUENCE")
	if err != nil {
		return 0, stamp, err
	}
	if ok {
		if sequence, err = strconv.Atoi(strings.TrimSpace(s.Value)); err != nil || sequence < 0 || sequence > 1<<31-1 {
			return 0, stamp, badLine(s.line(), "SEQUENCE %s is not a whole number", quote(s.Value))
		}
	}
	d, ok, err := one(p.c, "DTSTAMP")
	if err != nil || !ok {
		return sequence, stamp, err
	}
	wall, _, err := readDateTime(d.line(), "DTSTAMP", d.Value)
	return sequence, wall, err
}
