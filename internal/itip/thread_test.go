package itip

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"kitd/internal/ical"
)

const kit = "k-1@kits.example.org"

func us(p ical.Person) bool { return p.Address == kit }

// says writes a message of invented people; every component is given by its lines.
func says(t testing.TB, method string, components ...string) *ical.Message {
	t.Helper()
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	raw := "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nMETHOD:" + method + "\r\n"
	for _, c := range components {
		raw += "BEGIN:VEVENT\r\nUID:u1@example.org\r\nORGANIZER:mailto:ada@example.org\r\n" + strings.ReplaceAll(c, " ", "\r\n") + "\r\nEND:VEVENT\r\n"
	}
	m, err := ical.ParseMessage([]byte(raw+"END:VCALENDAR\r\n"), ical.Options{Zone: berlin})
	if err != nil {
		t.Fatalf("%v\n%s", err, raw)
	}
	if m.Trouble != nil {
		t.Fatalf("%v\n%s", m.Trouble, raw)
	}
	return m
}

// version gives the lines that order a component, and us as attendee.
func version(sequence, minute int) string {
	return fmt.Sprintf("SEQUENCE:%d DTSTAMP:20260301T00%02d00Z ATTENDEE:mailto:%s", sequence, minute, kit)
}

const (
	weekly  = " DTSTART;TZID=Europe/Berlin:20260309T080000 DTEND;TZID=Europe/Berlin:20260309T160000 RRULE:FREQ=WEEKLY;COUNT=3"
	later   = " DTSTART;TZID=Europe/Berlin:20260310T080000 DTEND;TZID=Europe/Berlin:20260310T160000 RRULE:FREQ=WEEKLY;COUNT=3"
	second  = " RECURRENCE-ID;TZID=Europe/Berlin:20260316T080000"
	third   = " RECURRENCE-ID;TZID=Europe/Berlin:20260323T080000"
	moved   = second + " DTSTART;TZID=Europe/Berlin:20260317T090000 DTEND;TZID=Europe/Berlin:20260317T100000"
	removed = "SEQUENCE:%d DTSTAMP:20260301T00%02d00Z"
)

func live(t Thread) string {
	var out []string
	for _, i := range t.Live() {
		out = append(out, i.Start.Format("02T15:04"))
	}
	return strings.Join(out, " ")
}

// Whatever the order in which messages come, and however often, the thread ends as if each had come once, in order (RFC 5546,
// 2.1.5): late ones change nothing, and nothing cancelled comes back.
func TestEveryOrderEndsAlike(t *testing.T) {
	first := says(t, "REQUEST", version(0, 0)+weekly)
	override := says(t, "REQUEST", version(0, 1)+moved)
	dropThird := says(t, "CANCEL", fmt.Sprintf(removed, 1, 2)+third)
	shifted := says(t, "REQUEST", version(2, 3)+later)
	over := says(t, "CANCEL", fmt.Sprintf(removed, 3, 4))
	again := says(t, "REQUEST", version(4, 5)+weekly)
	for name, c := range map[string]struct {
		messages []*ical.Message
		want     string
	}{
		"override":    {[]*ical.Message{first, override}, "09T07:00 17T08:00 23T07:00"},
		"one removed": {[]*ical.Message{first, override, dropThird}, "09T07:00 17T08:00"},
		"rescheduled": {[]*ical.Message{first, override, dropThird, shifted}, "10T07:00 17T07:00 24T07:00"},
		"cancelled":   {[]*ical.Message{first, override, dropThird, shifted, over}, ""},
		"asked anew":  {[]*ical.Message{first, override, over, again}, "09T07:00 16T07:00 23T07:00"},
	} {
		for _, order := range permutations(len(c.messages)) {
			var thread Thread
			for _, round := range []string{"once", "twice"} {
				for _, n := range order {
					next, _, err := thread.Apply(c.messages[n], us)
					if err != nil {
						t.Fatal(err)
					}
					thread = next
				}
				if got := live(thread); got != c.want {
					t.Errorf("%s in the order %v, %s: %q, want %q", name, order, round, got, c.want)
				}
			}
		}
	}
}

func permutations(n int) [][]int {
	if n == 0 {
		return [][]int{nil}
	}
	var all [][]int
	for _, p := range permutations(n - 1) {
		for at := 0; at <= len(p); at++ {
			q := append([]int{}, p[:at]...)
			all = append(all, append(append(q, n-1), p[at:]...))
		}
	}
	return all
}

func TestSteps(t *testing.T) {
	request := func(sequence, minute int) *ical.Message { return says(t, "REQUEST", version(sequence, minute)+weekly) }
	unlisted := fmt.Sprintf("SEQUENCE:%d DTSTAMP:20260301T00%02d00Z", 1, 3) + weekly
	for _, c := range []struct {
		name     string
		messages []*ical.Message
		step     Step
		live     int
	}{
		{"new", []*ical.Message{request(0, 1)}, StepAsk, 3},
		{"the same again", []*ical.Message{request(0, 1), request(0, 1)}, StepRepeat, 3},
		{"same SEQUENCE, newer DTSTAMP", []*ical.Message{request(0, 1), request(0, 2)}, StepAsk, 3},
		{"same SEQUENCE, older DTSTAMP", []*ical.Message{request(0, 2), request(0, 1)}, StepLate, 3},
		{"lower SEQUENCE, newer DTSTAMP", []*ical.Message{request(1, 1), request(0, 9)}, StepLate, 3},
		{"cancelled", []*ical.Message{request(0, 1), says(t, "CANCEL", fmt.Sprintf(removed, 1, 2))}, StepRelease, 0},
		{"cancelled by the same revision", []*ical.Message{request(0, 1), says(t, "CANCEL", fmt.Sprintf(removed, 0, 1))}, StepRelease, 0},
		{"cancelled twice", []*ical.Message{says(t, "CANCEL", fmt.Sprintf(removed, 1, 2)), says(t, "CANCEL", fmt.Sprintf(removed, 1, 2))}, StepRepeat, 0},
		{"late after a cancel", []*ical.Message{says(t, "CANCEL", fmt.Sprintf(removed, 1, 2)), request(0, 9)}, StepLate, 0},
		{"an instance of what was cancelled", []*ical.Message{says(t, "CANCEL", fmt.Sprintf(removed, 1, 2)), says(t, "REQUEST", version(0, 9)+moved)}, StepLate, 0},
		{"no longer listed", []*ical.Message{request(0, 1), says(t, "REQUEST", unlisted)}, StepRelease, 0},
		{"never listed: a blind copy", []*ical.Message{says(t, "REQUEST", unlisted)}, StepAsk, 3},
		{"no longer listed in one instance", []*ical.Message{request(0, 1), says(t, "REQUEST", fmt.Sprintf(removed, 0, 3)+moved)}, StepAsk, 2},
		{"an instance without its master", []*ical.Message{says(t, "REQUEST", version(0, 1)+moved)}, StepAsk, 1},
		{"added", []*ical.Message{request(0, 1), says(t, "ADD", version(1, 2)+" DTSTART:20260401T080000Z DTEND:20260401T090000Z")}, StepAsk, 4},
		{"added twice", []*ical.Message{request(0, 1), says(t, "ADD", version(1, 2)+" DTSTART:20260401T080000Z DTEND:20260401T090000Z"), says(t, "ADD", version(1, 2)+" DTSTART:20260401T080000Z DTEND:20260401T090000Z")}, StepRepeat, 4},
		{"series with its override in one message", []*ical.Message{says(t, "REQUEST", version(3, 1)+weekly, version(0, 0)+moved)}, StepAsk, 3},
	} {
		var thread Thread
		var step Step
		for _, m := range c.messages {
			var err error
			if thread, step, err = thread.Apply(m, us); err != nil {
				t.Fatal(err)
			}
		}
		if step != c.step || len(thread.Live()) != c.live {
			t.Errorf("%s: %s with %d instances, want %s with %d", c.name, step, len(thread.Live()), c.step, c.live)
		}
	}
}

func TestOrderOf(t *testing.T) {
	for _, c := range []struct {
		h    ical.Head
		want string
	}{
		{ical.Head{Summary: "Visit to the press shop"}, "1 kit"},
		{ical.Head{Summary: "3 kits for the press shop"}, "3 kits"},
		{ical.Head{Summary: "Press shop", Location: "Hall 2, 4 dosimeters"}, "4 dosimeters"},
		{ical.Head{Summary: "Press shop: 4 noise dosimeters and a calibrator"}, "4 dosimeters and a calibrator"},
		{ical.Head{Summary: "3 kits", Resources: []string{"2x kits", "ladder"}}, "2 kits"},
		{ical.Head{Summary: "1 Dosimeter"}, "1 dosimeter"},
		{ical.Head{Summary: "Kits"}, "1 kit"},
		{ical.Head{Summary: "0 kits"}, "1 kit"},
		{ical.Head{Summary: "1.5 kits, 2026-03 kits, v2-3 kits"}, "1 kit"},
		{ical.Head{Summary: "9999 kits"}, "1 kit"},
	} {
		if got := OrderOf(c.h).String(); got != c.want {
			t.Errorf("%q %q %q: %s, want %s", c.h.Resources, c.h.Summary, c.h.Location, got, c.want)
		}
	}
}

func TestLocalPart(t *testing.T) {
	for code, want := range map[string]string{"K-1": "k-1", "Kit 3/ä+": "kit-3-a", "ÉTÉ 2": "ete-2", "a.b": "a-b"} {
		if got := LocalPart(code); got != want {
			t.Errorf("%q: %q, want %q", code, got, want)
		}
	}
}

// Only the site's own server counts, and of its headers the topmost (RFC 8601, 2.2 and 5).
func TestProven(t *testing.T) {
	const from = "ada@example.org"
	for _, c := range []struct {
		results []string
		want    bool
	}{
		{nil, false},
		{[]string{"mx.example.org; dmarc=pass header.from=example.org"}, true},
		{[]string{"mx.example.org 1; spf=fail smtp.mailfrom=x.test; dkim=pass header.d=example.org"}, true},
		{[]string{"MX.example.org; auth=pass (plain) smtp.auth=ada@example.org"}, true},
		{[]string{"mx.example.org; auth=pass smtp.auth=eve@example.org"}, false},
		{[]string{"mx.example.org; dmarc=fail header.from=example.org"}, false},
		{[]string{"mx.example.org; dkim=pass header.d=evil.test"}, false},
		{[]string{"mx.example.org; dkim=pass header.d=notexample.org"}, false},
		{[]string{"mx.example.org; spf=pass smtp.mailfrom=eve@evil.test"}, false},
		{[]string{"other.test; dmarc=pass header.from=example.org"}, false},
		{[]string{"mx.example.org; none", "mx.example.org; dmarc=pass header.from=example.org"}, false},
		{[]string{"mx.example.org; dkim=fail (; dmarc=pass header.from=example.org) header.d=example.org"}, false},
		{[]string{"evil.test (mx.example.org); dmarc=pass header.from=example.org"}, false},
	} {
		if got := proven(c.results, "mx.example.org", from); got != c.want {
			t.Errorf("%q: %v", c.results, got)
		}
	}
	if !proven(nil, Unproven, from) {
		t.Error("a site that asks for no proof gets none")
	}
}

func TestAutomatic(t *testing.T) {
	plain := Letter{EnvelopeFrom: "ada@example.org"}
	for name, c := range map[string]struct {
		change     func(*Letter)
		invitation bool
		want       bool
	}{
		"plain":                  {func(*Letter) {}, true, false},
		"null sender":            {func(l *Letter) { l.EnvelopeFrom = "" }, true, true},
		"list":                   {func(l *Letter) { l.List = true }, true, true},
		"bulk":                   {func(l *Letter) { l.Precedence = "Bulk" }, true, true},
		"auto-replied":           {func(l *Letter) { l.AutoSubmitted = "auto-replied" }, true, true},
		"generated":              {func(l *Letter) { l.AutoSubmitted = "auto-generated; x=1" }, false, true},
		"generated, invitation":  {func(l *Letter) { l.AutoSubmitted = "Auto-Generated" }, true, false},
		"said to be by a person": {func(l *Letter) { l.AutoSubmitted = "no" }, false, false},
	} {
		l := plain
		c.change(&l)
		if got := automatic(l, c.invitation) != ""; got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
