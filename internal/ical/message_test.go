package ical

import (
	"strings"
	"testing"

	"kitd/internal/fault"
)

// message wraps components in a scheduling message.
func message(method string, events ...string) []byte {
	lines := []string{"METHOD:" + method}
	for _, e := range events {
		lines = append(lines, "BEGIN:VEVENT", "UID:one@example.org", "DTSTAMP:20260101T000000Z", e, "END:VEVENT")
	}
	return object(lines...)
}

// RFC 5546: what each method carries is read; 3.2.5 CANCEL needs no DTSTART, 3.2.6 REFRESH has none.
func TestParseMessage(t *testing.T) {
	opt := Options{Zone: berlin(t)}
	for _, c := range []struct {
		name    string
		raw     []byte
		heads   int
		asked   int // occurrences; -1: no event
		trouble fault.Code
	}{
		{"request", message("request", "DTSTART:20260304T080000Z\r\nDURATION:PT1H"), 1, 1, ""},
		{"series with an override", message("REQUEST", "DTSTART:20260304T080000Z\r\nDURATION:PT1H\r\nRRULE:FREQ=DAILY;COUNT=3", "RECURRENCE-ID:20260305T080000Z\r\nDTSTART:20260305T090000Z\r\nDURATION:PT1H"), 2, 3, ""},
		{"cancel", message("CANCEL", "SEQUENCE:1"), 1, -1, ""},
		{"cancel one", message("CANCEL", "SEQUENCE:1\r\nRECURRENCE-ID:20260305T080000Z"), 1, -1, ""},
		{"refresh", message("REFRESH", "ATTENDEE:mailto:a@example.org"), 1, -1, ""},
		{"endless", message("REQUEST", "DTSTART:20260304T080000Z\r\nDURATION:PT1H\r\nRRULE:FREQ=DAILY"), 1, -1, fault.CalendarRule},
		{"zone of nobody", message("REQUEST", "DTSTART;TZID=Nowhere:20260304T080000\r\nDURATION:PT1H"), 1, -1, fault.CalendarZone},
		{"cancel in a zone of nobody", message("CANCEL", "RECURRENCE-ID;TZID=Nowhere:20260304T080000"), 1, -1, fault.CalendarZone},
		{"this and future", message("CANCEL", "RECURRENCE-ID;RANGE=THISANDFUTURE:20260304T080000Z"), 1, -1, fault.CalendarLine},
		{"request without a start", message("REQUEST", "SUMMARY:x"), 1, -1, fault.CalendarLine},
	} {
		m, err := ParseMessage(c.raw, opt)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		asked := -1
		if m.Event != nil {
			asked = len(m.Event.Occurrences)
		}
		if m.UID != "one@example.org" || m.Method != strings.ToUpper(m.Method) || len(m.Heads) != c.heads || asked != c.asked || c.trouble == "" != (m.Trouble == nil) || c.trouble != "" && !fault.Is(m.Trouble, c.trouble) {
			t.Errorf("%s: %+v", c.name, m)
		}
	}
}

func TestMessagesNobodyCanAnswer(t *testing.T) {
	for name, c := range map[string]struct{ raw, says string }{
		"no method":    {string(event("DTSTART:20260304T080000Z")), "METHOD"},
		"empty method": {string(message("")), "METHOD"},
		"two methods":  {strings.Replace(string(message("REQUEST", "SUMMARY:x")), "METHOD:", "METHOD:CANCEL\r\nMETHOD:", 1), "stands twice"},
		"no DTSTAMP":   {strings.Replace(string(message("CANCEL", "SUMMARY:x")), "DTSTAMP:20260101T000000Z\r\n", "", 1), "DTSTAMP"},
		"no UID":       {strings.Replace(string(message("CANCEL", "SUMMARY:x")), "UID:one@example.org\r\n", "", 1), "UID"},
		"two UIDs":     {strings.Replace(string(message("CANCEL", "SUMMARY:x", "SUMMARY:y")), "UID:one@", "UID:two@", 1), "two UIDs"},
		"no event":     {string(object("METHOD:REQUEST")), "no event"},
		"free/busy":    {string(object("METHOD:REQUEST", "BEGIN:VFREEBUSY", "END:VFREEBUSY")), "VFREEBUSY"},
		"bad sequence": {string(message("CANCEL", "SEQUENCE:-1")), "SEQUENCE"},
	} {
		_, err := ParseMessage([]byte(c.raw), Options{Zone: berlin(t)})
		if err == nil || !strings.Contains(fault.Of(err).Sentence(), c.says) || fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// RFC 7986, 6.2: an address may stand in EMAIL beside another URI.
func TestEmailOfAPerson(t *testing.T) {
	m, err := ParseMessage(message("CANCEL", "ATTENDEE;EMAIL=K-1@Example.org:urn:uuid:1\r\nATTENDEE;EMAIL=b@example.org:MAILTO:a%2Bb@Example.org"), Options{Zone: berlin(t)})
	if err != nil {
		t.Fatal(err)
	}
	a, b := m.Heads[0].Attendees[0], m.Heads[0].Attendees[1]
	if a.Address != "k-1@example.org" || b.Address != "a+b@example.org" || b.Email != "b@example.org" {
		t.Errorf("%+v %+v", a, b)
	}
}

// Any input gives a message or a fault people can read.
func FuzzParseMessage(f *testing.F) {
	seeds(f)
	f.Add(message("REQUEST", "DTSTART:20260304T080000Z\r\nRRULE:FREQ=DAILY;COUNT=3", "RECURRENCE-ID:20260305T080000Z\r\nDTSTART:20260305T090000Z"))
	f.Add(message("CANCEL", "RECURRENCE-ID;VALUE=DATE:20260305"))
	loc := berlin(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := ParseMessage(raw, Options{Zone: loc})
		if err != nil {
			mustBeFault(t, err)
			return
		}
		if m.Trouble != nil {
			mustBeFault(t, m.Trouble)
		}
		if m.Method == "" || m.UID == "" || len(m.Heads) == 0 || m.Event != nil && (m.Trouble != nil || m.Event.UID != m.UID) {
			t.Fatalf("%+v", m)
		}
	})
}
