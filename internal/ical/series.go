package ical

import (
	"slices"
	"strings"
	"time"

	goical "github.com/emersion/go-ical"
)

// extra is a value of RDATE; a PERIOD carries its own end.
type extra struct {
	start moment
	end   time.Time // zero: the length of the series
}

// exclude is a value of EXDATE. A date excludes every instance of that day.
type exclude struct{ moment }

// hits reports whether an instance that begins at m, with that original reading, is meant. A series of dates and an EXDATE
// with a time, or the reverse, meet on the day.
func (x exclude) hits(m moment) bool {
	if x.date || m.date {
		return startOfDay(x.wall).Equal(startOfDay(m.wall))
	}
	return x.instant().Equal(m.instant())
}

// readRecurrence reads RECURRENCE-ID, RRULE, RDATE and EXDATE of one VEVENT.
func (p *part) readRecurrence(zones *zoneSet) error {
	if err := p.readOriginal(zones); err != nil {
		return err
	}
	if x := p.c.Props.Get("EXRULE"); x != nil {
		return badRule(property{x}.line(), "EXRULE was dropped from iCalendar; list the excluded dates in EXDATE")
	}
	r, ok, err := one(p.c, "RRULE")
	if err != nil {
		return err
	}
	if ok {
		if p.rule, err = readRule(r); err != nil {
			return err
		}
		p.ruleLine, p.ruleText = r.line(), r.Value
		if p.rule.count == 0 && p.rule.until == nil {
			return badRule(p.ruleLine, "the series never ends; give it an end (UNTIL or COUNT) within one year")
		}
	}
	if p.original != nil && (p.rule != nil || len(all(p.c, "RDATE")) > 0) {
		return badLine(lineOf(p.c), "an event with a RECURRENCE-ID is one instance and has no RRULE or RDATE")
	}
	return p.readDates(zones)
}

func (p *part) readOriginal(zones *zoneSet) error {
	id, ok, err := one(p.c, "RECURRENCE-ID")
	if err != nil || !ok {
		return err
	}
	if r := id.param("RANGE"); r != "" {
		return badLine(id.line(), "RECURRENCE-ID with RANGE=%s changes many instances at once; end the series and begin another", quote(r))
	}
	m, err := readMoment(id, id.Value, zones)
	p.original = &m
	return err
}

func (p *part) readDates(zones *zoneSet) error {
	for _, name := range []string{"EXDATE", "RDATE"} {
		for _, d := range all(p.c, name) {
			for _, v := range strings.Split(d.Value, ",") {
				if err := p.readDate(d, strings.TrimSpace(v), zones); err != nil {
					return err
				}
				if len(p.extra)+len(p.without) > MaxDates {
					return badLine(d.line(), "RDATE and EXDATE list more than %d dates", MaxDates)
				}
			}
		}
	}
	return nil
}

func (p *part) readDate(d property, value string, zones *zoneSet) error {
	if d.Name == goical.PropRecurrenceDates && d.is("PERIOD") {
		x, err := readPeriod(d, value, zones)
		p.extra = append(p.extra, x)
		return err
	}
	m, err := readMoment(d, value, zones)
	if err != nil {
		return err
	}
	if d.Name == goical.PropExceptionDates {
		p.without = append(p.without, exclude{m})
		return nil
	}
	if m.date != p.start.date {
		return badLine(d.line(), "RDATE and DTSTART are not both dates or both times")
	}
	p.extra = append(p.extra, extra{start: m})
	return nil
}

// readPeriod reads a PERIOD (RFC 5545, 3.3.9): a start with an end or a duration.
func readPeriod(d property, value string, zones *zoneSet) (extra, error) {
	from, to, ok := strings.Cut(value, "/")
	if !ok {
		return extra{}, badLine(d.line(), "%s %s is not a period of the form start/end or start/duration", d.Name, quote(value))
	}
	timed := property{&goical.Prop{Name: d.Name, Params: goical.Params{"TZID": d.Params["TZID"], numberParam: d.Params[numberParam]}}}
	start, err := readMoment(timed, from, zones)
	if err != nil {
		return extra{}, err
	}
	if strings.HasPrefix(to, "P") || strings.HasPrefix(to, "+P") {
		s, err := readSpan(d.line(), d.Name, to)
		return extra{start, s.after(start)}, err
	}
	end, err := readMoment(timed, to, zones)
	if err == nil && !end.instant().After(start.instant()) {
		err = badLine(d.line(), "%s %s ends before or when it begins", d.Name, quote(value))
	}
	return extra{start, end.instant()}, err
}

// occurrences works out the instances that stand, by start. A nil master leaves the overrides alone.
func occurrences(master *part, overrides map[int64]*part) ([]Occurrence, error) {
	var out []Occurrence
	var from, bound time.Time
	if master != nil {
		starts, err := master.starts()
		if err != nil {
			return nil, err
		}
		out = master.instances(starts, overrides)
		from, bound = master.start.instant(), yearAfter(master.start)
	}
	if master == nil || master.status != "CANCELLED" {
		for _, o := range overrides {
			if o.status != "CANCELLED" {
				start := o.start.instant()
				out = append(out, Occurrence{start, o.length.of(o.start), o.original.instant(), true, o.summary})
			}
		}
	}
	slices.SortFunc(out, func(a, b Occurrence) int {
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		return a.RecurrenceID.Compare(b.RecurrenceID)
	})
	return out, checkBounds(out, from, bound)
}

// checkBounds keeps a series within what one booking may ask for.
func checkBounds(list []Occurrence, from, bound time.Time) error {
	if len(list) > MaxOccurrences {
		return badObject("its series has %d instances; at most %d are accepted, split it", len(list), MaxOccurrences)
	}
	if len(list) == 0 {
		return nil
	}
	if first := list[0].Start; bound.IsZero() || first.Before(from) {
		bound = first.AddDate(1, 0, 1)
	}
	if last := list[len(list)-1].Start; last.After(bound) {
		return badObject("its series reaches to %s, more than one year after its start; end it earlier", last.Format(time.DateOnly))
	}
	return nil
}

// yearAfter is the end of the day one year after the start, in its zone.
func yearAfter(m moment) time.Time {
	return instantOf(m.zone, startOfDay(m.wall).AddDate(1, 0, 1))
}

// starts gives the starts of a series before EXDATE: DTSTART, which always counts as the first (RFC 5545, 3.8.5.3), the days
// of the rule and RDATE. The clock reading stays the same through clock changes; one that a change leaves out or doubles is
// read as 3.3.5 says.
func (p *part) starts() ([]extra, error) {
	out := []extra{{start: p.start}}
	if p.rule != nil {
		var err error
		if out, err = p.byRule(out); err != nil {
			return nil, err
		}
	}
	known := map[int64]int{}
	for i, x := range out {
		known[x.start.instant().Unix()] = i
	}
	for _, x := range p.extra {
		at := x.start.instant().Unix()
		if i, ok := known[at]; !ok {
			known[at] = len(out)
			out = append(out, x)
		} else if !x.end.IsZero() {
			out[i].end = x.end
		}
	}
	return out, nil
}

func (p *part) byRule(out []extra) ([]extra, error) {
	limit := startOfDay(p.start.wall).AddDate(1, 0, 0)
	for day := startOfDay(p.start.wall).AddDate(0, 0, 1); !day.After(limit); day = day.AddDate(0, 0, 1) {
		if p.rule.count > 0 && len(out) == p.rule.count {
			return out, nil
		}
		if !p.rule.on(day, p.start.wall) {
			continue
		}
		m := p.start.at(onDay(day, p.start.wall))
		if p.rule.over(m.wall, m.instant()) {
			return out, nil
		}
		out = append(out, extra{start: m})
	}
	beyond := limit.AddDate(0, 0, 1)
	if p.rule.count > len(out) || p.rule.until != nil && !p.rule.over(beyond, instantOf(p.start.zone, beyond)) {
		return nil, badRule(p.ruleLine, "the series goes on for more than one year; give it an end (UNTIL or COUNT) within one year")
	}
	return out, nil
}

// instances leaves out what EXDATE excludes and what an override replaces.
func (p *part) instances(starts []extra, overrides map[int64]*part) []Occurrence {
	var out []Occurrence
	if p.status == "CANCELLED" {
		return nil
	}
	series := p.rule != nil || len(p.extra) > 0 || len(overrides) > 0
	for _, x := range starts {
		if p.excluded(x.start) || replaced(x.start, overrides) {
			continue
		}
		o := Occurrence{Start: x.start.instant(), End: x.end, Summary: p.summary}
		if x.end.IsZero() {
			o.End = p.length.of(x.start)
		}
		if series {
			o.RecurrenceID = o.Start
		}
		out = append(out, o)
	}
	return out
}

func (p *part) excluded(m moment) bool {
	return slices.ContainsFunc(p.without, func(x exclude) bool { return x.hits(m) })
}

// replaced reports whether an override speaks of the instance; a RECURRENCE-ID that is a date speaks of the day.
func replaced(m moment, overrides map[int64]*part) bool {
	if _, ok := overrides[m.instant().Unix()]; ok {
		return true
	}
	for _, o := range overrides {
		if o.original.date != m.date && (exclude{*o.original}).hits(m) {
			return true
		}
	}
	return false
}
