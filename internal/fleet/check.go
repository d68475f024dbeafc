package fleet

import (
	"fmt"
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// The limits of what people type, in characters (Unicode code points).
const (
	MaxTag    = 40
	MaxCode   = 24
	MaxName   = 120
	MaxSerial = 60
	MaxReason = 500
	MaxNote   = 2000
)

// checker collects what has to change in an input, place by place.
type checker struct {
	what   string
	fields []fault.Field
}

func (c *checker) bad(path, format string, args ...any) {
	c.fields = append(c.fields, fault.Field{Path: path, Text: fmt.Sprintf(format, args...)})
}

// err is nil when nothing has to change.
func (c *checker) err() error {
	if len(c.fields) == 0 {
		return nil
	}
	e := fault.New(fault.BadInput, "what", c.what+" at "+c.fields[0].Path+": "+c.fields[0].Text)
	e.Fields = c.fields
	return e
}

// line trims a text of one line in place and checks it: real characters, no control characters or direction overrides, not too
// long, not empty when it is needed. Any script, emoji and markup are texts like others: they are escaped where they are shown.
func (c *checker) line(path string, s *string, limit int, needed bool) {
	*s = strings.TrimSpace(*s)
	c.text(path, *s, limit, "")
	if needed && *s == "" {
		c.bad(path, "must not be empty")
	}
}

// note is line for texts of several lines.
func (c *checker) note(path string, s *string, limit int, needed bool) {
	*s = strings.TrimSpace(strings.ReplaceAll(*s, "\r\n", "\n"))
	c.text(path, *s, limit, "\n\t")
	if needed && *s == "" {
		c.bad(path, "must say why")
	}
}

func (c *checker) text(path, s string, limit int, allowed string) {
	if !utf8.ValidString(s) {
		c.bad(path, "is not UTF-8 text; type it again")
		return
	}
	if n := utf8.RuneCountInString(s); n > limit {
		c.bad(path, "has %d characters; at most %d fit", n, limit)
	}
	for _, r := range s {
		if controls(r) && !strings.ContainsRune(allowed, r) {
			c.bad(path, "holds the control character U+%04X; remove it", r)
			return
		}
	}
}

// controls reports characters that change a line or its direction without being seen: control characters, line and paragraph
// separators, and the embeddings, overrides and isolates of Unicode Standard Annex 9.
func controls(r rune) bool {
	return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || '\u202a' <= r && r <= '\u202e' || '\u2066' <= r && r <= '\u2069'
}

var codeForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]*$`)

// code checks a short name used in addresses.
func (c *checker) code(path string, s *string) {
	*s = strings.TrimSpace(*s)
	if !codeForm.MatchString(*s) {
		c.bad(path, "must be letters A to Z, digits, dots, dashes or underlines, and begin with a letter or digit, because it stands in addresses")
	} else if len(*s) > MaxCode {
		c.bad(path, "has %d characters; at most %d fit", len(*s), MaxCode)
	}
}

func (c *checker) between(path string, n, lo, hi int, unit string) {
	if n < lo || n > hi {
		c.bad(path, "is %d; it must be from %d to %d %s", n, lo, hi, unit)
	}
}

func (c *checker) id(path string, id ident.ID, what string) {
	if id.IsZero() {
		c.bad(path, "must name %s", what)
	}
}

func (m *Model) check() error {
	c := checker{what: "the model"}
	c.line("name", &m.Name, MaxName, true)
	c.line("maker", &m.Maker, MaxName, false)
	c.line("class", &m.ClassStd, MaxName, false)
	switch m.Kind {
	case Dosimeter, Calibrator, Meter, Charger, DataLink:
	default:
		c.bad("kind", "is %q; the kinds are dosimeter, calibrator, sound level meter, charger and data link", m.Kind)
	}
	c.between("charge_minutes", m.ChargeMinutes, 0, 7*24*60, "minutes")
	c.between("top_up_days", m.TopUpDays, 0, 3650, "days")
	c.between("ready_days", m.ReadyDays, 0, 3650, "days")
	c.between("run_minutes", m.RunMinutes, 0, 365*24*60, "minutes")
	c.between("positions", m.Positions, 0, 1000, "places")
	c.between("power_hours", m.PowerHours, 0, 24*366, "hours")
	c.between("calibration_months", m.CalibrationMonths, 0, 240, "months")
	c.between("memory_runs", m.MemoryRuns, 0, 100000, "runs")
	if m.HoldsData && m.MemoryRuns == 0 {
		m.MemoryRuns = 1
	}
	return c.err()
}

func (d *Depot) check() error {
	c := checker{what: "the depot"}
	c.line("name", &d.Name, MaxName, true)
	c.code("code", &d.Code)
	if _, err := time.LoadLocation(d.Zone); err != nil || d.Zone == "" || d.Zone == "Local" {
		c.bad("zone", "is %q; it must be a name of the IANA time zone database, such as Europe/Berlin", d.Zone)
	}
	for i, h := range d.Hours {
		at := fmt.Sprintf("hours/%d", i)
		c.between(at+"/weekday", int(h.Weekday), 0, 6, "(Sunday is 0)")
		if h.From < 0 || h.To > 24*60 || h.From >= h.To {
			c.bad(at, "must run from a minute of the day to a later one, 0 to 1440")
		}
		for j, o := range d.Hours[:i] {
			if o.Weekday == h.Weekday && o.From < h.To && h.From < o.To {
				c.bad(at, "overlaps hours/%d", j)
			}
		}
	}
	return c.err()
}

func (l *Laboratory) check() error {
	c := checker{what: "the laboratory"}
	c.line("name", &l.Name, MaxName, true)
	c.line("accreditation", &l.Accreditation, MaxName, false)
	if l.DueRule != Anniversary && l.DueRule != MonthEnd {
		c.bad("due_rule", `is %q; it must be "anniversary" or "month end"`, l.DueRule)
	}
	return c.err()
}

func (u *Unit) check() error {
	c := checker{what: "the unit"}
	c.line("tag", &u.Tag, MaxTag, true)
	if u.Tag == "." || u.Tag == ".." {
		c.bad("tag", "cannot stand in an address; choose another")
	}
	c.line("serial", &u.Serial, MaxSerial, false)
	c.line("microphone", &u.Microphone, MaxSerial, false)
	c.line("firmware", &u.Firmware, MaxSerial, false)
	c.id("model", u.Model, "a model")
	c.id("depot", u.Depot, "the home depot")
	u.checkOwner(&c)
	return c.err()
}

func (u *Unit) checkOwner(c *checker) {
	switch u.Ownership {
	case Owned, Rented:
		if !u.Client.IsZero() {
			c.bad("client", "is named, but the unit is %s; name a client only for client-owned units", u.Ownership)
		}
	case ClientOwned:
		c.id("client", u.Client, "the client who owns it")
	default:
		c.bad("ownership", "is %q; it must be owned, rented or client-owned", u.Ownership)
	}
	if u.Ownership == Owned && (!u.HireFrom.IsZero() || !u.HireTo.IsZero()) {
		c.bad("hire_from", "is for rented and client-owned units only")
	}
	if !u.HireFrom.IsZero() && !u.HireTo.IsZero() && u.HireTo.Before(u.HireFrom) {
		c.bad("hire_to", "lies before the first day of the hire")
	}
}

func (k *Kit) check() error {
	c := checker{what: "the kit"}
	c.line("name", &k.Name, MaxName, true)
	c.code("code", &k.Code)
	c.id("depot", k.Depot, "its depot")
	return c.err()
}

// Tolerance is how far a clock may run ahead before something "happened in the future", which is impossible.
const Tolerance = 5 * time.Minute

// earliest is before anything a kitd could be told of; an earlier date is a slip of typing.
var earliest = civil.Date{Year: 1950, Month: time.January, Day: 1}

func (c *checker) when(path string, t, now time.Time) {
	if t.After(now.Add(Tolerance)) {
		c.bad(path, "lies in the future (%s); enter it once it has happened", t.UTC().Format("2 Jan 2006 15:04 UTC"))
	} else if civil.Of(t.UTC()).Before(earliest) {
		c.bad(path, "lies before %d; check the year", earliest.Year)
	}
}

// past checks a day that must have begun somewhere on earth.
func (c *checker) past(path string, d civil.Date, now time.Time) {
	if d.After(civil.Of(now.UTC().Add(14 * time.Hour))) {
		c.bad(path, "lies in the future (%s)", d)
	} else if d.Before(earliest) {
		c.bad(path, "lies before %d; check the year", earliest.Year)
	}
}
