package ical

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"
	"time"

	"kitd/internal/kittest"
)

// python runs a script on Debian's Python with JSON in and out, or skips where the modules are missing.
func python(t *testing.T, script string, in, out any, modules ...string) {
	t.Helper()
	const interpreter = "/usr/bin/python3"
	err := exec.Command(interpreter, "-c", "import "+strings.Join(modules, ", ")).Run()
	kittest.Peer(t, err == nil, fmt.Sprintf("%v of %s", modules, interpreter))
	stdin, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(interpreter, "-c", script)
	cmd.Stdin = bytes.NewReader(stdin)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	stdout, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, stderr.String())
	}
	if err := json.Unmarshal(stdout, out); err != nil {
		t.Fatalf("%v\n%s", err, stdout)
	}
}

const expandScript = `
import sys, json, datetime, icalendar, recurring_ical_events
out = []
for text in json.load(sys.stdin):
    cal = icalendar.Calendar.from_ical(text)
    found = recurring_ical_events.of(cal).between((2025, 12, 1), (2029, 1, 1))
    out.append(sorted(e["DTSTART"].dt.astimezone(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%MZ") for e in found))
json.dump(out, sys.stdout)
`

// A second opinion: python3-recurring-ical-events expands 200 random series as kitd does. The series are those on which RFC 5545
// leaves no choice: DTSTART on its rule, no reading within a clock change; UNTIL lies some hours after a possible instance, since
// the peer reads it with the offset of DTSTART and so misses an instance exactly at UNTIL on the other side of a clock change.
func TestPeerExpandsTheSame(t *testing.T) {
	random := rand.New(rand.NewPCG(200, 1))
	var texts, want []string
	for len(texts) < 200 {
		raw := randomSeries(t, random)
		e, err := Parse(raw, Options{Zone: time.UTC})
		if err != nil {
			continue // beyond a bound of kitd's own
		}
		var list []string
		for _, o := range e.Occurrences {
			list = append(list, o.Start.Format("2006-01-02T15:04Z"))
		}
		texts, want = append(texts, string(raw)), append(want, strings.Join(list, " "))
	}
	var got [][]string
	python(t, expandScript, texts, &got, "icalendar", "recurring_ical_events")
	if len(got) != len(want) {
		t.Fatalf("%d answers for %d series", len(got), len(want))
	}
	for i := range want {
		if theirs := strings.Join(got[i], " "); theirs != want[i] {
			t.Errorf("%s\nkitd %s\npeer %s", texts[i], want[i], theirs)
		}
	}
}

// randomSeries makes a series that begins on a day of its rule, with exclusions, further dates and a moved instance.
func randomSeries(t *testing.T, r *rand.Rand) []byte {
	zone := []string{"Europe/Berlin", "America/New_York", "Australia/Sydney", "Asia/Tokyo"}[r.IntN(4)]
	text := randomRule(r)
	rule := ruleOf(t, text)
	start := time.Date(2026, time.Month(1+r.IntN(12)), 1+r.IntN(28), 8+r.IntN(8), 15*r.IntN(4), 0, 0, time.UTC)
	anchor := startOfDay(start)
	for n := 0; !rule.on(start, anchor) && n < 400; n++ {
		start = start.AddDate(0, 0, 1)
	}
	local := func(d time.Time) string { return d.Format("20060102T150405") }
	loc := load(zone)
	until := instantOf(located{loc}, start.AddDate(0, 0, 20+r.IntN(300)).Add(3*time.Hour))
	lines := []string{"DTSTART;TZID=" + zone + ":" + local(start), "DTEND;TZID=" + zone + ":" + local(start.Add(2*time.Hour))}
	if r.IntN(2) == 0 {
		lines = append(lines, fmt.Sprintf("RRULE:%s;COUNT=%d", text, 1+r.IntN(12)))
	} else {
		lines = append(lines, "RRULE:"+text+";UNTIL="+utcText(until))
	}
	var days []time.Time
	for d := start; d.Before(start.AddDate(0, 2, 0)); d = d.AddDate(0, 0, 1) {
		if ruleOf(t, text).on(d, start) {
			days = append(days, d)
		}
	}
	if len(days) > 2 && r.IntN(2) == 0 {
		lines = append(lines, "EXDATE;TZID="+zone+":"+local(days[1]))
	}
	if r.IntN(3) == 0 {
		lines = append(lines, "RDATE;TZID="+zone+":"+local(start.AddDate(0, 0, 3).Add(time.Hour)))
	}
	return event(lines...)
}

const rereadScript = `
import sys, json, datetime, icalendar
out = []
for text in json.load(sys.stdin):
    cal = icalendar.Calendar.from_ical(text)
    for e in cal.walk("VEVENT"):
        start, end = e["DTSTART"].dt, e["DTEND"].dt
        fmt = lambda d: d.astimezone(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%MZ") if isinstance(d, datetime.datetime) else d.isoformat()
        out.append([str(e["UID"]), fmt(start), fmt(end), str(e.get("SUMMARY", "")), str(e.get("DESCRIPTION", "")), str(len(cal.walk("VALARM")))])
json.dump(out, sys.stdout)
`

// python3-icalendar reads what kitd writes, and finds in it what was put in.
func TestPeerReadsWhatIsWritten(t *testing.T) {
	texts := []string{"plain", "a, b; c\\d", "two\nlines", "é€😀 " + strings.Repeat("ü", 90), `"quoted"`, "שלום"}
	var objects []string
	var want [][]string
	for i, text := range texts {
		for _, zone := range []*time.Location{nil, berlin(t), load("America/New_York")} {
			e := Entry{UID: fmt.Sprint("u", i), Stamp: at(t, "2026-01-01T00:00:00Z"), Start: at(t, "2026-03-28T07:00:00Z"), End: at(t, "2026-03-30T15:00:00Z"), Summary: text, Description: text, Alarms: []Alarm{{Before: time.Hour, Text: text}}}
			objects = append(objects, string(Encode(Calendar{Zone: zone, Name: text, Events: []Entry{e}})))
			want = append(want, []string{e.UID, "2026-03-28T07:00Z", "2026-03-30T15:00Z", text, text, "1"})
		}
		day := Entry{UID: "d", Stamp: at(t, "2026-01-01T00:00:00Z"), AllDay: true, Start: at(t, "2026-03-28T23:00:00Z"), End: at(t, "2026-03-30T22:00:00Z"), Summary: text}
		objects = append(objects, string(Encode(Calendar{Zone: berlin(t), Events: []Entry{day}})))
		want = append(want, []string{"d", "2026-03-29", "2026-03-31", text, "", "0"})
	}
	var got [][]string
	python(t, rereadScript, objects, &got, "icalendar")
	if len(got) != len(want) {
		t.Fatalf("%d events, want %d", len(got), len(want))
	}
	for i := range want {
		if strings.Join(got[i], "|") != strings.Join(want[i], "|") {
			t.Errorf("got %q, want %q\n%s", got[i], want[i], objects[i])
		}
	}
}
