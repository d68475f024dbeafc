package ical

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"kitd/internal/fault"
)

func berlin(t testing.TB) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// object wraps event lines in a calendar, with CRLF.
func object(lines ...string) []byte {
	all := append([]string{"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//test//EN"}, lines...)
	return []byte(strings.Join(append(all, "END:VCALENDAR"), "\r\n") + "\r\n")
}

// event wraps property lines in one VEVENT with a UID.
func event(lines ...string) []byte {
	all := append([]string{"BEGIN:VEVENT", "UID:one@example.org", "DTSTAMP:20260101T000000Z"}, lines...)
	return object(append(all, "END:VEVENT")...)
}

func parse(t *testing.T, raw []byte) *Event {
	t.Helper()
	e, err := Parse(raw, Options{Zone: berlin(t)})
	if err != nil {
		t.Fatalf("%v\n%s", err, raw)
	}
	return e
}

// refused wants a fault of the code whose sentence holds the words.
func refused(t *testing.T, raw []byte, code fault.Code, words ...string) {
	t.Helper()
	e, err := Parse(raw, Options{Zone: berlin(t)})
	if err == nil {
		t.Fatalf("accepted: %+v", e)
	}
	if !fault.Is(err, code) {
		t.Errorf("code: got %v, want %s", err, code)
	}
	sentence := fault.Of(err).Sentence()
	for _, w := range words {
		if !strings.Contains(sentence, w) {
			t.Errorf("sentence %q lacks %q", sentence, w)
		}
	}
	if strings.Contains(sentence, "{") {
		t.Errorf("sentence %q has an open place", sentence)
	}
}

// starts shows the starts of the occurrences in a zone.
func starts(e *Event, zone string) string {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		panic(err)
	}
	var out []string
	for _, o := range e.Occurrences {
		out = append(out, o.Start.In(loc).Format("2006-01-02T15:04"))
	}
	return strings.Join(out, " ")
}

func spans(e *Event) string {
	var out []string
	for _, o := range e.Occurrences {
		out = append(out, o.Start.Format("2006-01-02T15:04Z")+"/"+o.End.Format("2006-01-02T15:04Z"))
	}
	return strings.Join(out, " ")
}

func same(t *testing.T, got, want string) {
	t.Helper()
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestEventIsRead(t *testing.T) {
	e := parse(t, event(
		"SEQUENCE:3", "DTSTART;TZID=Europe/Berlin:20260304T080000", "DTEND;TZID=Europe/Berlin:20260304T163000",
		`SUMMARY:Foundry\, hall 2\; day 1\nnoise C:\\x`, "LOCATION:Bergstadt", "DESCRIPTION:two\\nlines", "STATUS:confirmed", "TRANSP:OPAQUE",
		`ORGANIZER;CN="Lind, Ada":MAILTO:Ada.Lind%40Example.org`, `ATTENDEE;CUTYPE=RESOURCE;PARTSTAT=NEEDS-ACTION;CN=Kit ^'3^' ^^:mailto:kit3@example.org`,
		"RESOURCES:DOSIMETER,CALIBRATOR\\,CLASS 1", "BEGIN:VALARM", "ACTION:DISPLAY", "TRIGGER:-PT15M", "DESCRIPTION:x", "END:VALARM"))
	same(t, e.UID, "one@example.org")
	same(t, e.Summary, "Foundry, hall 2; day 1\nnoise C:\\x")
	same(t, e.Description, "two\nlines")
	same(t, e.Status, "CONFIRMED")
	same(t, fmt.Sprintf("%q", e.Resources), `["DOSIMETER" "CALIBRATOR,CLASS 1"]`)
	same(t, e.Organizer.Address+"|"+e.Organizer.Name, "ada.lind@example.org|Lind, Ada")
	same(t, e.Attendees[0].Name+"|"+e.Attendees[0].Kind, `Kit "3" ^|RESOURCE`) // RFC 6868, section 3
	same(t, fmt.Sprintf("%+v", e.Start), "{Wall:2026-03-04T08:00:00 Zone:Europe/Berlin At:2026-03-04 07:00:00 +0000 UTC}")
	same(t, e.End.Wall+e.End.Zone, "2026-03-04T16:30:00Europe/Berlin")
	same(t, spans(e), "2026-03-04T07:00Z/2026-03-04T15:30Z")
	if e.Sequence != 3 || e.Recurring || e.Transparent || e.AllDay || !e.Stamp.Equal(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("%+v", e)
	}
	if !e.Occurrences[0].RecurrenceID.IsZero() {
		t.Error("a single event has no recurrence id")
	}
}

// RFC 5545, 3.1: an unescaped comma in SUMMARY is widely sent and must not cut the text (the library cuts it).
func TestUnescapedCommaStays(t *testing.T) {
	same(t, parse(t, event("DTSTART:20260304T080000Z", "DTEND:20260304T090000Z", "SUMMARY:a, b")).Summary, "a, b")
}

// RFC 5545, 3.6.1: what DTEND and DURATION mean, and what their absence means.
func TestLengths(t *testing.T) {
	for _, c := range []struct{ name, lines, want string }{
		{"no end, time: no length", "DTSTART:20260304T080000Z", "2026-03-04T08:00Z/2026-03-04T08:00Z"},
		{"no end, date: one day in the depot's zone", "DTSTART;VALUE=DATE:20260304", "2026-03-03T23:00Z/2026-03-04T23:00Z"},
		{"DTEND date is exclusive", "DTSTART;VALUE=DATE:20260304|DTEND;VALUE=DATE:20260306", "2026-03-03T23:00Z/2026-03-05T23:00Z"},
		{"date over the spring change is 23 h", "DTSTART;VALUE=DATE:20260329|DTEND;VALUE=DATE:20260330", "2026-03-28T23:00Z/2026-03-29T22:00Z"},
		{"DURATION", "DTSTART:20260304T080000Z|DURATION:PT8H30M", "2026-03-04T08:00Z/2026-03-04T16:30Z"},
		{"weeks", "DTSTART:20260304T080000Z|DURATION:P1W", "2026-03-04T08:00Z/2026-03-11T08:00Z"},
		{"a day is nominal, 3.3.6", "DTSTART;TZID=Europe/Berlin:20260328T120000|DURATION:P1D", "2026-03-28T11:00Z/2026-03-29T10:00Z"},
		{"24 hours are exact, 3.3.6", "DTSTART;TZID=Europe/Berlin:20260328T120000|DURATION:PT24H", "2026-03-28T11:00Z/2026-03-29T11:00Z"},
		{"all-day DURATION", "DTSTART;VALUE=DATE:20260304|DURATION:P2D", "2026-03-03T23:00Z/2026-03-05T23:00Z"},
		{"floating is the depot's zone", "DTSTART:20260704T080000|DTEND:20260704T090000", "2026-07-04T06:00Z/2026-07-04T07:00Z"},
		{"lower-case VALUE=date", "DTSTART;value=date:20260304", "2026-03-03T23:00Z/2026-03-04T23:00Z"},
		{"date without VALUE", "DTSTART:20260304", "2026-03-03T23:00Z/2026-03-04T23:00Z"},
		{"leap second", "DTSTART:20260304T080000Z|DTEND:20260304T235960Z", "2026-03-04T08:00Z/2026-03-04T23:59Z"},
		{"ends in another zone", "DTSTART;TZID=Europe/Berlin:20260304T080000|DTEND;TZID=Europe/London:20260304T080000", "2026-03-04T07:00Z/2026-03-04T08:00Z"},
	} {
		t.Run(c.name, func(t *testing.T) { same(t, spans(parse(t, event(strings.Split(c.lines, "|")...))), c.want) })
	}
}

// RFC 5545, 3.3.5: the two examples of America/New_York, and the same for dates whose midnight a clock change removes.
func TestGapAndOverlap(t *testing.T) {
	for _, c := range []struct{ zone, wall, want string }{
		{"America/New_York", "20071104T013000", "2007-11-04T05:30:00Z"}, // occurs twice: the first
		{"America/New_York", "20070311T023000", "2007-03-11T07:30:00Z"}, // does not occur: offset before the gap
		{"Europe/Berlin", "20260329T023000", "2026-03-29T01:30:00Z"},
		{"Europe/Berlin", "20261025T023000", "2026-10-25T00:30:00Z"},
		{"Australia/Lord_Howe", "20261004T021500", "2026-10-03T15:45:00Z"}, // a gap of half an hour
		{"Pacific/Apia", "20111230T120000", "2011-12-30T22:00:00Z"},        // a day left out
		{"America/Sao_Paulo", "20181104T000000", "2018-11-04T03:00:00Z"},   // midnight left out
	} {
		e := parse(t, event("DTSTART;TZID="+c.zone+":"+c.wall))
		same(t, e.Start.At.Format(time.RFC3339), c.want)
	}
}

// CALENDAR object rules: RFC 4791, 4.1, and the bounds kitd sets.
func TestObjectRefused(t *testing.T) {
	ok := []string{"DTSTART:20260304T080000Z", "DTEND:20260304T090000Z"}
	with := func(more ...string) []byte { return event(append(more, ok...)...) }
	vevent := func(lines ...string) []string {
		return append(append([]string{"BEGIN:VEVENT"}, lines...), "END:VEVENT")
	}
	for _, c := range []struct {
		name  string
		raw   []byte
		code  fault.Code
		words string
	}{
		{"empty", nil, fault.CalendarObject, "empty"},
		{"METHOD", object(append([]string{"METHOD:REQUEST"}, vevent("UID:a", ok[0])...)...), fault.CalendarObject, "METHOD:REQUEST"},
		{"two UIDs", object(append(vevent("UID:a", ok[0]), vevent("UID:b", ok[0])...)...), fault.CalendarObject, "two UIDs"},
		{"to-do", object("BEGIN:VTODO", "UID:a", "END:VTODO"), fault.CalendarObject, "VTODO in line 4"},
		{"no event", object(), fault.CalendarObject, "no event"},
		{"no UID", object(vevent(ok...)...), fault.CalendarLine, "Line 4"},
		{"no start", event("SUMMARY:x"), fault.CalendarLine, "no DTSTART"},
		{"end before start", event("DTSTART:20260304T090000Z", "DTEND:20260304T080000Z"), fault.CalendarLine, "Line 8"},
		{"end at start", event("DTSTART:20260304T090000Z", "DTEND:20260304T090000Z"), fault.CalendarLine, "before or when it begins"},
		{"date and time", event("DTSTART:20260304T090000Z", "DTEND;VALUE=DATE:20260305"), fault.CalendarLine, "not both"},
		{"end and duration", with("DURATION:PT1H"), fault.CalendarLine, "both DTEND and DURATION"},
		{"negative duration", event("DTSTART:20260304T090000Z", "DURATION:-PT1H"), fault.CalendarLine, "not a duration"},
		{"half a day of an all-day event", event("DTSTART;VALUE=DATE:20260304", "DURATION:PT12H"), fault.CalendarLine, "whole days"},
		{"too long", event("DTSTART:20260304T090000Z", "DTEND:20280304T090000Z"), fault.CalendarLine, "one year"},
		{"year 1601", event("DTSTART:16010101T000000"), fault.CalendarLine, "1601"},
		{"year 2101", event("DTSTART:21010101T000000Z"), fault.CalendarLine, "2101"},
		{"31 February", event("DTSTART:20260231T080000Z"), fault.CalendarLine, "20260231T080000Z"},
		{"24 o'clock", event("DTSTART:20260304T240000Z"), fault.CalendarLine, "not a time"},
		{"fraction", event("DTSTART:20260304T080000.5"), fault.CalendarLine, "not a time"},
		{"DTSTART twice", with(ok[0]), fault.CalendarLine, "twice"},
		{"two masters", object(append(vevent("UID:a", ok[0]), vevent("UID:a", ok[0])...)...), fault.CalendarLine, "twice"},
		{"sequence", with("SEQUENCE:many"), fault.CalendarLine, "SEQUENCE"},
		{"vCalendar 1.0", []byte("BEGIN:VCALENDAR\nVERSION:1.0\nBEGIN:VEVENT\nUID:a\nDTSTART:20260304T080000Z\nEND:VEVENT\nEND:VCALENDAR\n"), fault.CalendarObject, "version 2.0"},
		{"unknown zone", event("DTSTART;TZID=Middle/Earth:20260304T080000"), fault.CalendarZone, `"Middle/Earth" in line 7`},
		{"the host's zone", event("DTSTART;TZID=Local:20260304T080000"), fault.CalendarZone, "Local"},
		{"a path as zone", event("DTSTART;TZID=../../etc/passwd:20260304T080000"), fault.CalendarZone, "etc"},
		{"zone with leap seconds", event("DTSTART;TZID=right/Europe/Berlin:20260304T080000"), fault.CalendarZone, "right"},
	} {
		t.Run(c.name, func(t *testing.T) { refused(t, c.raw, c.code, c.words) })
	}
}

func TestCancelledEventOccupiesNothing(t *testing.T) {
	e := parse(t, event("STATUS:CANCELLED", "DTSTART:20260304T080000Z", "DTEND:20260304T090000Z"))
	if !e.Cancelled() || len(e.Occurrences) != 0 {
		t.Errorf("%+v", e)
	}
}
