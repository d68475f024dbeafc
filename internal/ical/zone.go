package ical

import (
	"math"
	"regexp"
	"strings"
	"time"

	goical "github.com/emersion/go-ical"
)

// zone is a set of rules from instants to offsets.
type zone interface {
	// name is the IANA name, empty for a zone that an object defines.
	name() string
	// stretch is the span [start, end) of Unix seconds around at in which one offset (seconds east of UTC) holds.
	stretch(at int64) (start, end int64, offset int)
}

// located is a zone of the IANA data.
type located struct{ loc *time.Location }

var utcZone zone = located{time.UTC}

func (z located) name() string { return z.loc.String() }

func (z located) stretch(at int64) (start, end int64, offset int) {
	t := time.Unix(at, 0).In(z.loc)
	from, to := t.ZoneBounds()
	_, offset = t.Zone()
	start, end = math.MinInt64, math.MaxInt64
	if !from.IsZero() {
		start = from.Unix()
	}
	if !to.IsZero() {
		end = to.Unix()
	}
	return start, end, offset
}

// reach is further than any two offsets lie apart, in seconds.
const reach = 26 * 3600

// instantOf reads a local time by RFC 5545, 3.3.5: one that occurs twice is the first, one that a clock change leaves out is
// read with the offset before the gap.
func instantOf(z zone, wall time.Time) time.Time {
	w := wall.Unix()
	before := 0
	for at := w - reach; ; {
		start, end, offset := z.stretch(at)
		candidate := w - int64(offset)
		if candidate < start {
			return time.Unix(w-int64(before), 0).UTC()
		}
		if candidate < end {
			return time.Unix(candidate, 0).UTC()
		}
		before, at = offset, end
	}
}

// wallOf is the local reading of an instant.
func wallOf(z zone, t time.Time) time.Time {
	_, _, offset := z.stretch(t.Unix())
	return time.Unix(t.Unix()+int64(offset), 0).UTC()
}

// zoneSet finds the zones an object speaks of.
type zoneSet struct {
	floating zone
	defined  map[string]*goical.Component // VTIMEZONE by TZID
	custom   map[string]zone
}

func newZoneSet(floating *time.Location, root *goical.Component) (*zoneSet, error) {
	set := &zoneSet{floating: located{floating}, defined: map[string]*goical.Component{}, custom: map[string]zone{}}
	for _, c := range root.Children {
		if c.Name != goical.CompTimezone {
			continue
		}
		id, ok, err := one(c, "TZID")
		if err != nil {
			return nil, err
		}
		if !ok || id.Value == "" {
			return nil, badLine(lineOf(c), "the time zone has no TZID")
		}
		set.defined[id.text()] = c
	}
	return set, nil
}

// find gives the zone of a TZID; an empty one is floating time. A name that IANA or Windows know wins over the object's own
// rules, which are often out of date; a name nobody knows needs them. It never falls back to another zone.
func (s *zoneSet) find(no int, tzid string) (zone, error) {
	if tzid == "" {
		return s.floating, nil
	}
	if loc := Location(tzid); loc != nil {
		return located{loc}, nil
	}
	if z, ok := s.custom[tzid]; ok {
		return z, nil
	}
	c, ok := s.defined[tzid]
	if !ok {
		return nil, badZone(no, tzid)
	}
	if p, ok, err := one(c, "X-LIC-LOCATION"); err == nil && ok {
		if loc := Location(p.text()); loc != nil {
			return located{loc}, nil
		}
	}
	if len(s.custom) == MaxZones {
		return nil, badLine(no, "more than %d time zones need the object's own rules", MaxZones)
	}
	z, err := readZone(c)
	if err != nil {
		return nil, err
	}
	s.custom[tzid] = z
	return z, nil
}

var (
	zoneName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+){0,2}$`)
	notZones = map[string]bool{"Local": true, "localtime": true, "Factory": true, "posixrules": true}
)

// Location finds the zone that a TZID names: an IANA name, one with a maker's prefix ("/example.org/20260101/Europe/Berlin"),
// or a Windows name by the table of CLDR. It returns nil for an unknown one.
func Location(tzid string) *time.Location {
	if loc := load(tzid); loc != nil {
		return loc
	}
	if name, ok := windowsZones[strings.ToLower(tzid)]; ok {
		return load(name)
	}
	if !strings.HasPrefix(tzid, "/") {
		return nil
	}
	parts := strings.Split(tzid, "/")
	for n := 3; n >= 2; n-- {
		if len(parts) > n {
			if loc := load(strings.Join(parts[len(parts)-n:], "/")); loc != nil {
				return loc
			}
		}
	}
	return nil
}

// load reads a zone by its IANA name alone: no "Local", no path, no data with leap seconds.
func load(name string) *time.Location {
	if !zoneName.MatchString(name) || notZones[name] || strings.HasPrefix(name, "right/") || strings.HasPrefix(name, "posix/") {
		return nil
	}
	loc, err := time.LoadLocation(name)
	if err != nil {
		return nil
	}
	return loc
}
