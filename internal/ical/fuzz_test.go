package ical

import (
	"bytes"
	"errors"
	"testing"
	"time"
	"unicode/utf8"

	"kitd/internal/fault"
)

func seeds(f *testing.F) {
	for _, raw := range [][]byte{
		event("DTSTART;TZID=Europe/Berlin:20260304T080000", "DTEND;TZID=Europe/Berlin:20260304T160000", "RRULE:FREQ=WEEKLY;COUNT=3;BYDAY=MO,WE", "EXDATE;TZID=Europe/Berlin:20260304T080000"),
		seriesWith(override("RECURRENCE-ID:20260303T070000Z", "DTSTART:20260310T080000Z", "DURATION:PT1H")),
		inZone(vtimezone("Plant time"), "DTSTART;TZID=Plant time:20260326T080000", "RDATE;VALUE=PERIOD:20260401T080000Z/PT1H"),
		Encode(sample(f)),
		event(`ATTENDEE;CN="a^nb";X=1,"2":mailto:a@example.org`, "DTSTART;VALUE=date:20260304"),
		[]byte("BEGIN:VCALENDAR\nATTENDEE;CN=foo\nEND:VCALENDAR"),
		[]byte("\ufeffBEGIN:VCALENDAR\r\n END:VCALENDAR"),
	} {
		f.Add(raw)
	}
}

// What the scanner lets through, the library reads without panic, and a second scan of the normal form agrees.
func FuzzScan(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		lines, err := scan(raw)
		if err != nil {
			mustBeFault(t, err)
			return
		}
		if _, err := decode(lines); err != nil {
			t.Fatalf("scanned, but: %v", err)
		}
		again, err := scan(normalised(lines))
		if err == nil && len(again) < len(lines)-1 {
			t.Fatalf("%d lines became %d", len(lines), len(again))
		}
	})
}

// Any input gives an event within the bounds or a fault people can read; nothing panics or takes long.
func FuzzParse(f *testing.F) {
	seeds(f)
	loc := berlin(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		e, err := Parse(raw, Options{Zone: loc})
		if err != nil {
			mustBeFault(t, err)
			return
		}
		if e.UID == "" || len(e.Occurrences) > MaxOccurrences {
			t.Fatalf("%+v", e)
		}
		for i, o := range e.Occurrences {
			if o.End.Before(o.Start) || i > 0 && o.Start.Before(e.Occurrences[i-1].Start) {
				t.Fatalf("occurrence %d of %+v", i, e.Occurrences)
			}
		}
	})
}

// A text that kitd writes comes back as it was, apart from what iCalendar cannot carry.
func FuzzText(f *testing.F) {
	for _, s := range []string{"a,b;c\\n", "x\r\ny", "😀", "\x00", `^n^^"`, "caf\xe9"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 1000 || !utf8.ValidString(s) || bytes.ContainsFunc([]byte(s), func(r rune) bool { return isControl(r) && r != '\n' }) {
			t.Skip()
		}
		raw := Encode(Calendar{Events: []Entry{{UID: "a", Stamp: time.Unix(0, 0), Start: time.Unix(0, 0), End: time.Unix(60, 0), Summary: s, Organizer: &Person{Address: "a@example.org", Name: s}}}})
		e, err := Parse(raw, Options{Zone: time.UTC})
		if err != nil {
			t.Fatalf("%v\n%s", err, raw)
		}
		if e.Summary != s || e.Organizer.Name != s {
			t.Fatalf("%q became %q and %q", s, e.Summary, e.Organizer.Name)
		}
	})
}

func mustBeFault(t *testing.T, err error) {
	t.Helper()
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind() != fault.Invalid || f.Sentence() == "" {
		t.Fatalf("not a fault of the input: %v", err)
	}
}
