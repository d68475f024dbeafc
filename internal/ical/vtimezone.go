package ical

import (
	"math"
	"slices"
	"strings"
	"time"

	goical "github.com/emersion/go-ical"
)

// ownZone is a VTIMEZONE (RFC 5545, 3.6.5) evaluated from its own rules. The observance in force is the one with the latest
// onset; onsets of rules are worked out for the years that are asked for, so that a zone that begins in 1601 costs nothing.
type ownZone struct {
	fixed  []onset // single onsets, by time
	yearly []yearlyOnset
	years  map[int][]onset
	first  int // offset before every onset
}

type onset struct {
	at     int64
	offset int
}

type yearlyOnset struct {
	start    time.Time // first onset, local reading
	rule     *rule
	from, to int
	last     int // last year that can hold an onset
}

func (z *ownZone) name() string { return "" }

// readZone reads a VTIMEZONE with at least one observance.
func readZone(c *goical.Component) (*ownZone, error) {
	z := &ownZone{years: map[int][]onset{}}
	earliest := time.Time{}
	parts := 0
	for _, child := range c.Children {
		if child.Name != goical.CompTimezoneStandard && child.Name != goical.CompTimezoneDaylight {
			continue
		}
		if parts++; parts > MaxObservances {
			return nil, badLine(lineOf(child), "the time zone has more than %d parts", MaxObservances)
		}
		start, from, err := z.addObservance(child)
		if err != nil {
			return nil, err
		}
		if earliest.IsZero() || start.Before(earliest) {
			earliest, z.first = start, from
		}
	}
	if parts == 0 {
		return nil, badLine(lineOf(c), "the time zone has no STANDARD or DAYLIGHT part")
	}
	slices.SortStableFunc(z.fixed, compareOnsets)
	return z, nil
}

func compareOnsets(a, b onset) int {
	switch {
	case a.at < b.at:
		return -1
	case a.at > b.at:
		return 1
	}
	return 0
}

// addObservance reads one STANDARD or DAYLIGHT part.
func (z *ownZone) addObservance(c *goical.Component) (start time.Time, from int, err error) {
	offset := map[string]int{}
	for _, name := range []string{"TZOFFSETFROM", "TZOFFSETTO"} {
		p, ok, err := one(c, name)
		if err != nil {
			return start, 0, err
		}
		if !ok {
			return start, 0, badLine(lineOf(c), "this part of the time zone has no %s", name)
		}
		if offset[name], err = readOffset(p); err != nil {
			return start, 0, err
		}
	}
	from, to := offset["TZOFFSETFROM"], offset["TZOFFSETTO"]
	if start, err = onsetStart(c); err != nil {
		return start, 0, err
	}
	z.fixed = append(z.fixed, onset{start.Unix() - int64(from), to})
	if err := z.addDates(c, from, to); err != nil {
		return start, 0, err
	}
	return start, from, z.addRule(c, start, from, to)
}

// onsetStart reads DTSTART, a local time that may lie centuries back.
func onsetStart(c *goical.Component) (time.Time, error) {
	p, ok, err := one(c, "DTSTART")
	if err != nil {
		return time.Time{}, err
	}
	if !ok {
		return time.Time{}, badLine(lineOf(c), "this part of the time zone has no DTSTART")
	}
	t, err := time.Parse("20060102T150405", p.Value)
	if err != nil || t.Year() < 1 {
		return time.Time{}, badLine(p.line(), "DTSTART %s of a time zone is not a local time of the form 20261025T030000", quote(p.Value))
	}
	return t, nil
}

func (z *ownZone) addDates(c *goical.Component, from, to int) error {
	for _, p := range all(c, "RDATE") {
		for _, v := range strings.Split(p.Value, ",") {
			t, err := time.Parse("20060102T150405", strings.TrimSpace(v))
			if err != nil {
				return badLine(p.line(), "RDATE %s of a time zone is not a local time of the form 20261025T030000", quote(v))
			}
			if len(z.fixed) > MaxDates {
				return badLine(p.line(), "the time zone lists more than %d changes", MaxDates)
			}
			z.fixed = append(z.fixed, onset{t.Unix() - int64(from), to})
		}
	}
	return nil
}

func (z *ownZone) addRule(c *goical.Component, start time.Time, from, to int) error {
	p, ok, err := one(c, "RRULE")
	if err != nil || !ok {
		return err
	}
	r, err := readRule(p)
	if err != nil {
		return err
	}
	if len(z.yearly) == MaxZoneRules {
		return badRule(p.line(), "the time zone has more than %d parts that repeat", MaxZoneRules)
	}
	if r.freq != yearly || r.interval != 1 {
		return badRule(p.line(), "a time zone changes once a year: FREQ=YEARLY without INTERVAL")
	}
	y := yearlyOnset{start: start, rule: r, from: from, to: to, last: LastYear + 2}
	if r.count > 0 {
		y.last = min(y.last, start.Year()+r.count-1)
	}
	if r.until != nil {
		y.last = min(y.last, r.until.wall.Year())
	}
	z.yearly = append(z.yearly, y)
	return nil
}

// inYear gives the onsets of the rules within a calendar year.
func (z *ownZone) inYear(year int) []onset {
	if known, ok := z.years[year]; ok {
		return known
	}
	var out []onset
	for _, y := range z.yearly {
		if year < y.start.Year() || year > y.last {
			continue
		}
		for day := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() == year; day = day.AddDate(0, 0, 1) {
			if y.rule.byMonth != nil && !slices.Contains(y.rule.byMonth, int(day.Month())) {
				day = time.Date(year, day.Month()+1, 0, 0, 0, 0, 0, time.UTC) // on to the next month
				continue
			}
			wall := onDay(day, y.start)
			at := wall.Unix() - int64(y.from)
			if !wall.Before(y.start) && y.rule.on(day, y.start) && !y.rule.over(wall, time.Unix(at, 0)) {
				out = append(out, onset{at, y.to})
			}
		}
	}
	slices.SortStableFunc(out, compareOnsets)
	z.years[year] = out
	return out
}

// stretch looks at the onsets around at: those of its year and the two beside it, the single ones, and the last of rules
// that ended before.
func (z *ownZone) stretch(at int64) (start, end int64, offset int) {
	start, end, offset = math.MinInt64, math.MaxInt64, z.first
	year := time.Unix(at, 0).UTC().Year()
	consider := func(list []onset) {
		for _, o := range list {
			switch {
			case o.at <= at && o.at >= start:
				start, offset = o.at, o.offset
			case o.at > at && o.at < end:
				end = o.at
			}
		}
	}
	consider(z.fixed)
	for _, y := range z.yearly {
		if y.last < year-1 {
			consider(z.inYear(y.last))
			consider(z.inYear(y.last - 1))
		}
	}
	for y := year - 1; y <= year+1; y++ {
		consider(z.inYear(y))
	}
	return start, end, offset
}

// onDay puts the clock reading of wall on another day.
func onDay(day, wall time.Time) time.Time {
	h, m, s := wall.Clock()
	return time.Date(day.Year(), day.Month(), day.Day(), h, m, s, 0, time.UTC)
}
