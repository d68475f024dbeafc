package ical

import (
	"strings"
	"testing"

	"kitd/internal/fault"
)

func TestSeries(t *testing.T) {
	berlinDay := "DTSTART;TZID=Europe/Berlin:20260326T080000|DTEND;TZID=Europe/Berlin:20260326T160000|"
	for _, c := range []struct{ name, lines, want string }{
		{"local time stays through the spring change", berlinDay + "RRULE:FREQ=DAILY;COUNT=5",
			"2026-03-26T08:00 2026-03-27T08:00 2026-03-28T08:00 2026-03-29T08:00 2026-03-30T08:00"},
		{"and through the autumn change", "DTSTART;TZID=Europe/Berlin:20261024T080000|RRULE:FREQ=DAILY;COUNT=3",
			"2026-10-24T08:00 2026-10-25T08:00 2026-10-26T08:00"},
		{"an instance in the gap moves on (3.3.5), it is not dropped", "DTSTART;TZID=Europe/Berlin:20260328T023000|RRULE:FREQ=DAILY;COUNT=3",
			"2026-03-28T02:30 2026-03-29T03:30 2026-03-30T02:30"},
		{"UNTIL is inclusive, in UTC", berlinDay + "RRULE:FREQ=DAILY;UNTIL=20260328T070000Z", "2026-03-26T08:00 2026-03-27T08:00 2026-03-28T08:00"},
		{"a second earlier leaves it out", berlinDay + "RRULE:FREQ=DAILY;UNTIL=20260328T065959Z", "2026-03-26T08:00 2026-03-27T08:00"},
		{"UNTIL as a date includes the day", berlinDay + "RRULE:FREQ=DAILY;UNTIL=20260328", "2026-03-26T08:00 2026-03-27T08:00 2026-03-28T08:00"},
		{"UNTIL without Z is local", berlinDay + "RRULE:FREQ=DAILY;UNTIL=20260328T080000", "2026-03-26T08:00 2026-03-27T08:00 2026-03-28T08:00"},
		{"UNTIL before the start leaves the start", berlinDay + "RRULE:FREQ=DAILY;UNTIL=20200101", "2026-03-26T08:00"},
		{"EXDATE list", berlinDay + "RRULE:FREQ=DAILY;COUNT=4|EXDATE;TZID=Europe/Berlin:20260327T080000,20260328T080000", "2026-03-26T08:00 2026-03-29T08:00"},
		{"EXDATE in UTC", berlinDay + "RRULE:FREQ=DAILY;COUNT=4|EXDATE:20260327T070000Z|EXDATE:20260329T060000Z", "2026-03-26T08:00 2026-03-28T08:00"},
		{"EXDATE date hits the day", berlinDay + "RRULE:FREQ=DAILY;COUNT=3|EXDATE;VALUE=DATE:20260327", "2026-03-26T08:00 2026-03-28T08:00"},
		{"EXDATE that hits nothing", berlinDay + "RRULE:FREQ=DAILY;COUNT=2|EXDATE:20260327T080000Z", "2026-03-26T08:00 2026-03-27T08:00"},
		{"EXDATE of the start counts for COUNT", berlinDay + "RRULE:FREQ=DAILY;COUNT=3|EXDATE;TZID=Europe/Berlin:20260326T080000", "2026-03-27T08:00 2026-03-28T08:00"},
		{"RDATE", berlinDay + "RDATE;TZID=Europe/Berlin:20260401T100000,20260330T080000", "2026-03-26T08:00 2026-03-30T08:00 2026-04-01T10:00"},
		{"RDATE doubles nothing", berlinDay + "RRULE:FREQ=DAILY;COUNT=2|RDATE:20260327T070000Z", "2026-03-26T08:00 2026-03-27T08:00"},
		{"EXDATE beats RDATE", berlinDay + "RDATE:20260401T080000Z|EXDATE:20260401T080000Z", "2026-03-26T08:00"},
		{"DTSTART outside its rule is the first instance and counts", berlinDay + "RRULE:FREQ=WEEKLY;BYDAY=MO;COUNT=3", "2026-03-26T08:00 2026-03-30T08:00 2026-04-06T08:00"},
		{"all days", "DTSTART;VALUE=DATE:20260328|RRULE:FREQ=DAILY;COUNT=3|EXDATE;VALUE=DATE:20260329", "2026-03-28T00:00 2026-03-30T00:00"},
		{"all days, EXDATE with a time", "DTSTART;VALUE=DATE:20260328|RRULE:FREQ=DAILY;COUNT=3|EXDATE:20260329T000000", "2026-03-28T00:00 2026-03-30T00:00"},
		{"all days, UNTIL in UTC", "DTSTART;VALUE=DATE:20260328|RRULE:FREQ=DAILY;UNTIL=20260329T120000Z", "2026-03-28T00:00 2026-03-29T00:00"},
		{"one whole year of weeks", "DTSTART:20260304T080000|RRULE:FREQ=MONTHLY;UNTIL=20270304T080000", "2026-03-04T08:00 2026-04-04T08:00 2026-05-04T08:00 2026-06-04T08:00 2026-07-04T08:00 2026-08-04T08:00 2026-09-04T08:00 2026-10-04T08:00 2026-11-04T08:00 2026-12-04T08:00 2027-01-04T08:00 2027-02-04T08:00 2027-03-04T08:00"},
		{"31 January monthly skips short months", "DTSTART:20260131T080000|RRULE:FREQ=MONTHLY;COUNT=3", "2026-01-31T08:00 2026-03-31T08:00 2026-05-31T08:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			same(t, starts(parse(t, event(strings.Split(c.lines, "|")...)), "Europe/Berlin"), c.want)
		})
	}
}

// RFC 5545, 3.8.5.3: DTEND gives every instance the same exact length, DURATION the same nominal one.
func TestSeriesLengths(t *testing.T) {
	head := "DTSTART;TZID=Europe/Berlin:20260327T120000"
	tail := "RRULE:FREQ=DAILY;COUNT=2"
	same(t, spans(parse(t, event(head, "DTEND;TZID=Europe/Berlin:20260328T120000", tail))), "2026-03-27T11:00Z/2026-03-28T11:00Z 2026-03-28T11:00Z/2026-03-29T11:00Z")
	same(t, spans(parse(t, event(head, "DURATION:P1D", tail))), "2026-03-27T11:00Z/2026-03-28T11:00Z 2026-03-28T11:00Z/2026-03-29T10:00Z")
	same(t, spans(parse(t, event(head, "DURATION:PT1H", "RDATE;VALUE=PERIOD:20260401T080000Z/20260401T100000Z,20260402T080000Z/PT30M"))),
		"2026-03-27T11:00Z/2026-03-27T12:00Z 2026-04-01T08:00Z/2026-04-01T10:00Z 2026-04-02T08:00Z/2026-04-02T08:30Z")
}

func override(lines ...string) []string {
	return append(append([]string{"BEGIN:VEVENT", "UID:one@example.org"}, lines...), "END:VEVENT")
}

func seriesWith(overrides ...[]string) []byte {
	lines := override("DTSTART;TZID=Europe/Berlin:20260302T080000", "DTEND;TZID=Europe/Berlin:20260302T100000", "RRULE:FREQ=DAILY;COUNT=4", "SUMMARY:series")
	for _, o := range overrides {
		lines = append(lines, o...)
	}
	return object(lines...)
}

func TestOverrides(t *testing.T) {
	moved := override("RECURRENCE-ID;TZID=Europe/Berlin:20260303T080000", "DTSTART;TZID=Europe/Berlin:20260310T090000", "DTEND;TZID=Europe/Berlin:20260310T093000", "SUMMARY:moved")
	e := parse(t, seriesWith(moved))
	same(t, starts(e, "Europe/Berlin"), "2026-03-02T08:00 2026-03-04T08:00 2026-03-05T08:00 2026-03-10T09:00")
	last := e.Occurrences[3]
	if !last.Changed || last.Summary != "moved" || last.RecurrenceID.Format("15:04") != "07:00" || e.Occurrences[0].Changed {
		t.Errorf("%+v", e.Occurrences)
	}
	same(t, spans(e)[len(spans(e))-35:], "2026-03-10T08:00Z/2026-03-10T08:30Z")

	t.Run("given in UTC", func(t *testing.T) {
		utc := override("RECURRENCE-ID:20260303T070000Z", "DTSTART:20260310T080000Z", "DURATION:PT1H")
		same(t, starts(parse(t, seriesWith(utc)), "Europe/Berlin"), "2026-03-02T08:00 2026-03-04T08:00 2026-03-05T08:00 2026-03-10T09:00")
	})
	t.Run("given as a date", func(t *testing.T) {
		date := override("RECURRENCE-ID;VALUE=DATE:20260303", "DTSTART:20260310T080000Z", "DURATION:PT1H")
		same(t, starts(parse(t, seriesWith(date)), "Europe/Berlin"), "2026-03-02T08:00 2026-03-04T08:00 2026-03-05T08:00 2026-03-10T09:00")
	})
	t.Run("cancelled instance", func(t *testing.T) {
		gone := override("RECURRENCE-ID;TZID=Europe/Berlin:20260303T080000", "DTSTART;TZID=Europe/Berlin:20260303T080000", "STATUS:CANCELLED")
		same(t, starts(parse(t, seriesWith(gone)), "Europe/Berlin"), "2026-03-02T08:00 2026-03-04T08:00 2026-03-05T08:00")
	})
	t.Run("before its master", func(t *testing.T) {
		raw := object(append(moved, override("DTSTART;TZID=Europe/Berlin:20260302T080000", "RRULE:FREQ=DAILY;COUNT=2")...)...)
		same(t, starts(parse(t, raw), "Europe/Berlin"), "2026-03-02T08:00 2026-03-10T09:00")
	})
	t.Run("without its master", func(t *testing.T) {
		e := parse(t, object(moved...))
		same(t, starts(e, "Europe/Berlin"), "2026-03-10T09:00")
		if !e.Recurring || e.Summary != "moved" {
			t.Errorf("%+v", e)
		}
	})
	t.Run("of an instance the rule does not have", func(t *testing.T) {
		more := override("RECURRENCE-ID:20260320T070000Z", "DTSTART:20260321T070000Z", "DURATION:PT1H")
		same(t, starts(parse(t, seriesWith(more)), "UTC"), "2026-03-02T07:00 2026-03-03T07:00 2026-03-04T07:00 2026-03-05T07:00 2026-03-21T07:00")
	})
	refused(t, seriesWith(moved, moved), fault.CalendarLine, "same RECURRENCE-ID")
	refused(t, seriesWith(override("RECURRENCE-ID;RANGE=THISANDFUTURE:20260303T070000Z", "DTSTART:20260310T080000Z")), fault.CalendarLine, "THISANDFUTURE")
	refused(t, seriesWith(override("RECURRENCE-ID:20260303T070000Z", "DTSTART:20260310T080000Z", "RRULE:FREQ=DAILY;COUNT=2")), fault.CalendarLine, "one instance")
	refused(t, seriesWith(override("RECURRENCE-ID:20260303T070000Z", "DTSTART:20300310T080000Z")), fault.CalendarObject, "2030-03-10", "more than one year")
}

func TestBounds(t *testing.T) {
	many := make([]string, 1001)
	for i := range many {
		many[i] = "20260305T080000Z"
	}
	refused(t, event("DTSTART:20260304T080000Z", "RDATE:"+strings.Join(many[:450], ","), "RDATE:"+strings.Join(many[:450], ","), "RDATE:"+strings.Join(many[:450], ",")), fault.CalendarLine, "1000 dates")
	refused(t, event("DTSTART:20260304T080000Z", "RDATE:20270401T080000Z"), fault.CalendarObject, "2027-04-01")
	refused(t, event("DTSTART:20260304T080000Z", "RDATE;VALUE=DATE:20260401"), fault.CalendarLine, "not both")
	refused(t, event("DTSTART:20260304T080000Z", "RDATE;VALUE=PERIOD:20260401T080000Z"), fault.CalendarLine, "period")
	refused(t, event("DTSTART:20260304T080000Z", "RDATE;VALUE=PERIOD:20260401T080000Z/20260401T070000Z"), fault.CalendarLine, "before")
	e := parse(t, event("DTSTART:20260304T080000Z", "RRULE:FREQ=DAILY;COUNT=200"))
	if len(e.Occurrences) != 200 {
		t.Errorf("%d instances", len(e.Occurrences))
	}
}
