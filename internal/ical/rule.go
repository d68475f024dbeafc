package ical

import (
	"slices"
	"strconv"
	"strings"
	"time"
)

type frequency int

const (
	daily frequency = iota
	weekly
	monthly
	yearly
)

// rule is a RECUR (RFC 5545, 3.3.10) that is daily or slower and says nothing of the time of day. Such a rule is a question
// to a day, so a series is expanded by asking each day between its start and its bound: no rule can take long.
type rule struct {
	freq       frequency
	interval   int
	count      int
	until      *until
	byMonth    []int
	byMonthDay []int
	byYearDay  []int
	byWeekNo   []int
	byDay      []weekdayNum
	weekStart  time.Weekday
}

type until struct {
	wall      time.Time
	date, utc bool
}

type weekdayNum struct {
	nth int // 0: every
	day time.Weekday
}

var weekdays = map[string]time.Weekday{"SU": 0, "MO": 1, "TU": 2, "WE": 3, "TH": 4, "FR": 5, "SA": 6}

// maxInterval keeps arithmetic and sense within bounds.
const maxInterval = 1000

func readRule(p property) (*rule, error) {
	r := &rule{interval: 1, weekStart: time.Monday, freq: -1}
	seen := map[string]bool{}
	for _, part := range strings.Split(strings.TrimSuffix(strings.ToUpper(p.Value), ";"), ";") {
		key, value, ok := strings.Cut(part, "=")
		if !ok || value == "" {
			return nil, badRule(p.line(), "%s is not of the form NAME=VALUE", quote(part))
		}
		if seen[key] {
			return nil, badRule(p.line(), "%s stands twice", quote(key))
		}
		seen[key] = true
		if err := r.readPart(p, key, value); err != nil {
			return nil, err
		}
	}
	return r, r.check(p)
}

func (r *rule) readPart(p property, key, value string) (err error) {
	switch key {
	case "FREQ":
		i := slices.Index([]string{"DAILY", "WEEKLY", "MONTHLY", "YEARLY"}, value)
		if i < 0 {
			return badRule(p.line(), "it repeats by %s; only DAILY, WEEKLY, MONTHLY and YEARLY are accepted", quote(value))
		}
		r.freq = frequency(i)
	case "INTERVAL":
		r.interval, err = readNumber(p, key, value, 1, maxInterval, false)
	case "COUNT":
		r.count, err = readNumber(p, key, value, 1, 1<<30, false)
	case "UNTIL":
		r.until, err = readUntil(p, value)
	case "WKST":
		day, ok := weekdays[value]
		if r.weekStart = day; !ok {
			return badRule(p.line(), "WKST=%s is not a day of the week", quote(value))
		}
	case "BYMONTH":
		r.byMonth, err = readNumbers(p, key, value, 12, false)
	case "BYMONTHDAY":
		r.byMonthDay, err = readNumbers(p, key, value, 31, true)
	case "BYYEARDAY":
		r.byYearDay, err = readNumbers(p, key, value, 366, true)
	case "BYWEEKNO":
		r.byWeekNo, err = readNumbers(p, key, value, 53, true)
	case "BYDAY":
		r.byDay, err = readWeekdays(p, value)
	default:
		return badRule(p.line(), "it uses %s, which kitd does not promise by; list the dates instead", quote(key))
	}
	return err
}

// check applies the table of RFC 5545, 3.3.10.
func (r *rule) check(p property) error {
	numbered := slices.ContainsFunc(r.byDay, func(d weekdayNum) bool { return d.nth != 0 })
	switch {
	case r.freq < 0:
		return badRule(p.line(), "it has no FREQ")
	case r.count > 0 && r.until != nil:
		return badRule(p.line(), "it has both COUNT and UNTIL; keep one")
	case r.byWeekNo != nil && r.freq != yearly:
		return badRule(p.line(), "BYWEEKNO belongs to FREQ=YEARLY only")
	case r.byYearDay != nil && r.freq != yearly:
		return badRule(p.line(), "BYYEARDAY belongs to FREQ=YEARLY only")
	case r.byMonthDay != nil && r.freq == weekly:
		return badRule(p.line(), "BYMONTHDAY does not go with FREQ=WEEKLY")
	case numbered && (r.freq < monthly || r.byWeekNo != nil):
		return badRule(p.line(), "a numbered BYDAY such as 2MO belongs to FREQ=MONTHLY or to FREQ=YEARLY without BYWEEKNO")
	}
	return nil
}

func readNumber(p property, key, value string, low, high int, negative bool) (int, error) {
	n, err := strconv.Atoi(value)
	if err == nil && (n >= low && n <= high || negative && n <= -low && n >= -high) {
		return n, nil
	}
	return 0, badRule(p.line(), "%s=%s is not a number from %d to %d", key, quote(value), low, high)
}

func readNumbers(p property, key, value string, high int, negative bool) ([]int, error) {
	var out []int
	for _, v := range strings.Split(value, ",") {
		n, err := readNumber(p, key, v, 1, high, negative)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out, nil
}

func readWeekdays(p property, value string) ([]weekdayNum, error) {
	var out []weekdayNum
	for _, v := range strings.Split(value, ",") {
		if len(v) < 2 {
			return nil, badRule(p.line(), "BYDAY=%s is not a day of the week", quote(v))
		}
		day, ok := weekdays[v[len(v)-2:]]
		if !ok {
			return nil, badRule(p.line(), "BYDAY=%s is not a day of the week", quote(v))
		}
		d := weekdayNum{day: day}
		if number := v[:len(v)-2]; number != "" {
			n, err := readNumber(p, "BYDAY", number, 1, 53, true)
			if err != nil {
				return nil, err
			}
			d.nth = n
		}
		if !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	return out, nil
}

func readUntil(p property, value string) (*until, error) {
	if len(value) == len("20060102") {
		t, err := time.Parse("20060102", value)
		if err != nil {
			return nil, badRule(p.line(), "UNTIL=%s is not a date", quote(value))
		}
		return &until{t, true, false}, nil
	}
	s, utc := strings.CutSuffix(value, "Z")
	t, err := time.Parse("20060102T150405", s)
	if err != nil {
		return nil, badRule(p.line(), "UNTIL=%s is neither a date nor a time of the form 20261231T235900Z", quote(value))
	}
	return &until{t, false, utc}, nil
}

// over reports whether an instance lies after UNTIL. A date includes its whole day in the series' own zone.
func (r *rule) over(wall, instant time.Time) bool {
	switch {
	case r.until == nil:
		return false
	case r.until.date:
		return startOfDay(wall).After(r.until.wall)
	case r.until.utc:
		return instant.After(r.until.wall)
	}
	return wall.After(r.until.wall)
}

// on reports whether the rule, begun at start, has an instance on the day; both are local readings.
func (r *rule) on(day, start time.Time) bool {
	start, day = startOfDay(start), startOfDay(day)
	return !day.Before(start) && r.inStep(day, start) && r.inMonth(day, start) && r.inYear(day) && r.onWeekday(day, start)
}

func (r *rule) inStep(day, start time.Time) bool {
	months := (day.Year()-start.Year())*12 + int(day.Month()) - int(start.Month())
	switch r.freq {
	case daily:
		return daysBetween(start, day)%r.interval == 0
	case weekly:
		return daysBetween(r.weekOf(start), r.weekOf(day))/7%r.interval == 0
	case monthly:
		return months%r.interval == 0
	}
	return (day.Year()-start.Year())%r.interval == 0
}

// inMonth answers BYMONTH and BYMONTHDAY. What the rule leaves open is taken from the start (RFC 5545, 3.3.10).
func (r *rule) inMonth(day, start time.Time) bool {
	openDay := r.byMonthDay == nil && r.byDay == nil && r.byYearDay == nil && r.byWeekNo == nil
	if openDay && r.freq == yearly && r.byMonth == nil && day.Month() != start.Month() {
		return false
	}
	if openDay && r.freq >= monthly && day.Day() != start.Day() {
		return false
	}
	if r.byMonth != nil && !slices.Contains(r.byMonth, int(day.Month())) {
		return false
	}
	length := time.Date(day.Year(), day.Month()+1, 0, 0, 0, 0, 0, time.UTC).Day()
	return r.byMonthDay == nil || slices.Contains(r.byMonthDay, day.Day()) || slices.Contains(r.byMonthDay, day.Day()-length-1)
}

// inYear answers BYYEARDAY and BYWEEKNO.
func (r *rule) inYear(day time.Time) bool {
	if r.byYearDay != nil {
		length := time.Date(day.Year(), 12, 31, 0, 0, 0, 0, time.UTC).YearDay()
		if !slices.Contains(r.byYearDay, day.YearDay()) && !slices.Contains(r.byYearDay, day.YearDay()-length-1) {
			return false
		}
	}
	if r.byWeekNo == nil {
		return true
	}
	year := r.weekOf(day).AddDate(0, 0, 3).Year() // a week belongs to the year that holds most of its days
	first := r.firstWeek(year)
	n := daysBetween(first, day)/7 + 1
	weeks := daysBetween(first, r.firstWeek(year+1)) / 7
	return slices.Contains(r.byWeekNo, n) || slices.Contains(r.byWeekNo, n-weeks-1)
}

// onWeekday answers BYDAY, counted within the month or the year.
func (r *rule) onWeekday(day, start time.Time) bool {
	if r.byDay == nil {
		open := r.freq == weekly || r.byWeekNo != nil && r.byYearDay == nil && r.byMonthDay == nil
		return !open || day.Weekday() == start.Weekday()
	}
	position, length := day.Day(), time.Date(day.Year(), day.Month()+1, 0, 0, 0, 0, 0, time.UTC).Day()
	if r.freq == yearly && r.byMonth == nil {
		position, length = day.YearDay(), time.Date(day.Year(), 12, 31, 0, 0, 0, 0, time.UTC).YearDay()
	}
	forward, backward := (position-1)/7+1, -((length-position)/7 + 1)
	return slices.ContainsFunc(r.byDay, func(d weekdayNum) bool {
		return d.day == day.Weekday() && (d.nth == 0 || d.nth == forward || d.nth == backward)
	})
}

// weekOf is the first day of the day's week.
func (r *rule) weekOf(day time.Time) time.Time {
	return day.AddDate(0, 0, -(int(day.Weekday()-r.weekStart)+7)%7)
}

// firstWeek is the first day of week 1: the first week with at least four days in the year.
func (r *rule) firstWeek(year int) time.Time {
	return r.weekOf(time.Date(year, 1, 4, 0, 0, 0, 0, time.UTC))
}

func startOfDay(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

func daysBetween(a, b time.Time) int { return int(b.Sub(a) / (24 * time.Hour)) }
