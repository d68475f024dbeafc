package schedule

import (
	"errors"
	"strings"
	"time"
)

const localForm = "2006-01-02T15:04:05"

var (
	errLocal = errors.New("is not a time of the form 2026-03-29T09:30:00")
	errZone  = errors.New("is not a time zone kitd knows; write an IANA name such as Europe/Berlin")
)

// reading is what a wall-clock time means: one instant, two where a clock change repeats it, none where one leaves it out.
type reading struct {
	at      []time.Time
	shifted time.Time // where there is none: read with the offset before the gap (RFC 5545, 3.3.5)
}

// read finds the instants that a clock in the zone shows as the local time.
func (c Civil) read() (reading, error) {
	wall, err := time.Parse(localForm, c.Local)
	if err != nil {
		return reading{}, errLocal
	}
	loc, err := zone(c.Zone)
	if err != nil {
		return reading{}, err
	}
	near := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), 0, loc)
	start, end := near.ZoneBounds()
	var r reading
	if !start.IsZero() {
		r.across(wall, start, loc)
	}
	if !end.IsZero() {
		r.across(wall, end, loc)
	}
	if len(r.at) == 0 && r.shifted.IsZero() {
		r.at = []time.Time{near.UTC()}
	}
	return r, nil
}

// across looks at one change of the offset: does the wall-clock time fall into what it repeats or leaves out?
func (r *reading) across(wall, change time.Time, loc *time.Location) {
	_, before := change.Add(-time.Second).In(loc).Zone()
	_, after := change.In(loc).Zone()
	first := wall.Add(-time.Duration(before) * time.Second)
	second := wall.Add(-time.Duration(after) * time.Second)
	switch {
	case first.Before(change) && !second.Before(change):
		r.at = []time.Time{first.UTC(), second.UTC()}
	case !first.Before(change) && second.Before(change):
		r.shifted = first.UTC()
	}
}

// zone loads an IANA zone; the machine's own zone is never meant.
func zone(name string) (*time.Location, error) {
	if name == "" || strings.EqualFold(name, "local") {
		return nil, errZone
	}
	loc, err := time.LoadLocation(name)
	if err != nil {
		return nil, errZone
	}
	return loc, nil
}

// settleEnd joins one end of a visit: a wall-clock time, an instant, or both, which then must agree.
func settleEnd(c Civil, at time.Time) (Civil, time.Time, error) {
	at = at.Round(0).UTC().Truncate(time.Second)
	if c == (Civil{}) {
		if at.IsZero() {
			return c, at, errors.New("is missing; give a local time and a zone")
		}
		return Civil{Local: at.Format(localForm), Zone: "UTC"}, at, nil
	}
	r, err := c.read()
	if err != nil {
		return c, at, err
	}
	if at.IsZero() {
		return c.derive(r)
	}
	for i, t := range r.at {
		if t.Equal(at) {
			c.Later = i == 1
			return c, at, nil
		}
	}
	if r.shifted.Equal(at) && len(r.at) == 0 {
		return c, at, nil
	}
	return c, at, errors.New("is given both as local time and as instant, and the two differ")
}

func (c Civil) derive(r reading) (Civil, time.Time, error) {
	switch {
	case len(r.at) == 0:
		return c, time.Time{}, errors.New("does not exist there: the clocks go forward over " + strings.Replace(c.Local, "T", " ", 1) +
			" in " + c.Zone + "; choose a time before or after the change")
	case len(r.at) == 2 && c.Later:
		return c, r.at[1], nil
	}
	c.Later = false
	return c, r.at[0], nil
}

// again derives the instant anew, as calendars do: a time left out is read with the offset before the gap, a time repeated
// is the one chosen at first.
func (c Civil) again() (time.Time, error) {
	r, err := c.read()
	if err != nil {
		return time.Time{}, err
	}
	switch {
	case len(r.at) == 0:
		return r.shifted, nil
	case len(r.at) == 2 && c.Later:
		return r.at[1], nil
	}
	return r.at[0], nil
}

// shift moves the wall-clock time by whole days.
func (c Civil) shift(days int) Civil {
	wall, err := time.Parse(localForm, c.Local)
	if err != nil {
		return c
	}
	return Civil{Local: wall.AddDate(0, 0, days).Format(localForm), Zone: c.Zone, Later: c.Later}
}

// rederived gives the visit under the zone data of today, and whether anything moved. Data that would turn a visit around
// are not followed.
func (o Occurrence) rederived() (Occurrence, bool) {
	from, err := o.FromCivil.again()
	if err != nil {
		return o, false
	}
	to, err := o.ToCivil.again()
	if err != nil || !from.Before(to) || from.Equal(o.Span.From) && to.Equal(o.Span.To) {
		return o, false
	}
	o.Span.From, o.Span.To = from, to
	return o, true
}
