package ical

import (
	"strconv"
	"strings"
	"time"
)

// moment is a DATE or DATE-TIME (RFC 5545, 3.3.4 and 3.3.5). wall is the local reading, carried as if it were UTC.
type moment struct {
	wall time.Time
	date bool
	zone zone
}

// instant is what the moment means; a DATE means the first instant of that day.
func (m moment) instant() time.Time { return instantOf(m.zone, m.wall) }

// at is another reading of the same kind in the same zone.
func (m moment) at(wall time.Time) moment { return moment{wall, m.date, m.zone} }

func (m moment) public() Moment {
	return Moment{Wall: m.wall.Format("2006-01-02T15:04:05"), Zone: m.zone.name(), At: m.instant()}
}

// readMoment reads one value of a property that may be a DATE or a DATE-TIME.
func readMoment(p property, value string, zones *zoneSet) (moment, error) {
	if p.is("DATE") || p.param("VALUE") == "" && len(value) == len("20060102") {
		wall, err := readDate(p.line(), p.Name, value)
		return moment{wall, true, zones.floating}, err
	}
	if v := p.param("VALUE"); v != "" && v != "DATE-TIME" {
		return moment{}, badLine(p.line(), "%s of the type %s is not a date or a time", p.Name, quote(v))
	}
	wall, utc, err := readDateTime(p.line(), p.Name, value)
	if err != nil {
		return moment{}, err
	}
	if utc {
		return moment{wall, false, utcZone}, nil
	}
	z, err := zones.find(p.line(), p.param("TZID"))
	return moment{wall, false, z}, err
}

func readDate(no int, name, value string) (time.Time, error) {
	t, err := time.Parse("20060102", value)
	if err != nil || len(value) != len("20060102") {
		return time.Time{}, badLine(no, "%s %s is not a date of the form 20261231", name, quote(value))
	}
	return t, checkYear(no, name, t)
}

// readDateTime reads the local reading and whether it is UTC. A leap second becomes the second before it.
func readDateTime(no int, name, value string) (wall time.Time, utc bool, err error) {
	s, utc := strings.CutSuffix(value, "Z")
	if strings.HasSuffix(s, "60") && len(s) == len("20060102T150405") {
		s = s[:13] + "59"
	}
	t, err := time.Parse("20060102T150405", s)
	if err != nil || len(s) != len("20060102T150405") {
		return time.Time{}, false, badLine(no, "%s %s is not a time of the form 20261231T235900 or 20261231T235900Z", name, quote(value))
	}
	return t, utc, checkYear(no, name, t)
}

func checkYear(no int, name string, t time.Time) error {
	if y := t.Year(); y < FirstYear || y > LastYear {
		return badLine(no, "%s is in the year %d; years from %d to %d are accepted", name, y, FirstYear, LastYear)
	}
	return nil
}

// span is a DURATION (RFC 5545, 3.3.6): days are nominal, the rest is exact.
type span struct {
	days  int
	exact time.Duration
}

// after is the end of a span that begins at m: days first on the local calendar, then the exact part.
func (s span) after(m moment) time.Time {
	return instantOf(m.zone, m.wall.AddDate(0, 0, s.days)).Add(s.exact)
}

// readSpan reads ["+"] "P" weeks, or days and a time. Negative and absurd ones are refused.
func readSpan(no int, name, value string) (span, error) {
	bad := badLine(no, "%s %s is not a duration of the form PT8H, P2D or P1W", name, quote(value))
	rest, ok := strings.CutPrefix(strings.TrimPrefix(strings.ToUpper(value), "+"), "P")
	if !ok || rest == "" || strings.HasSuffix(rest, "T") {
		return span{}, bad
	}
	date, clock, _ := strings.Cut(rest, "T")
	var s span
	for date != "" {
		n, unit, after, ok := readCount(date)
		switch {
		case ok && unit == 'W':
			s.days += 7 * n
		case ok && unit == 'D':
			s.days += n
		default:
			return span{}, bad
		}
		date = after
	}
	for clock != "" {
		n, unit, after, ok := readCount(clock)
		scale := map[byte]time.Duration{'H': time.Hour, 'M': time.Minute, 'S': time.Second}[unit]
		if !ok || scale == 0 {
			return span{}, bad
		}
		s.exact += time.Duration(n) * scale
		clock = after
	}
	if s.days > 366 || s.exact > 366*24*time.Hour {
		return span{}, badLine(no, "%s is longer than one year; shorten it", name)
	}
	return s, nil
}

// readCount splits "15M30S" into 15, 'M' and "30S". Eight digits are as many as any duration within a year needs.
func readCount(s string) (n int, unit byte, rest string, ok bool) {
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	if i == 0 || i > 8 || i == len(s) {
		return 0, 0, "", false
	}
	n, err := strconv.Atoi(s[:i])
	return n, s[i], s[i+1:], err == nil
}

// readOffset reads UTC-OFFSET (RFC 5545, 3.3.14) in seconds.
func readOffset(p property) (int, error) {
	v := p.Value
	bad := badLine(p.line(), "%s %s is not an offset of the form +0100", p.Name, quote(v))
	if len(v) != 5 && len(v) != 7 || v[0] != '+' && v[0] != '-' {
		return 0, bad
	}
	var part [3]int
	for i := 1; i < len(v); i += 2 {
		n, err := strconv.Atoi(v[i : i+2])
		if err != nil || v[i] == '-' || v[i] == '+' {
			return 0, bad
		}
		part[i/2] = n
	}
	if part[0] > 23 || part[1] > 59 || part[2] > 59 {
		return 0, bad
	}
	seconds := part[0]*3600 + part[1]*60 + part[2]
	if v[0] == '-' {
		seconds = -seconds
	}
	return seconds, nil
}

// address brings a calendar user address to the form addresses are compared in.
func address(uri string) string {
	uri = strings.TrimSpace(uri)
	if len(uri) < len("mailto:") || !strings.EqualFold(uri[:len("mailto:")], "mailto:") {
		return uri
	}
	a := uri[len("mailto:"):]
	if i := strings.IndexByte(a, '?'); i >= 0 {
		a = a[:i]
	}
	return strings.ToValidUTF8(strings.ToLower(unpercent(a)), "?")
}

// unpercent decodes %XX; what is not such a pair stays.
func unpercent(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '%' && i+2 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+3], 16, 8); err == nil && n >= ' ' && n != 0x7f {
				b.WriteByte(byte(n))
				i += 2
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// readPerson reads an ORGANIZER or ATTENDEE; the EMAIL parameter (RFC 7986, 6.2) wins where the value is no mail address.
func readPerson(p property) Person {
	who := Person{
		Address: address(p.Value),
		Name:    p.param("CN"),
		Kind:    strings.ToUpper(p.param("CUTYPE")),
		Role:    strings.ToUpper(p.param("ROLE")),
		Status:  strings.ToUpper(p.param("PARTSTAT")),
		SentBy:  address(p.param("SENT-BY")),
	}
	who.Email = strings.ToLower(strings.TrimPrefix(p.param("EMAIL"), "mailto:"))
	if who.Email != "" && !strings.Contains(who.Address, "@") {
		who.Address = who.Email
	}
	return who
}
