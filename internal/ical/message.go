package ical

import (
	"strings"
	"time"

	goical "github.com/emersion/go-ical"
)

// Message is an iTIP scheduling message (RFC 5546, 1.4): a METHOD and the components of one UID.
type Message struct {
	Method  string // upper case
	UID     string
	Heads   []Head // one a VEVENT, in order; at least one
	Event   *Event // what is asked for, by REQUEST, ADD and PUBLISH; nil for other methods and with Trouble
	Trouble error  // why the event cannot be used, although it is known whose it is; a fault
}

// Head is what a VEVENT of a message says of itself, as far as it says it.
type Head struct {
	RecurrenceID time.Time // the instance it speaks of; zero: the event as a whole
	Sequence     int
	Stamp        time.Time // DTSTAMP
	Start        Moment    // zero: not given
	End          Moment
	AllDay       bool
	Summary      string
	Location     string
	Comment      string
	Resources    []string
	Organizer    Person
	Attendees    []Person
}

// ParseMessage reads an iTIP message. The method of the body counts; a MIME parameter is often lost on the way. An error means
// that nobody knows what the message speaks of; a message whose event cannot be promised (a series without an end, an unknown
// zone) comes back with Trouble, so that it can be answered. Every message needs DTSTAMP, which orders the versions of an
// event (RFC 5546, 2.1.5).
func ParseMessage(raw []byte, opt Options) (*Message, error) {
	lines, err := scan(raw)
	if err != nil {
		return nil, err
	}
	root, err := decode(lines)
	if err != nil {
		return nil, err
	}
	if err := checkForm(root, "understood"); err != nil {
		return nil, err
	}
	zones, err := newZoneSet(opt.Zone, root)
	if err != nil {
		return nil, err
	}
	return readMessage(root, zones)
}

func readMessage(root *goical.Component, zones *zoneSet) (*Message, error) {
	method, ok, err := one(root, "METHOD")
	if err != nil {
		return nil, err
	}
	m := &Message{}
	if ok {
		m.Method = strings.ToUpper(strings.TrimSpace(method.Value))
	}
	if m.Method == "" || tokenLength(m.Method) != len(m.Method) {
		return nil, badObject("it has no METHOD, so it does not say what is asked; send it as an invitation")
	}
	for _, c := range root.Children {
		if c.Name != goical.CompEvent {
			continue
		}
		uid, h, trouble, err := readHead(c, zones)
		if err != nil {
			return nil, err
		}
		if len(m.Heads) > 0 && uid != m.UID {
			return nil, badObject("it holds two UIDs, %s and %s; send each event in a message of its own", quote(m.UID), quote(uid))
		}
		m.UID, m.Heads = uid, append(m.Heads, h)
		if m.Trouble == nil {
			m.Trouble = trouble
		}
	}
	if len(m.Heads) == 0 {
		return nil, badObject("it holds no event (VEVENT)")
	}
	switch m.Method {
	case "REQUEST", "ADD", "PUBLISH":
		if m.Trouble == nil {
			m.Event, m.Trouble = readAsked(root, zones)
		}
	}
	return m, nil
}

func readAsked(root *goical.Component, zones *zoneSet) (*Event, error) {
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

// readHead reads what identifies and orders a component. An error leaves nothing to answer to; trouble does.
func readHead(c *goical.Component, zones *zoneSet) (uid string, h Head, trouble, err error) {
	p := &part{c: c}
	id, ok, err := one(c, "UID")
	if err != nil {
		return "", h, nil, err
	}
	if uid = uidOf(id, ok); uid == "" || len(uid) > maxUID {
		return "", h, nil, badLine(lineOf(c), "the event needs a UID of 1 to %d octets", maxUID)
	}
	if h.Sequence, h.Stamp, err = p.revision(); err != nil {
		return "", h, nil, err
	}
	if h.Stamp.IsZero() {
		return "", h, nil, badLine(lineOf(c), "the event has no DTSTAMP, so nobody knows which version is newer")
	}
	if organizer, ok, err := one(c, "ORGANIZER"); err != nil {
		return "", h, nil, err
	} else if ok {
		h.Organizer = readPerson(organizer)
	}
	for _, a := range all(c, "ATTENDEE") {
		h.Attendees = append(h.Attendees, readPerson(a))
	}
	for _, r := range all(c, "RESOURCES") {
		h.Resources = append(h.Resources, r.list()...)
	}
	for name, into := range map[string]*string{"SUMMARY": &h.Summary, "LOCATION": &h.Location, "COMMENT": &h.Comment} {
		if texts := all(c, name); len(texts) > 0 {
			*into = texts[0].text()
		}
	}
	if trouble = p.readOriginal(zones); trouble != nil {
		return uid, h, trouble, nil
	}
	if p.original != nil {
		h.RecurrenceID = p.original.instant()
	}
	if _, given, _ := one(c, "DTSTART"); given {
		if trouble = p.readTimes(zones); trouble == nil {
			h.AllDay, h.Start = p.start.date, p.start.public()
			h.End = p.start.at(wallOf(p.start.zone, p.length.of(p.start))).public()
		}
	}
	return uid, h, trouble, nil
}
