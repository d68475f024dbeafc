// Package civil holds calendar dates without a time of day, as certificates, hire dates and survey days use them.
package civil

import (
	"fmt"
	"time"
)

// Date is a day of the proleptic Gregorian calendar in no zone. The zero Date means "none".
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// Parse reads an ISO 8601 date, YYYY-MM-DD.
func Parse(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date of the form YYYY-MM-DD", s)
	}
	return Of(t), nil
}

// Of gives the date that t shows in its own location.
func Of(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero reports whether the date is absent.
func (d Date) IsZero() bool { return d == Date{} }

// String gives YYYY-MM-DD, or nothing for the zero Date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day)
}

// Start is the first instant of the day in loc. Where a clock change removes midnight it is the first instant that exists.
func (d Date) Start(loc *time.Location) time.Time {
	t := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, loc)
	if Of(t).Before(d) {
		// Midnight fell into a gap and was mapped to the evening before: the day begins at the transition.
		_, end := t.ZoneBounds()
		return end
	}
	return t
}

// End is the first instant of the following day in loc: a date covers [Start, End).
func (d Date) End(loc *time.Location) time.Time { return d.AddDays(1).Start(loc) }

// AddDays moves by whole days.
func (d Date) AddDays(n int) Date {
	return Of(time.Date(d.Year, d.Month, d.Day+n, 12, 0, 0, 0, time.UTC))
}

// AddMonths moves by calendar months; a day that the target month lacks becomes its last day (31 January + 1 = 28 or 29 February).
func (d Date) AddMonths(n int) Date {
	first := time.Date(d.Year, d.Month+time.Month(n), 1, 12, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return Date{first.Year(), first.Month(), min(d.Day, last)}
}

// MonthEnd is the last day of the date's month.
func (d Date) MonthEnd() Date {
	return Of(time.Date(d.Year, d.Month+1, 0, 12, 0, 0, 0, time.UTC))
}

// Before reports whether d comes before e.
func (d Date) Before(e Date) bool { return d.Compare(e) < 0 }

// After reports whether d comes after e.
func (d Date) After(e Date) bool { return d.Compare(e) > 0 }

// Compare orders dates: -1, 0 or +1.
func (d Date) Compare(e Date) int {
	a := d.Year*10000 + int(d.Month)*100 + d.Day
	b := e.Year*10000 + int(e.Month)*100 + e.Day
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// DaysUntil counts the days from d to e; negative when e is earlier.
func (d Date) DaysUntil(e Date) int {
	a := time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC)
	b := time.Date(e.Year, e.Month, e.Day, 12, 0, 0, 0, time.UTC)
	return int(b.Sub(a) / (24 * time.Hour))
}

// MarshalText implements encoding.TextMarshaler.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText implements encoding.TextUnmarshaler; the empty text is the zero Date.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	parsed, err := Parse(string(b))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}
