package look

import (
	"fmt"
	"strings"
	"time"
)

// StripDays is how many days a shelf strip shows, four units of drawing each.
const StripDays = 56

const perDay = 4.0

// Strip is the line of one unit: what stands on it over the coming weeks.
type Strip struct {
	First  time.Time // start of the first day shown, in the zone shown
	Base   []Stretch // in order, each fit or not
	Blocks []Block
	Ends   time.Time // the certificate's end; zero for none
	Due    time.Time // full charge due; zero for none
	Now    time.Time
	Words  string // the same in words
}

// Stretch is a part of the base: solid for fit days, broken for others.
type Stretch struct {
	From, To time.Time
	Fit      bool
}

// Block stands on the line. The feet are lead and lag around it.
type Block struct {
	From, To         time.Time
	FootFrom, FootTo time.Time // zero: no feet
	Laboratory       bool
}

// x places an instant on the strip, clipped to it. Days count as 24 hours from the first; a clock change moves later instants by
// a sixth of a unit, less than a line's width.
func (s Strip) x(t time.Time) float64 {
	d := t.Sub(s.First).Hours() / 24 * perDay
	return min(max(d, 0), StripDays*perDay)
}

func (s Strip) shows(from, to time.Time) bool { return s.x(to) > s.x(from) }

func (s Strip) baseOf(b Stretch) string {
	return fmt.Sprintf("M%s 16H%s", num(s.x(b.From)), num(s.x(b.To)))
}

func (s Strip) solid(b Stretch) string {
	a, z := s.x(b.From), s.x(b.To)
	return fmt.Sprintf("M%s 15H%sv2H%sz", num(a), num(z), num(a))
}

func (s Strip) box(from, to time.Time, top, bottom float64) string {
	a, z := s.x(from), s.x(to)
	if z-a < 2 {
		z = a + 2
	}
	return fmt.Sprintf("M%s %sH%sV%sH%sz", num(a), num(top), num(z), num(bottom), num(a))
}

func (s Strip) flag() (string, bool) {
	if s.Ends.IsZero() || s.Ends.Sub(s.First) > StripDays*24*time.Hour || s.Ends.Before(s.First) {
		return "", false
	}
	return fmt.Sprintf("M%s 1h7l-2.2 2.2 2.2 2.2h-5V18h-2z", num(s.x(s.Ends)-1)), true
}

func (s Strip) wedge() (string, bool) {
	if s.Due.IsZero() || s.Due.Sub(s.First) > StripDays*24*time.Hour || s.Due.Before(s.First) {
		return "", false
	}
	return fmt.Sprintf("M%s 16l3.5 4h-7z", num(s.x(s.Due))), true
}

func (s Strip) today() string { return fmt.Sprintf("M%s 0v20", num(s.x(s.Now))) }

// weeks draws the hairlines, one each seven days.
func weeks(height int) string {
	var b strings.Builder
	for d := 0; d < StripDays; d += 7 {
		fmt.Fprintf(&b, "M%d.5 %dv%d", d*int(perDay), 28-height, height)
	}
	return b.String()
}

func weekLines() string {
	var b strings.Builder
	for d := 0; d < StripDays; d += 7 {
		fmt.Fprintf(&b, "M%d.5 0v20", d*int(perDay))
	}
	return b.String()
}

type weekHead struct{ X, Day, Month string }

// heads names the first day of each week, and each month where it first appears.
func heads(first time.Time) []weekHead {
	out := make([]weekHead, 0, StripDays/7)
	last := time.Month(0)
	for d := 0; d < StripDays; d += 7 {
		day := first.AddDate(0, 0, d)
		h := weekHead{X: fmt.Sprint(d*int(perDay) + 3), Day: fmt.Sprint(day.Day())}
		if day.Month() != last {
			h.Month, last = day.Format("Jan"), day.Month()
		}
		out = append(out, h)
	}
	return out
}

// num writes a coordinate with at most one decimal.
func num(v float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")
}
