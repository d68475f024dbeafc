package when

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"kitd/internal/civil"
)

// Lean says which year a date without one means.
type Lean int

// Ahead takes the first such day from 90 days ago on, for bookings; Behind the last one up to today, for what has happened.
const (
	Ahead Lean = iota
	Behind
)

const howToWriteADay = "write it as 24 Nov 2026 or 2026-11-24"

var (
	isoDay   = regexp.MustCompile(`^(\d{4})-(\d{1,2})-(\d{1,2})$`)
	wordsDay = regexp.MustCompile(`^(?:([a-z]+)\.?,? +)?(\d{1,2})\.? +([a-z]+)\.?,?(?: +(\d{4}))?$`)
	clockAt  = regexp.MustCompile(`^(\d{1,2})(?:[:.h]?(\d{2}))? ?(am|pm)?$`)
)

// ReadDay reads a date: "24 Nov 2026", "Tue 24 November", "2026-11-24", "today", "tomorrow", "yesterday". A weekday that does
// not fit the date is an error, for one of the two is a slip.
func ReadDay(s string, today civil.Date, lean Lean) (civil.Date, error) {
	text := strings.ToLower(strings.Join(strings.Fields(s), " "))
	switch text {
	case "":
		return civil.Date{}, fmt.Errorf("a day is missing: %s", howToWriteADay)
	case "today":
		return today, nil
	case "tomorrow":
		return today.AddDays(1), nil
	case "yesterday":
		return today.AddDays(-1), nil
	}
	if m := isoDay.FindStringSubmatch(text); m != nil {
		return exists(atoi(m[1]), time.Month(atoi(m[2])), atoi(m[3]), s)
	}
	m := wordsDay.FindStringSubmatch(text)
	if m == nil {
		return civil.Date{}, fmt.Errorf("%q is not a day kitd can read: %s", clip(s), howToWriteADay)
	}
	return wordedDay(m, s, today, lean)
}

func wordedDay(m []string, typed string, today civil.Date, lean Lean) (civil.Date, error) {
	month, ok := monthNamed(m[3])
	if !ok {
		return civil.Date{}, fmt.Errorf("%q is not a month: %s", clip(m[3]), howToWriteADay)
	}
	year := atoi(m[4])
	if m[4] == "" {
		year = yearFor(month, atoi(m[2]), today, lean)
	}
	d, err := exists(year, month, atoi(m[2]), typed)
	if err != nil || m[1] == "" {
		return d, err
	}
	if day := noon(d).Weekday().String(); len(m[1]) < 2 || !strings.HasPrefix(strings.ToLower(day), m[1]) {
		return civil.Date{}, fmt.Errorf("%s is a %s: correct the weekday or the date", Short(d), day)
	}
	return d, nil
}

// yearFor tries the years around today; 29 February goes to the next year that has one.
func yearFor(month time.Month, day int, today civil.Date, lean Lean) int {
	if lean == Behind {
		for y := today.Year; y > today.Year-9; y-- {
			if d, err := exists(y, month, day, ""); err == nil && !d.After(today) {
				return y
			}
		}
		return today.Year
	}
	for y := today.Year - 1; y < today.Year+9; y++ {
		if d, err := exists(y, month, day, ""); err == nil && !d.Before(today.AddDays(-90)) {
			return y
		}
	}
	return today.Year
}

func exists(year int, month time.Month, day int, typed string) (civil.Date, error) {
	d := civil.Date{Year: year, Month: month, Day: day}
	if year < 1900 || year > 2200 || civil.Of(noon(d)) != d {
		return civil.Date{}, fmt.Errorf("%q is not in the calendar: %s", clip(typed), howToWriteADay)
	}
	return d, nil
}

func monthNamed(s string) (time.Month, bool) {
	for m := time.January; m <= time.December; m++ {
		if name := strings.ToLower(m.String()); len(s) >= 3 && strings.HasPrefix(name, s) || s == "sept" && m == time.September {
			return m, true
		}
	}
	return 0, false
}

// ReadClock reads a time of day: "08:00", "8.30", "0830", "8", "8 pm". It gives minutes from midnight, at most 24:00.
func ReadClock(s string) (int, error) {
	m := clockAt.FindStringSubmatch(strings.ToLower(strings.TrimSpace(s)))
	if m == nil {
		return 0, fmt.Errorf("%q is not a time of day: write it as 08:30", clip(s))
	}
	h, min := atoi(m[1]), atoi(m[2])
	if m[3] != "" && (h < 1 || h > 12) || h > 24 || min > 59 || h == 24 && min > 0 {
		return 0, fmt.Errorf("%q is not a time of day: write it as 08:30", clip(s))
	}
	switch {
	case m[3] == "pm" && h < 12:
		h += 12
	case m[3] == "am" && h == 12:
		h = 0
	}
	return h*60 + min, nil
}

// At joins a day and minutes from midnight in loc. A time that a clock change leaves out is an error; of two such times the
// first is meant (RFC 5545, 3.3.5).
func At(d civil.Date, minutes int, loc *time.Location) (time.Time, error) {
	want := noon(d).Add(time.Duration(minutes)*time.Minute - 12*time.Hour)
	t := time.Date(want.Year(), want.Month(), want.Day(), want.Hour(), want.Minute(), 0, 0, loc)
	if t.Hour() != want.Hour() || t.Minute() != want.Minute() {
		return time.Time{}, fmt.Errorf("there is no %s on %s in %s: the clocks are moved then; choose another time", want.Format("15:04"), Full(d), loc)
	}
	for _, back := range []time.Duration{time.Hour, 30 * time.Minute} {
		if e := t.Add(-back); e.Format("15:04") == t.Format("15:04") && civil.Of(e) == civil.Of(t) {
			return e, nil
		}
	}
	return t, nil
}

func atoi(s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		return 0
	}
	return n
}

// clip keeps what was typed short enough to be quoted back.
func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
