package when

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"kitd/internal/civil"
)

var today = civil.Date{Year: 2026, Month: 11, Day: 24}

func TestReadDay(t *testing.T) {
	for _, c := range []struct {
		typed, want string
		lean        Lean
	}{
		{"24 Nov 2026", "2026-11-24", Ahead}, {"Tue 24 Nov 2026", "2026-11-24", Ahead}, {" tuesday  24 november 2026 ", "2026-11-24", Ahead},
		{"2026-11-24", "2026-11-24", Ahead}, {"today", "2026-11-24", Ahead}, {"Tomorrow", "2026-11-25", Ahead}, {"yesterday", "2026-11-23", Behind},
		{"8 Jan", "2027-01-08", Ahead}, {"30 Aug", "2026-08-30", Ahead}, {"20 Aug", "2027-08-20", Ahead},
		{"8 Jan", "2026-01-08", Behind}, {"25 Nov", "2025-11-25", Behind}, {"24. Sept 2025", "2025-09-24", Behind}, {"29 Feb", "2028-02-29", Ahead},
	} {
		got, err := ReadDay(c.typed, today, c.lean)
		if err != nil || got.String() != c.want {
			t.Errorf("ReadDay(%q) = %s, %v; want %s", c.typed, got, err, c.want)
		}
	}
}

func TestReadDaySaysWhatIsWrong(t *testing.T) {
	for typed, want := range map[string]string{
		"":                         "missing",
		"Wed 24 Nov 2026":          "24 Nov 2026 is a Tuesday",
		"31 Nov 2026":              "not in the calendar",
		"2026-02-30":               "not in the calendar",
		"24/11/2026":               "not a day kitd can read",
		"24 Foo 2026":              "not a month",
		"24 Nov 9999":              "not in the calendar",
		"<script>":                 "not a day kitd can read",
		strings.Repeat("9", 10000): "…",
	} {
		if d, err := ReadDay(typed, today, Ahead); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ReadDay(%.20q) = %s, %v; want an error with %q", typed, d, err, want)
		}
	}
}

func TestReadClock(t *testing.T) {
	for typed, want := range map[string]int{"08:00": 480, "8": 480, "8.30": 510, "0830": 510, "12 am": 0, "12pm": 720, "8 pm": 1200, "24:00": 1440, "00:00": 0} {
		if got, err := ReadClock(typed); err != nil || got != want {
			t.Errorf("ReadClock(%q) = %d, %v; want %d", typed, got, err, want)
		}
	}
	for _, typed := range []string{"", "25:00", "8:60", "24:01", "13 pm", "noon", "-1", "8:5"} {
		if got, err := ReadClock(typed); err == nil {
			t.Errorf("ReadClock(%q) = %d; want an error", typed, got)
		}
	}
}

// London's clocks went forward at 01:00 on 29 Mar 2026 and back at 02:00 on 25 Oct 2026 (IANA time zone data, Europe/London).
func TestAtAroundClockChanges(t *testing.T) {
	loc, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	if at, err := At(civil.Date{Year: 2026, Month: 3, Day: 29}, 90, loc); err == nil || !strings.Contains(err.Error(), "no 01:30 on Sun 29 Mar 2026") {
		t.Errorf("a time in the gap gave %s, %v", at, err)
	}
	at, err := At(civil.Date{Year: 2026, Month: 10, Day: 25}, 90, loc)
	if err != nil || at.UTC().Format("15:04") != "00:30" {
		t.Errorf("the doubled 01:30 gave %s, %v; want the first, 00:30 UTC", at.UTC(), err)
	}
	at, err = At(civil.Date{Year: 2026, Month: 10, Day: 24}, 1440, loc)
	if err != nil || at.UTC().Format(time.RFC3339) != "2026-10-24T23:00:00Z" {
		t.Errorf("24:00 gave %s, %v", at.UTC(), err)
	}
}

func TestWrite(t *testing.T) {
	loc, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 11, 24, 8, 10, 0, 0, time.UTC)
	for _, c := range []struct{ got, want string }{
		{Day(today, today), "Tue 24 Nov"},
		{Day(civil.Date{Year: 2027, Month: 2, Day: 9}, today), "Tue 9 Feb 2027"},
		{Moment(now, now, loc), "Tue 24 Nov, 08:10 GMT"},
		{Moment(now.AddDate(0, -4, 0), now, loc), "Fri 24 Jul, 09:10 BST"},
		{Span(now, now.Add(time.Hour), now, loc), "Tue 24 Nov, 08:10 to 09:10 GMT"},
		{Span(now, now.Add(48*time.Hour), now, loc), "Tue 24 Nov, 08:10 to Thu 26 Nov, 08:10 GMT"},
		{Span(time.Date(2026, 10, 24, 8, 0, 0, 0, time.UTC), time.Date(2026, 10, 26, 8, 0, 0, 0, time.UTC), now, loc), "Sat 24 Oct, 09:00 BST to Mon 26 Oct, 08:00 GMT"},
		{Days(today, today.AddDays(1), today), "Tue 24 Nov to Wed 25 Nov"},
		{Full(civil.Date{}), ""},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func FuzzReadDay(f *testing.F) {
	for _, s := range []string{"24 Nov 2026", "Tue 24 Nov", "2026-11-24", "today", "31 feb", "\u202e1 jan"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ReadDay(s, today, Ahead)
		if err != nil {
			return
		}
		again, err := ReadDay(Full(d), today, Ahead)
		if err != nil || again != d {
			t.Errorf("%q was read as %s, written as %q and read again as %s, %v", s, d, Full(d), again, err)
		}
	})
}
