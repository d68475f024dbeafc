package ical

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	goical "github.com/emersion/go-ical"
	"github.com/teambition/rrule-go"

	"kitd/internal/fault"
)

func ruleOf(t testing.TB, text string) *rule {
	t.Helper()
	r, err := readRule(property{&goical.Prop{Name: "RRULE", Params: goical.Params{}, Value: text}})
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return r
}

// days asks each day from the start, as series does, and gives at most n.
func days(r *rule, start time.Time, n int) []string {
	var out []string
	count := r.count
	for day, left := start, 366*12; left > 0 && len(out) < n; day, left = day.AddDate(0, 0, 1), left-1 {
		if r.on(day, start) && !r.over(day, day) {
			out = append(out, day.Format("2006-01-02"))
			if count--; count == 0 {
				break
			}
		}
	}
	return out
}

// The examples of RFC 5545, 3.8.5.3, that are daily or slower, without BYSETPOS. Dates as the RFC lists them.
func TestRuleExamplesOfRFC5545(t *testing.T) {
	for _, c := range []struct{ start, rule, want string }{
		{"1997-09-02", "FREQ=DAILY;COUNT=10", "1997 09-02 09-03 09-04 09-05 09-06 09-07 09-08 09-09 09-10 09-11"},
		{"1997-09-02", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997 09-02 09-12 09-22 10-02 10-12"},
		{"1997-09-02", "FREQ=WEEKLY;COUNT=10", "1997 09-02 09-09 09-16 09-23 09-30 10-07 10-14 10-21 10-28 11-04"},
		{"1997-09-02", "FREQ=WEEKLY;INTERVAL=2;WKST=SU;COUNT=5", "1997 09-02 09-16 09-30 10-14 10-28"},
		{"1997-09-02", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", "1997 09-02 09-04 09-09 09-11 09-16 09-18 09-23 09-25 09-30 10-02 10-07"},
		{"1997-09-01", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
			"1997 09-01 09-03 09-05 09-15 09-17 09-19 09-29 10-01 10-03 10-13 10-15 10-17 10-27 10-29 10-31 11-10 11-12 11-14 11-24 11-26 11-28 12-08 12-10 12-12 12-22 12-24"},
		{"1997-09-02", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997 09-02 09-04 09-16 09-18 09-30 10-02 10-14 10-16"},
		{"1997-09-05", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "1997 09-05 10-03 11-07 12-05 1998 01-02 02-06 03-06 04-03 05-01 06-05"},
		{"1997-09-07", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", "1997 09-07 09-28 11-02 11-30 1998 01-04 01-25 03-01 03-29 05-03 05-31"},
		{"1997-09-22", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997 09-22 10-20 11-17 12-22 1998 01-19 02-16"},
		{"1997-09-28", "FREQ=MONTHLY;BYMONTHDAY=-3;COUNT=6", "1997 09-28 10-29 11-28 12-29 1998 01-29 02-26"},
		{"1997-09-02", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "1997 09-02 09-15 10-02 10-15 11-02 11-15 12-02 12-15 1998 01-02 01-15"},
		{"1997-09-30", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997 09-30 10-01 10-31 11-01 11-30 12-01 12-31 1998 01-01 01-31 02-01"},
		{"1997-09-10", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "1997 09-10 09-11 09-12 09-13 09-14 09-15 1999 03-10 03-11 03-12 03-13"},
		{"1997-09-02", "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU;COUNT=10", "1997 09-02 09-09 09-16 09-23 09-30 11-04 11-11 11-18 11-25 1998 01-06"},
		{"1997-06-10", "FREQ=YEARLY;COUNT=6;BYMONTH=6,7", "1997 06-10 07-10 1998 06-10 07-10 1999 06-10 07-10"},
		{"1997-03-10", "FREQ=YEARLY;INTERVAL=2;COUNT=6;BYMONTH=1,2,3", "1997 03-10 1999 01-10 02-10 03-10 2001 01-10 02-10"},
		{"1997-01-01", "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", "1997 01-01 04-10 07-19 2000 01-01 04-09 07-18 2003 01-01 04-10 07-19 2006 01-01"},
		{"1997-05-19", "FREQ=YEARLY;BYDAY=20MO;COUNT=3", "1997 05-19 1998 05-18 1999 05-17"},
		{"1997-05-12", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;COUNT=3", "1997 05-12 1998 05-11 1999 05-17"},
		{"1997-03-13", "FREQ=YEARLY;BYMONTH=3;BYDAY=TH;COUNT=7", "1997 03-13 03-20 03-27 1998 03-05 03-12 03-19 03-26"},
		{"1997-06-05", "FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8;COUNT=4", "1997 06-05 06-12 06-19 06-26"},
		{"1998-02-13", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;COUNT=5", "1998 02-13 03-13 11-13 1999 08-13 2000 10-13"},
		{"1997-09-13", "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13;COUNT=10", "1997 09-13 10-11 11-08 12-13 1998 01-10 02-07 03-07 04-11 05-09 06-13"},
		{"1996-11-05", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;COUNT=3", "1996 11-05 2000 11-07 2004 11-02"},
		{"1997-08-05", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997 08-05 08-10 08-19 08-24"},
		{"1997-08-05", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997 08-05 08-17 08-19 08-31"},
		{"2007-01-15", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007 01-15 01-30 02-15 03-15 03-30"},
	} {
		start, err := time.Parse(time.DateOnly, c.start)
		if err != nil {
			t.Fatal(err)
		}
		var want []string
		year := ""
		for _, w := range strings.Fields(c.want) {
			if len(w) == 4 {
				year = w
				continue
			}
			want = append(want, year+"-"+w)
		}
		if got := days(ruleOf(t, c.rule), start, len(want)+5); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s\ngot  %v\nwant %v", c.rule, got, want)
		}
	}
}

func TestRuleRefused(t *testing.T) {
	for rule, words := range map[string]string{
		"FREQ=HOURLY;INTERVAL=2;BYHOUR=1;COUNT=3":     "HOURLY", // hangs the recurrence library
		"FREQ=MINUTELY;COUNT=3":                       "MINUTELY",
		"FREQ=SECONDLY;COUNT=3":                       "SECONDLY",
		"FREQ=DAILY;BYHOUR=9,17;COUNT=3":              "BYHOUR",
		"FREQ=DAILY;BYMINUTE=1;COUNT=3":               "BYMINUTE",
		"FREQ=DAILY;BYSECOND=1;COUNT=3":               "BYSECOND",
		"FREQ=MONTHLY;BYDAY=MO;BYSETPOS=-1;COUNT=3":   "BYSETPOS",
		"FREQ=YEARLY;BYEASTER=0;COUNT=3":              "BYEASTER",
		"RSCALE=CHINESE;FREQ=YEARLY;COUNT=3":          "RSCALE",
		"FREQ=DAILY":                                  "never ends",
		"FREQ=DAILY;COUNT=3;UNTIL=20260401T000000Z":   "both COUNT and UNTIL",
		"FREQ=DAILY;INTERVAL=1001;COUNT=3":            "1000",
		"FREQ=DAILY;INTERVAL=0;COUNT=3":               "INTERVAL",
		"FREQ=DAILY;INTERVAL=99999999999999999999":    "INTERVAL",
		"FREQ=DAILY;COUNT=0":                          "COUNT",
		"FREQ=DAILY;COUNT=-3":                         "COUNT",
		"COUNT=3":                                     "no FREQ",
		"FREQ=DAILY;FREQ=WEEKLY;COUNT=3":              "twice",
		"FREQ=FORTNIGHTLY;COUNT=3":                    "FORTNIGHTLY",
		"FREQ=WEEKLY;BYDAY=2MO;COUNT=3":               "numbered BYDAY",
		"FREQ=YEARLY;BYWEEKNO=3;BYDAY=2MO;COUNT=3":    "numbered BYDAY",
		"FREQ=WEEKLY;BYMONTHDAY=3;COUNT=3":            "BYMONTHDAY",
		"FREQ=MONTHLY;BYWEEKNO=3;COUNT=3":             "BYWEEKNO",
		"FREQ=DAILY;BYYEARDAY=3;COUNT=3":              "BYYEARDAY",
		"FREQ=MONTHLY;BYDAY=XX;COUNT=3":               "BYDAY",
		"FREQ=MONTHLY;BYDAY=99MO;COUNT=3":             "BYDAY",
		"FREQ=MONTHLY;BYMONTHDAY=32;COUNT=3":          "BYMONTHDAY",
		"FREQ=MONTHLY;BYMONTH=0;COUNT=3":              "BYMONTH",
		"FREQ=DAILY;WKST=M;COUNT=3":                   "WKST",
		"FREQ=DAILY;UNTIL=soon":                       "UNTIL",
		"FREQ=DAILY;COUNT":                            "NAME=VALUE",
		"":                                            "NAME=VALUE",
		"FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30;COUNT=3": "more than one year", // never again: the library looks until 9999
		"FREQ=WEEKLY;COUNT=60":                        "more than one year",
		"FREQ=WEEKLY;UNTIL=20280101T000000Z":          "more than one year",
		"FREQ=YEARLY;COUNT=3":                         "more than one year",
	} {
		t.Run(rule, func(t *testing.T) {
			refused(t, event("DTSTART:20260304T080000Z", "RRULE:"+rule), fault.CalendarRule, "line 8", words)
		})
	}
	refused(t, event("DTSTART:20260304T080000Z", "RRULE:FREQ=DAILY;COUNT=201"), fault.CalendarObject, "201 instances", "200")
	refused(t, event("DTSTART:20260304T080000Z", "RRULE:FREQ=DAILY;COUNT=3", "RRULE:FREQ=WEEKLY;COUNT=3"), fault.CalendarLine, "RRULE stands twice")
	refused(t, event("DTSTART:20260304T080000Z", "RRULE:FREQ=DAILY;COUNT=3", "EXRULE:FREQ=WEEKLY;COUNT=3"), fault.CalendarRule, "EXRULE")
}

// A second opinion in this process: on rules that the library reads without harm, the two agree day by day. The library gives
// every day of a week for BYWEEKNO alone, where RFC 5545, 3.3.10, takes the weekday from DTSTART: such rules carry BYDAY here.
func TestRulesAgreeWithTheLibrary(t *testing.T) {
	random := rand.New(rand.NewPCG(5545, 1))
	for range 600 {
		text := randomRule(random)
		start := time.Date(2026, time.Month(1+random.IntN(12)), 1+random.IntN(28), 0, 0, 0, 0, time.UTC)
		opt, err := rrule.StrToROption(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		opt.Dtstart, opt.Until = start, start.AddDate(3, 0, 0)
		lib, err := rrule.NewRRule(*opt)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		var want, got []string
		for _, d := range lib.All() {
			want = append(want, d.Format(time.DateOnly))
		}
		r := ruleOf(t, text)
		for day := start; !day.After(opt.Until); day = day.AddDate(0, 0, 1) {
			if r.on(day, start) {
				got = append(got, day.Format(time.DateOnly))
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("%s from %s\ngot  %v\nwant %v", text, start.Format(time.DateOnly), got, want)
		}
	}
}

// randomRule makes a rule that every reader takes the same way, and that has instances every few years.
func randomRule(r *rand.Rand) string {
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	switch r.IntN(4) {
	case 0:
		return fmt.Sprintf("FREQ=DAILY;INTERVAL=%d", 1+r.IntN(12)) + pick("", ";BYDAY=MO,TU,WE,TH,FR", ";BYMONTH=3,4,11", ";BYMONTHDAY=1,15,-1")
	case 1:
		return fmt.Sprintf("FREQ=WEEKLY;INTERVAL=%d", 1+r.IntN(4)) + pick("", ";BYDAY=TU,SU", ";BYDAY=MO,FR", ";BYMONTH=1,2,6,12") + pick("", ";WKST=SU", ";WKST=MO", ";WKST=TH")
	case 2:
		return fmt.Sprintf("FREQ=MONTHLY;INTERVAL=%d", 1+r.IntN(3)) + pick("", ";BYMONTHDAY=29,30,31", ";BYMONTHDAY=-1,-2,3", ";BYDAY=1MO,-1FR", ";BYDAY=2TU", ";BYDAY=WE", ";BYDAY=5SA", ";BYDAY=FR;BYMONTHDAY=1,8,15,13")
	}
	return "FREQ=YEARLY" + pick("", ";BYMONTH=4,5", ";BYMONTHDAY=10", ";BYMONTH=3;BYDAY=-1SU", ";BYDAY=20MO,-1TU", ";BYYEARDAY=1,100,-1", ";BYDAY=TH", ";BYMONTH=6;BYDAY=TH",
		";BYWEEKNO=1,20,53;BYDAY=MO,SU", ";BYWEEKNO=-1;BYDAY=SA", ";BYWEEKNO=1;BYDAY=MO,SU;WKST=SU")
}
