// Package ical reads and writes iCalendar (RFC 5545). It is the only package that touches the iCalendar library: a scanner of
// its own stands before it, and every value, recurrence and time zone is read here. Nothing in it reads the clock.
package ical

import (
	"fmt"
	"strconv"
	"time"
	_ "time/tzdata" // zones must not depend on the host

	"kitd/internal/fault"
)

// Limits of one calendar object.
const (
	MaxBytes       = 256 << 10 // octets of the whole object
	MaxLine        = 8 << 10   // octets of one unfolded content line
	MaxDepth       = 4         // nesting of components, VCALENDAR counted
	MaxParams      = 32        // parameters of one content line
	MaxOccurrences = 200       // instances of a series that stand
	MaxDates       = 1000      // values of EXDATE and RDATE together
	MaxZones       = 5         // time zones taken from the object's own rules
	MaxObservances = 200       // STANDARD and DAYLIGHT parts of one such zone
	MaxZoneRules   = 16        // of these, parts that repeat every year
)

// The years between which times are accepted, both included.
const (
	FirstYear = 1970
	LastYear  = 2100
)

// Options say how the parts of an object that name no zone are read.
type Options struct {
	Zone *time.Location // of floating and all-day times: the depot's zone; required
}

// Person is an ORGANIZER or ATTENDEE (RFC 5545, 3.8.4).
type Person struct {
	Address string // lower-case e-mail address without "mailto:"; another URI as it is
	Name    string // CN
	Kind    string // CUTYPE, upper case; never trust it
	Role    string // ROLE, upper case
	Status  string // PARTSTAT, upper case
	SentBy  string // as Address
	Email   string // EMAIL (RFC 7986, 6.2), lower case; empty when absent
}

// Moment is a time as the object states it, and the instant it means.
type Moment struct {
	Wall string    // local reading, 2006-01-02T15:04:05
	Zone string    // IANA name of the zone the reading is in; empty when the object brought its own rules for it
	At   time.Time // UTC
}

// Occurrence is one instance that stands: half-open, UTC.
type Occurrence struct {
	Start, End   time.Time
	RecurrenceID time.Time // original start of an instance of a series; zero for a single event
	Changed      bool      // it comes from an override
	Summary      string
}

// Event is a calendar object resource of RFC 4791, 4.1: all components of one UID.
type Event struct {
	UID         string
	Sequence    int
	Stamp       time.Time // DTSTAMP, zero when absent
	Summary     string
	Location    string
	Description string
	Organizer   Person
	Attendees   []Person
	Resources   []string
	Transparent bool   // TRANSP:TRANSPARENT: it occupies nobody
	Status      string // upper case; empty when absent
	AllDay      bool
	Start, End  Moment // of the master, or of the earliest override when the object has no master
	Recurring   bool
	Rule        string       // RRULE as sent
	Occurrences []Occurrence // by start; empty when the event is cancelled or every instance is excluded
}

// Cancelled reports whether the object itself says that nothing is to happen.
func (e *Event) Cancelled() bool { return e.Status == "CANCELLED" }

// problem is a fault before it is known where it stands.
type problem struct {
	code fault.Code
	line int
	what string
	args []any
}

// Error gives the sentence without its place.
func (p *problem) Error() string { return p.what }

func (p *problem) fault() *fault.Error {
	args := append([]any{"line", p.line, "what", p.what}, p.args...)
	f := fault.New(p.code, args...)
	if p.line > 0 {
		f.At("line "+strconv.Itoa(p.line), p.what)
	}
	return f
}

// badLine is a content line that cannot be read.
func badLine(no int, format string, args ...any) error {
	return (&problem{code: fault.CalendarLine, line: no, what: fmt.Sprintf(format, args...)}).fault()
}

// badRule is a recurrence that cannot be promised.
func badRule(no int, format string, args ...any) error {
	return (&problem{code: fault.CalendarRule, line: no, what: fmt.Sprintf(format, args...)}).fault()
}

// badObject is an object that is not what a calendar collection holds.
func badObject(format string, args ...any) error {
	return (&problem{code: fault.CalendarObject, what: fmt.Sprintf(format, args...)}).fault()
}

// badZone names a time zone nobody knows.
func badZone(no int, tzid string) error {
	what := fmt.Sprintf("the time zone %s is not known", quote(tzid))
	return (&problem{code: fault.CalendarZone, line: no, what: what, args: []any{"zone", quote(tzid)}}).fault()
}

// quote shows a piece of input, shortened so that an answer never echoes a whole object.
func quote(s string) string {
	const most = 60
	n := 0
	for i := range s {
		if n == most {
			return strconv.Quote(s[:i]) + "…"
		}
		n++
	}
	return strconv.Quote(s)
}
