package caldav

import (
	"slices"
	"strings"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ical"
)

// filter is the test of a calendar-query on VCALENDAR and what lies in it (RFC 4791, 9.7).
type filter struct {
	name   string // of the component, upper case
	absent bool   // is-not-defined
	ranged *fleet.Span
	props  []propFilter
	inside []*filter
	deep   bool // asks for more than the presence and times of events: the object must be read
}

type propFilter struct {
	name   string
	absent bool
	match  *textMatch
	params []paramFilter
}

type paramFilter struct {
	name   string
	absent bool
	match  *textMatch
}

type textMatch struct {
	text   string
	octets bool // i;octet; else i;ascii-casemap
	negate bool
}

func badFilter(what string) error { return fault.New(fault.FilterUnknown, "what", what) }

// readFilter reads C:filter; without one everything matches.
func readFilter(n *node) (*filter, error) {
	if n == nil {
		return &filter{name: "VCALENDAR"}, nil
	}
	top := n.child(nsCalDAV, "comp-filter")
	if top == nil || !strings.EqualFold(top.attribute("name"), "VCALENDAR") {
		return nil, badFilter("it has to begin with a comp-filter of VCALENDAR")
	}
	return readComp(top)
}

func readComp(n *node) (*filter, error) {
	f := &filter{name: strings.ToUpper(n.attribute("name"))}
	for _, c := range n.children {
		switch {
		case c.is(nsCalDAV, "is-not-defined"):
			f.absent = true
		case c.is(nsCalDAV, "time-range"):
			if f.name != "VEVENT" && f.name != "VTODO" && f.name != "VJOURNAL" && f.name != "VFREEBUSY" {
				return nil, badFilter("a time range is kept for VEVENT, not for " + f.name)
			}
			span, err := readRange(c)
			if err != nil {
				return nil, err
			}
			f.ranged = &span
		case c.is(nsCalDAV, "prop-filter"):
			p, err := readProp(c)
			if err != nil {
				return nil, err
			}
			f.props, f.deep = append(f.props, p), true
		case c.is(nsCalDAV, "comp-filter"):
			inner, err := readComp(c)
			if err != nil {
				return nil, err
			}
			f.inside = append(f.inside, inner)
			f.deep = f.deep || inner.deep || f.name == "VEVENT"
		default:
			return nil, badFilter("it holds " + c.name.Local + ", which is not known there")
		}
	}
	return f, nil
}

func readProp(n *node) (p propFilter, err error) {
	p.name = strings.ToUpper(n.attribute("name"))
	for _, c := range n.children {
		switch {
		case c.is(nsCalDAV, "is-not-defined"):
			p.absent = true
		case c.is(nsCalDAV, "text-match"):
			if p.match, err = readMatch(c); err != nil {
				return p, err
			}
		case c.is(nsCalDAV, "param-filter"):
			q := paramFilter{name: strings.ToUpper(c.attribute("name")), absent: c.child(nsCalDAV, "is-not-defined") != nil}
			if m := c.child(nsCalDAV, "text-match"); m != nil {
				if q.match, err = readMatch(m); err != nil {
					return p, err
				}
			}
			p.params = append(p.params, q)
		default:
			return p, badFilter("a prop-filter with " + c.name.Local + " is not kept")
		}
	}
	return p, nil
}

func readMatch(n *node) (*textMatch, error) {
	m := &textMatch{text: n.text, negate: n.attribute("negate-condition") == "yes"}
	switch c := n.attribute("collation"); c {
	case "", "default", "i;ascii-casemap":
	case "i;octet":
		m.octets = true
	default:
		return nil, badFilter("the collation " + c + " is not kept; i;ascii-casemap and i;octet are")
	}
	return m, nil
}

func (m *textMatch) hits(s string) bool {
	if m == nil {
		return true
	}
	text := m.text
	if !m.octets {
		s, text = lowerASCII(s), lowerASCII(text)
	}
	return strings.Contains(s, text) != m.negate
}

// lowerASCII folds as i;ascii-casemap does (RFC 4790, 9.2).
func lowerASCII(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, s)
}

// span narrows the read to what events in a time range can match; zero means everything.
func (f *filter) span() fleet.Span {
	for _, c := range f.inside {
		if c.name == "VEVENT" && c.ranged != nil && !c.absent {
			return *c.ranged
		}
	}
	return fleet.Span{}
}

// matches tests an object. Presence and times are answered from the booking; anything else from the object's own text.
func (f *filter) matches(r *resource) bool {
	if f.absent {
		return false // every object is a VCALENDAR
	}
	if !f.deep {
		return !slices.ContainsFunc(f.inside, func(c *filter) bool { return !c.plain(r) })
	}
	tree, err := ical.Tree(content(*r.booking))
	return err == nil && f.test(tree, r)
}

// plain tests a component filter without inner conditions: every object holds events and nothing else but time zones.
func (f *filter) plain(r *resource) bool {
	switch f.name {
	case "VEVENT":
		return !f.absent && f.inRange(r)
	case "VTIMEZONE":
		tree, err := ical.Tree(content(*r.booking))
		return err == nil && has(tree, f.name) != f.absent
	}
	return f.absent
}

func has(c *ical.Component, name string) bool {
	return slices.ContainsFunc(c.Children, func(x *ical.Component) bool { return x.Name == name })
}

func (f *filter) inRange(r *resource) bool {
	if f.ranged == nil {
		return true
	}
	for _, o := range r.booking.Occurrences {
		if within(o.Span.From, o.Span.To, *f.ranged) {
			return true
		}
	}
	return false
}

// test applies a filter to a component of its name.
func (f *filter) test(c *ical.Component, r *resource) bool {
	if f.name == "VEVENT" && !f.inRange(r) {
		return false
	}
	for i := range f.props {
		if !f.props[i].test(c) {
			return false
		}
	}
	for _, inner := range f.inside {
		hit := slices.ContainsFunc(c.Children, func(x *ical.Component) bool {
			return x.Name == inner.name && (inner.absent || inner.test(x, r))
		})
		if hit == inner.absent {
			return false
		}
	}
	return true
}

func (p *propFilter) test(c *ical.Component) bool {
	hit := slices.ContainsFunc(c.Props, func(x ical.Prop) bool {
		return x.Name == p.name && (p.absent || p.match.hits(x.Value) && p.paramsHit(x))
	})
	return hit != p.absent
}

func (p *propFilter) paramsHit(x ical.Prop) bool {
	for _, q := range p.params {
		values, there := x.Params[q.name]
		if q.absent {
			if there {
				return false
			}
			continue
		}
		if !there || !slices.ContainsFunc(values, q.match.hits) {
			return false
		}
	}
	return true
}
