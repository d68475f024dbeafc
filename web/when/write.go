// Package when reads and writes dates and times the way people write them: weekday, day and month; the year when it is not this
// one; times with their zone.
package when

import (
	"time"

	"kitd/internal/civil"
)

// Day writes a date: "Tue 24 Nov", with the year when it differs from today's.
func Day(d, today civil.Date) string {
	if d.IsZero() {
		return "–"
	}
	if d.Year == today.Year {
		return noon(d).Format("Mon 2 Jan")
	}
	return noon(d).Format("Mon 2 Jan 2006")
}

// Full writes a date with its year, as fields show it: "Tue 24 Nov 2026"; nothing for no date.
func Full(d civil.Date) string {
	if d.IsZero() {
		return ""
	}
	return noon(d).Format("Mon 2 Jan 2006")
}

// Short writes a date for a column of dates: "24 Nov 2026".
func Short(d civil.Date) string {
	if d.IsZero() {
		return "–"
	}
	return noon(d).Format("2 Jan 2006")
}

// Clock writes a time of day in loc: "08:10".
func Clock(t time.Time, loc *time.Location) string { return t.In(loc).Format("15:04") }

// Moment writes an instant in loc: "Tue 24 Nov, 08:10 GMT", with the year when it differs from now's.
func Moment(t, now time.Time, loc *time.Location) string {
	if t.IsZero() {
		return "–"
	}
	t = t.In(loc)
	return Day(civil.Of(t), civil.Of(now.In(loc))) + t.Format(", 15:04 MST")
}

// Span writes an interval in loc: "Wed 18 Nov, 07:02 to 15:07 GMT" or "Mon 30 Nov, 08:00 to Sat 5 Dec, 12:00 GMT".
func Span(from, to, now time.Time, loc *time.Location) string {
	from, to = from.In(loc), to.In(loc)
	today := civil.Of(now.In(loc))
	head := Day(civil.Of(from), today) + from.Format(", 15:04")
	if from.Format("MST") != to.Format("MST") {
		head += from.Format(" MST")
	}
	if civil.Of(from) == civil.Of(to) {
		return head + to.Format(" to 15:04 MST")
	}
	return head + " to " + Day(civil.Of(to), today) + to.Format(", 15:04 MST")
}

// Days writes an interval of whole days, both included: "Tue 24 Nov to Wed 25 Nov", or one day alone.
func Days(from, to, today civil.Date) string {
	if from == to {
		return Day(from, today)
	}
	return Day(from, today) + " to " + Day(to, today)
}

func noon(d civil.Date) time.Time { return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC) }
