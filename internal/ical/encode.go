package ical

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// product is the PRODID of everything kitd writes.
const product = "-//kitd//survey equipment//EN"

// Calendar is what kitd writes: a stored object, a feed or a free/busy answer. Nothing is taken from the clock, so the same
// Calendar always gives the same bytes.
type Calendar struct {
	Name    string         // shown by clients that subscribe; RFC 7986, 5.1
	Refresh time.Duration  // how often a subscriber should look again; RFC 7986, 5.7; zero says nothing
	Method  string         // METHOD of a scheduling message; empty for stored objects and feeds
	Zone    *time.Location // nil writes times in UTC; else local times with a VTIMEZONE, and all-day dates in this zone
	Reach   [2]time.Time   // the span the VTIMEZONE speaks of besides that of the events; zero: none
	Events  []Entry
	Busy    []FreeBusy
}

// Entry is a VEVENT to write. Start and End are instants; End is exclusive.
type Entry struct {
	UID          string
	Stamp        time.Time // DTSTAMP, required
	Created      time.Time // zero: left out
	Modified     time.Time // zero: left out
	Sequence     int
	Start, End   time.Time
	AllDay       bool     // written as dates of the Calendar's zone (UTC if it has none)
	More         []Period // further instances of a series, written as RDATE; Kind is ignored
	RecurrenceID time.Time
	Summary      string
	Description  string
	Location     string
	Comment      string
	URL          string
	Status       string // CONFIRMED, TENTATIVE, CANCELLED
	Categories   []string
	Transparent  bool
	Organizer    *Person
	Attendees    []Person
	Alarms       []Alarm
}

// Alarm is a VALARM that shows a text some time before the start.
type Alarm struct {
	Before time.Duration
	Text   string
}

// FreeBusy is a VFREEBUSY (RFC 5545, 3.6.4).
type FreeBusy struct {
	UID        string
	Stamp      time.Time
	Start, End time.Time
	Organizer  *Person
	Periods    []Period
}

// Period is a half-open busy time.
type Period struct {
	Start, End time.Time
	Kind       string // BUSY (when empty), BUSY-TENTATIVE, BUSY-UNAVAILABLE, FREE
}

// Encode writes c as iCalendar: CRLF, lines folded at 75 octets between characters, texts escaped, parameters by RFC 6868.
func Encode(c Calendar) []byte {
	w := &writer{zone: c.Zone}
	w.raw("BEGIN", "VCALENDAR")
	w.raw("VERSION", "2.0")
	w.raw("PRODID", product)
	w.raw("CALSCALE", "GREGORIAN")
	w.token("METHOD", c.Method)
	if c.Name != "" {
		w.text("NAME", c.Name)
		w.text("X-WR-CALNAME", c.Name)
	}
	if c.Refresh > 0 {
		w.raw("REFRESH-INTERVAL;VALUE=DURATION", durationText(c.Refresh))
		w.raw("X-PUBLISHED-TTL", durationText(c.Refresh))
	}
	if c.Zone != nil && c.Zone != time.UTC {
		w.timezone(c)
	}
	for i := range c.Events {
		w.event(&c.Events[i])
	}
	for i := range c.Busy {
		w.freeBusy(&c.Busy[i])
	}
	w.raw("END", "VCALENDAR")
	return w.b.Bytes()
}

type writer struct {
	b    bytes.Buffer
	zone *time.Location
}

func (w *writer) event(e *Entry) {
	w.raw("BEGIN", "VEVENT")
	w.text("UID", e.UID)
	w.utc("DTSTAMP", e.Stamp)
	w.utc("CREATED", e.Created)
	w.utc("LAST-MODIFIED", e.Modified)
	w.raw("SEQUENCE", strconv.Itoa(e.Sequence))
	w.time("DTSTART", e.Start, e.AllDay)
	w.time("DTEND", e.End, e.AllDay)
	w.more(e)
	w.time("RECURRENCE-ID", e.RecurrenceID, e.AllDay)
	for _, t := range []struct{ name, text string }{
		{"SUMMARY", e.Summary}, {"DESCRIPTION", e.Description}, {"LOCATION", e.Location}, {"COMMENT", e.Comment},
	} {
		if t.text != "" {
			w.text(t.name, t.text)
		}
	}
	w.uri("URL", nil, e.URL)
	w.token("STATUS", e.Status)
	if len(e.Categories) > 0 {
		escaped := make([]string, len(e.Categories))
		for i, c := range e.Categories {
			escaped[i] = escape(c)
		}
		w.raw("CATEGORIES", strings.Join(escaped, ","))
	}
	if e.Transparent {
		w.raw("TRANSP", "TRANSPARENT")
	}
	w.person("ORGANIZER", e.Organizer)
	for i := range e.Attendees {
		w.person("ATTENDEE", &e.Attendees[i])
	}
	for _, a := range e.Alarms {
		w.raw("BEGIN", "VALARM")
		w.raw("ACTION", "DISPLAY")
		w.raw("TRIGGER", "-"+durationText(a.Before))
		w.text("DESCRIPTION", a.Text)
		w.raw("END", "VALARM")
	}
	w.raw("END", "VEVENT")
}

// more writes the further instances: bare starts where they last as long as the first, else periods, which are in UTC.
func (w *writer) more(e *Entry) {
	for _, p := range e.More {
		if e.AllDay || p.End.Sub(p.Start) == e.End.Sub(e.Start) {
			w.time("RDATE", p.Start, e.AllDay)
			continue
		}
		w.raw("RDATE;VALUE=PERIOD", utcText(p.Start)+"/"+utcText(p.End))
	}
}

func (w *writer) freeBusy(f *FreeBusy) {
	w.raw("BEGIN", "VFREEBUSY")
	w.text("UID", f.UID)
	w.utc("DTSTAMP", f.Stamp)
	w.utc("DTSTART", f.Start)
	w.utc("DTEND", f.End)
	w.person("ORGANIZER", f.Organizer)
	for _, p := range f.Periods {
		kind := p.Kind
		if kind == "" {
			kind = "BUSY"
		}
		var name bytes.Buffer
		name.WriteString("FREEBUSY")
		writeParam(&name, "FBTYPE", kind)
		w.raw(name.String(), utcText(p.Start)+"/"+utcText(p.End))
	}
	w.raw("END", "VFREEBUSY")
}

func (w *writer) person(name string, p *Person) {
	if p == nil || p.Address == "" {
		return
	}
	var params bytes.Buffer
	for _, q := range []struct{ name, value string }{
		{"CN", p.Name}, {"CUTYPE", p.Kind}, {"ROLE", p.Role}, {"PARTSTAT", p.Status}, {"SENT-BY", mailto(p.SentBy)},
	} {
		if q.value != "" {
			writeParam(&params, q.name, q.value)
		}
	}
	w.uri(name, params.Bytes(), mailto(p.Address))
}

// mailto makes a calendar user address of a mail address; other URIs stay.
func mailto(address string) string {
	if address == "" || !strings.Contains(address, "@") || strings.Contains(address, ":") {
		return address
	}
	return "mailto:" + strings.NewReplacer("%", "%25", " ", "%20", "?", "%3F", "&", "%26", "#", "%23").Replace(address)
}

func (w *writer) text(name, value string) { w.raw(name, escape(value)) }

// token writes a value that is a bare name, and nothing for an empty one.
func (w *writer) token(name, value string) {
	if value != "" {
		w.raw(name, oneLine(value))
	}
}

func (w *writer) uri(name string, params []byte, value string) {
	if value != "" {
		w.raw(name+string(params), oneLine(value))
	}
}

func (w *writer) utc(name string, t time.Time) {
	if !t.IsZero() {
		w.raw(name, utcText(t))
	}
}

// time writes a local time where it says without doubt which instant is meant, else UTC.
func (w *writer) time(name string, t time.Time, date bool) {
	loc := w.zone
	if loc == nil {
		loc = time.UTC
	}
	local := t.In(loc)
	switch {
	case t.IsZero():
	case date:
		w.raw(name+";VALUE=DATE", local.Format("20060102"))
	case loc == time.UTC || !instantOf(located{loc}, wallOf(located{loc}, t)).Equal(t.Truncate(time.Second)):
		w.utc(name, t)
	default:
		var head bytes.Buffer
		head.WriteString(name)
		writeParam(&head, "TZID", loc.String())
		w.raw(head.String(), local.Format("20060102T150405"))
	}
}

// raw writes one content line, folded at 75 octets, never within a character (RFC 5545, 3.1).
func (w *writer) raw(head, value string) {
	const width = 75
	s := head + ":" + value
	for room := width; len(s) > room; room = width - 1 {
		n := room
		for n > 0 && !utf8.RuneStart(s[n]) {
			n--
		}
		if n == 0 {
			n = room
		}
		w.b.WriteString(s[:n])
		w.b.WriteString("\r\n ")
		s = s[n:]
	}
	w.b.WriteString(s)
	w.b.WriteString("\r\n")
}

// escape writes TEXT (RFC 5545, 3.3.11). Line ends of every kind become \n, other control characters are dropped.
func escape(s string) string {
	s = strings.NewReplacer("\r\n", `\n`, "\r", `\n`, "\n", `\n`, `\`, `\\`, ";", `\;`, ",", `\,`).Replace(strings.ToValidUTF8(s, "\ufffd"))
	return dropControls(s)
}

func oneLine(s string) string { return dropControls(strings.ToValidUTF8(s, "\ufffd")) }

func dropControls(s string) string {
	return strings.Map(func(r rune) rune {
		if isControl(r) {
			return -1
		}
		return r
	}, s)
}

// writeParam writes ;NAME=value with the encoding of RFC 6868, section 3, quoted where needed.
func writeParam(b *bytes.Buffer, name string, values ...string) {
	b.WriteString(";" + name + "=")
	for i, v := range values {
		if i > 0 {
			b.WriteByte(',')
		}
		v = strings.NewReplacer("^", "^^", "\r\n", "^n", "\n", "^n", "\r", "^n", `"`, "^'").Replace(v)
		v = oneLine(v)
		if strings.ContainsAny(v, ";:,") {
			v = `"` + v + `"`
		}
		b.WriteString(v)
	}
}

func utcText(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

// durationText writes a DURATION in whole seconds; whole days stay exact hours, as a trigger or a refresh means them.
func durationText(d time.Duration) string {
	s := int64(d / time.Second)
	switch {
	case s <= 0:
		return "PT0S"
	case s%3600 == 0:
		return fmt.Sprintf("PT%dH", s/3600)
	case s%60 == 0:
		return fmt.Sprintf("PT%dM", s/60)
	}
	return fmt.Sprintf("PT%dS", s)
}
