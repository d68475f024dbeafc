// Package notify decides what people must be told and when, words it, and keeps the outbox until a mail server has taken it.
package notify

import (
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Rule says when the end of a certificate is announced. Steps are days relative to the last covered day, negative before it.
// After the last step it is announced again every Repeat days.
type Rule struct {
	Steps  []int
	Repeat int // days; 0: never again
	Minute int // of the day in the depot's zone, when a reminder fires
}

// CertificateRule is the default: 60, 30, 14, 7 and 1 days before, on the last covered day, then weekly, at 07:00 depot time.
// Common practice, no source.
func CertificateRule() Rule {
	return Rule{Steps: []int{-60, -30, -14, -7, -1, 0}, Repeat: 7, Minute: 7 * 60}
}

// Lapse is a unit whose certificate ends, with what the end would break.
type Lapse struct {
	Unit        ident.ID
	Tag         string
	Owner       ident.ID // client that owns the unit; zero: not a client's
	Kind        fleet.Kind
	Depot       ident.ID
	DepotName   string
	Zone        *time.Location
	Certificate string     // number; empty when the unit never had one
	Due         civil.Date // last covered day
	Since       time.Time  // when that certificate was entered
	Breaks      []Broken   // bookings that reach beyond it, by start
}

// Broken is a booking that would run on without a certificate.
type Broken struct {
	Booking ident.ID
	Client  ident.ID // whose survey it is for; zero: nobody's
	Label   string
	Span    fleet.Span
}

// Occasion is one announcement that is due once: one unit, one due date, one step.
type Occasion struct {
	Unit ident.ID
	Due  civil.Date
	Step int // days relative to Due
}

// Due lists the occasions of a lapse whose moment has come by now, earliest first. It looks back without limit, so that a
// server that was down for a week announces late rather than never.
func (r Rule) Due(l Lapse, now time.Time) []Occasion {
	var due []Occasion
	add := func(step int) bool {
		if r.fires(l, step).After(now) {
			return false
		}
		due = append(due, Occasion{l.Unit, l.Due, step})
		return true
	}
	steps := slices.Sorted(slices.Values(r.Steps))
	for _, step := range steps {
		if !add(step) {
			return due
		}
	}
	if r.Repeat <= 0 || len(steps) == 0 {
		return due
	}
	for step := steps[len(steps)-1] + r.Repeat; add(step); step += r.Repeat {
	}
	return due
}

// fires is the instant of a step: a wall-clock time of the depot, so clock changes neither skip nor double it.
func (r Rule) fires(l Lapse, step int) time.Time {
	day := l.Due.AddDays(step)
	return time.Date(day.Year, day.Month, day.Day, r.Minute/60, r.Minute%60, 0, 0, l.Zone)
}

// horizon is the last due date that any step can speak of on the day of now, with a day to spare for zones.
func (r Rule) horizon(now time.Time) civil.Date {
	first := 0
	for _, s := range r.Steps {
		first = min(first, s)
	}
	return civil.Of(now.UTC()).AddDays(1 - first)
}
