package ical

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"kitd/internal/fault"
)

func TestNamedZones(t *testing.T) {
	for tzid, want := range map[string]string{
		"Europe/Berlin":                             "Europe/Berlin",
		"America/Argentina/Ushuaia":                 "America/Argentina/Ushuaia",
		"W. Europe Standard Time":                   "Europe/Berlin",
		"w. europe standard time":                   "Europe/Berlin",
		"Eastern Standard Time":                     "America/New_York",
		"GMT Standard Time":                         "Europe/London", // not GMT all year
		"AUS Eastern Standard Time":                 "Australia/Sydney",
		"UTC":                                       "UTC",
		"/example.org/20260101_1/Europe/Berlin":     "Europe/Berlin",
		"/example.org/America/Indiana/Indianapolis": "America/Indiana/Indianapolis",
	} {
		loc := Location(tzid)
		if loc == nil || loc.String() != want {
			t.Errorf("%s: got %v, want %s", tzid, loc, want)
		}
	}
	for _, tzid := range []string{"", "Local", "localtime", "/etc/passwd", "../Europe/Berlin", "Europe/../../etc/hosts", "posix/Europe/Berlin", "Factory", "My Zone", "Europe/Berlin\x00"} {
		if loc := Location(tzid); loc != nil {
			t.Errorf("%q is taken for %s", tzid, loc)
		}
	}
}

// Every row of the CLDR table leads to a zone that the embedded data have.
func TestWindowsTable(t *testing.T) {
	if len(windowsZones) < 130 {
		t.Errorf("only %d rows", len(windowsZones))
	}
	for windows, iana := range windowsZones {
		if windows != strings.ToLower(windows) {
			t.Errorf("%s is not in lower case", windows)
		}
		if load(iana) == nil {
			t.Errorf("%s: no zone %s", windows, iana)
		}
	}
}

// vtimezone is a zone of its own name; the rules are those of the European Union since 1996, as sent with a start in 1601.
func vtimezone(tzid string) []string {
	return []string{"BEGIN:VTIMEZONE", "TZID:" + tzid,
		"BEGIN:STANDARD", "DTSTART:16010101T030000", "TZOFFSETFROM:+0200", "TZOFFSETTO:+0100", "RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10", "END:STANDARD",
		"BEGIN:DAYLIGHT", "DTSTART:16010101T020000", "TZOFFSETFROM:+0100", "TZOFFSETTO:+0200", "RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=3", "END:DAYLIGHT",
		"END:VTIMEZONE"}
}

func inZone(zone []string, lines ...string) []byte {
	return object(append(zone, append(append([]string{"BEGIN:VEVENT", "UID:a"}, lines...), "END:VEVENT")...)...)
}

func TestOwnRules(t *testing.T) {
	e := parse(t, inZone(vtimezone("Plant time"), "DTSTART;TZID=Plant time:20260326T080000", "DTEND;TZID=\"Plant time\":20260326T160000", "RRULE:FREQ=DAILY;COUNT=5"))
	same(t, starts(e, "Europe/Berlin"), "2026-03-26T08:00 2026-03-27T08:00 2026-03-28T08:00 2026-03-29T08:00 2026-03-30T08:00")
	same(t, e.Start.Zone, "")
	same(t, e.Start.Wall, "2026-03-26T08:00:00")
}

// A name that IANA knows wins over stale rules sent with it; one kitd never heard of needs them.
func TestKnownNameWins(t *testing.T) {
	stale := vtimezone("Europe/Moscow")
	e := parse(t, inZone(stale, "DTSTART;TZID=Europe/Moscow:20260701T080000"))
	same(t, e.Start.At.Format(time.RFC3339), "2026-07-01T05:00:00Z")
	e = parse(t, inZone(append(vtimezone("Somewhere")[:2:2], append([]string{"X-LIC-LOCATION:Asia/Tokyo"}, vtimezone("x")[2:]...)...), "DTSTART;TZID=Somewhere:20260701T080000"))
	same(t, e.Start.Zone, "Asia/Tokyo")
	refused(t, inZone(vtimezone("One"), "DTSTART;TZID=Other:20260701T080000"), fault.CalendarZone, `"Other"`)
}

// The rules of the European Union agree with Europe/Berlin at every hour of thirty years, gaps and overlaps included; so do the
// rules of RFC 5545, 3.6.5, for New York with America/New_York in the years they cover.
func TestOwnRulesAgreeWithIANA(t *testing.T) {
	newYork := []string{"BEGIN:VTIMEZONE", "TZID:x",
		"BEGIN:DAYLIGHT", "DTSTART:19870405T020000", "RRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=1SU;UNTIL=20060402T070000Z", "TZOFFSETFROM:-0500", "TZOFFSETTO:-0400", "TZNAME:EDT", "END:DAYLIGHT",
		"BEGIN:STANDARD", "DTSTART:19671029T020000", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU;UNTIL=20061029T060000Z", "TZOFFSETFROM:-0400", "TZOFFSETTO:-0500", "TZNAME:EST", "END:STANDARD",
		"BEGIN:DAYLIGHT", "DTSTART:20070311T020000", "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU", "TZOFFSETFROM:-0500", "TZOFFSETTO:-0400", "TZNAME:EDT", "END:DAYLIGHT",
		"BEGIN:STANDARD", "DTSTART:20071104T020000", "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU", "TZOFFSETFROM:-0400", "TZOFFSETTO:-0500", "TZNAME:EST", "END:STANDARD",
		"END:VTIMEZONE"}
	for _, c := range []struct {
		iana     string
		lines    []string
		from, to int
	}{{"Europe/Berlin", vtimezone("x"), 1997, 2027}, {"America/New_York", newYork, 1988, 2030}} {
		own := zoneOf(t, c.lines)
		known := located{load(c.iana)}
		for wall := time.Date(c.from, 1, 1, 0, 30, 0, 0, time.UTC); wall.Year() < c.to; wall = wall.Add(time.Hour) {
			if got, want := instantOf(own, wall), instantOf(known, wall); !got.Equal(want) {
				t.Fatalf("%s %s: got %s, want %s", c.iana, wall, got, want)
			}
		}
	}
}

func zoneOf(t *testing.T, lines []string) *ownZone {
	t.Helper()
	scanned, err := scan(object(lines...))
	if err != nil {
		t.Fatal(err)
	}
	root, err := decode(scanned)
	if err != nil {
		t.Fatal(err)
	}
	z, err := readZone(root.Children[0])
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// A zone whose rules ended stays at its last offset; RDATE lists changes; before the first change the old offset holds.
func TestOwnZoneBeforeAndAfterItsRules(t *testing.T) {
	ended := zoneOf(t, []string{"BEGIN:VTIMEZONE", "TZID:x",
		"BEGIN:STANDARD", "DTSTART:19801026T030000", "TZOFFSETFROM:+0200", "TZOFFSETTO:+0100", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU;UNTIL=20001029T010000Z", "END:STANDARD",
		"BEGIN:DAYLIGHT", "DTSTART:19800330T020000", "TZOFFSETFROM:+0100", "TZOFFSETTO:+0200", "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU;COUNT=21", "END:DAYLIGHT",
		"BEGIN:STANDARD", "DTSTART:20260601T000000", "TZOFFSETFROM:+0100", "TZOFFSETTO:+053000", "RDATE:20260901T000000,20270101T000000", "END:STANDARD",
		"END:VTIMEZONE"})
	for wall, want := range map[string]int{"1979-06-01": 3600, "1999-07-01": 7200, "2000-12-01": 3600, "2015-07-01": 3600, "2026-07-01": 19800, "2040-01-01": 19800} {
		at, err := time.Parse(time.DateOnly, wall)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, got := ended.stretch(at.Unix()); got != want {
			t.Errorf("%s: offset %d, want %d", wall, got, want)
		}
	}
}

func TestOwnRulesRefused(t *testing.T) {
	change := func(old, new string) []byte {
		return []byte(strings.Replace(string(inZone(vtimezone("x"), "DTSTART;TZID=x:20260701T080000")), old, new, 1))
	}
	for _, c := range []struct {
		raw   []byte
		words string
	}{
		{change("TZOFFSETFROM:+0200\r\n", ""), "no TZOFFSETFROM"},
		{change("TZOFFSETTO:+0100", "TZOFFSETTO:+9900"), "not an offset"},
		{change("TZOFFSETTO:+0100", "TZOFFSETTO:1"), "not an offset"},
		{change("DTSTART:16010101T030000", "DTSTART:16010101"), "DTSTART"},
		{change("DTSTART:16010101T030000\r\n", ""), "no DTSTART"},
		{change("FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10", "FREQ=DAILY"), "once a year"},
		{change("FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10", "FREQ=HOURLY"), "HOURLY"},
		{change("TZID:x\r\n", ""), "no TZID"},
		{[]byte(strings.NewReplacer("STANDARD", "X-A", "DAYLIGHT", "X-B").Replace(string(change("", "")))), "no STANDARD"},
	} {
		_, err := Parse(c.raw, Options{Zone: berlin(t)})
		if err == nil || !strings.Contains(fault.Of(err).Sentence(), c.words) {
			t.Errorf("want %q, got %v", c.words, err)
		}
	}
	many := []string{}
	for i := range MaxZones + 1 {
		many = append(many, vtimezone(fmt.Sprint("zone ", i))...)
	}
	lines := []string{}
	for i := range MaxZones + 1 {
		lines = append(lines, fmt.Sprintf("RDATE;TZID=zone %d:20260702T080000", i))
	}
	refused(t, inZone(many, append(lines, "DTSTART;TZID=zone 0:20260701T080000")...), fault.CalendarLine, "5 time zones")

	rules := []string{"BEGIN:VTIMEZONE", "TZID:x"}
	for range MaxZoneRules + 1 {
		rules = append(rules, vtimezone("x")[2:8]...)
	}
	refused(t, inZone(append(rules, "END:VTIMEZONE"), "DTSTART;TZID=x:20260701T080000"), fault.CalendarRule, "16 parts")
}
