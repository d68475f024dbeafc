package ical

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func at(t testing.TB, text string) time.Time {
	t.Helper()
	v, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func sample(t testing.TB) Calendar {
	return Calendar{
		Name: "Kit 3", Zone: berlin(t), Refresh: time.Hour,
		Events: []Entry{{
			UID: "b-17@kitd", Stamp: at(t, "2026-03-01T10:00:00Z"), Modified: at(t, "2026-03-02T10:00:00Z"), Sequence: 2,
			Start: at(t, "2026-03-28T07:00:00Z"), End: at(t, "2026-03-28T15:00:00Z"),
			Summary: "Foundry; hall 2, \"day\" 1 \\ n", Description: "line one\r\nline two", Location: "Bergstadt", Status: "CONFIRMED",
			Categories: []string{"noise", "a,b"}, URL: "https://kitd.example.org/desk/17",
			Organizer: &Person{Address: "ada@example.org", Name: "Lind, \"Ada\"\nx"}, Attendees: []Person{{Address: "kit3@example.org", Kind: "RESOURCE", Status: "ACCEPTED"}},
			Alarms: []Alarm{{Before: 90 * time.Minute, Text: "pack"}},
		}},
		Busy: []FreeBusy{{UID: "f", Stamp: at(t, "2026-03-01T10:00:00Z"), Start: at(t, "2026-03-01T00:00:00Z"), End: at(t, "2026-04-01T00:00:00Z"),
			Periods: []Period{{Start: at(t, "2026-03-28T07:00:00Z"), End: at(t, "2026-03-28T15:00:00Z"), Kind: "BUSY-UNAVAILABLE"}}}},
	}
}

func TestEncode(t *testing.T) {
	got := string(Encode(sample(t)))
	for _, want := range []string{
		"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//kitd//survey equipment//EN\r\nCALSCALE:GREGORIAN\r\nNAME:Kit 3\r\nX-WR-CALNAME:Kit 3\r\nREFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n",
		"BEGIN:VTIMEZONE\r\nTZID:Europe/Berlin\r\nBEGIN:STANDARD\r\nDTSTART:20251026T030000\r\nTZOFFSETFROM:+0200\r\nTZOFFSETTO:+0100\r\nTZNAME:CET\r\nEND:STANDARD\r\nBEGIN:DAYLIGHT\r\nDTSTART:20260329T020000\r\nTZOFFSETFROM:+0100\r\nTZOFFSETTO:+0200\r\n",
		"DTSTAMP:20260301T100000Z\r\nLAST-MODIFIED:20260302T100000Z\r\nSEQUENCE:2\r\nDTSTART;TZID=Europe/Berlin:20260328T080000\r\nDTEND;TZID=Europe/Berlin:20260328T160000\r\n",
		`SUMMARY:Foundry\; hall 2\, "day" 1 \\ n` + "\r\n", `DESCRIPTION:line one\nline two` + "\r\n", `CATEGORIES:noise,a\,b` + "\r\n",
		`ORGANIZER;CN="Lind, ^'Ada^'^nx":mailto:ada@example.org` + "\r\n",
		"ATTENDEE;CUTYPE=RESOURCE;PARTSTAT=ACCEPTED:mailto:kit3@example.org\r\n",
		"BEGIN:VALARM\r\nACTION:DISPLAY\r\nTRIGGER:-PT90M\r\nDESCRIPTION:pack\r\nEND:VALARM\r\n",
		"FREEBUSY;FBTYPE=BUSY-UNAVAILABLE:20260328T070000Z/20260328T150000Z\r\n",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("lacks\n%s\nin\n%s", want, got)
		}
	}
	if again := Encode(sample(t)); string(again) != got {
		t.Error("the same calendar gives other bytes")
	}
	if strings.Contains(strings.ReplaceAll(got, "\r\n", ""), "\n") {
		t.Error("a line ends with a bare LF")
	}
}

func TestEncodedIsReadBack(t *testing.T) {
	c := sample(t)
	c.Busy = nil
	e := parse(t, Encode(c))
	same(t, e.Summary, c.Events[0].Summary)
	same(t, e.Description, "line one\nline two")
	same(t, e.Organizer.Name, c.Events[0].Organizer.Name)
	same(t, spans(e), "2026-03-28T07:00Z/2026-03-28T15:00Z")
	same(t, e.Start.Zone, "Europe/Berlin")
}

// The second of two equal clock readings cannot be written as a local time: it is written in UTC.
func TestAmbiguousTimeIsWrittenInUTC(t *testing.T) {
	c := Calendar{Zone: berlin(t), Events: []Entry{{UID: "a", Stamp: at(t, "2026-01-01T00:00:00Z"), Start: at(t, "2026-10-25T00:30:00Z"), End: at(t, "2026-10-25T01:30:00Z")}}}
	got := string(Encode(c))
	if !strings.Contains(got, "DTSTART;TZID=Europe/Berlin:20261025T023000\r\nDTEND:20261025T013000Z\r\n") {
		t.Error(got)
	}
	same(t, spans(parse(t, []byte(got))), "2026-10-25T00:30Z/2026-10-25T01:30Z")
}

func TestSeriesIsWritten(t *testing.T) {
	first := Entry{UID: "a", Stamp: at(t, "2026-01-01T00:00:00Z"), Start: at(t, "2026-03-28T07:00:00Z"), End: at(t, "2026-03-28T09:00:00Z"),
		More: []Period{{Start: at(t, "2026-03-30T06:00:00Z"), End: at(t, "2026-03-30T08:00:00Z")}, {Start: at(t, "2026-04-02T06:00:00Z"), End: at(t, "2026-04-02T12:00:00Z")}}}
	same(t, spans(parse(t, Encode(Calendar{Zone: berlin(t), Events: []Entry{first}}))),
		"2026-03-28T07:00Z/2026-03-28T09:00Z 2026-03-30T06:00Z/2026-03-30T08:00Z 2026-04-02T06:00Z/2026-04-02T12:00Z")
	day := Entry{UID: "a", Stamp: at(t, "2026-01-01T00:00:00Z"), AllDay: true, Start: at(t, "2026-03-28T23:00:00Z"), End: at(t, "2026-03-29T22:00:00Z"),
		More: []Period{{Start: at(t, "2026-04-01T22:00:00Z"), End: at(t, "2026-04-02T22:00:00Z")}}}
	raw := Encode(Calendar{Zone: berlin(t), Events: []Entry{day}})
	if !bytes.Contains(raw, []byte("DTSTART;VALUE=DATE:20260329\r\nDTEND;VALUE=DATE:20260330\r\nRDATE;VALUE=DATE:20260402\r\n")) {
		t.Errorf("%s", raw)
	}
	same(t, spans(parse(t, raw)), "2026-03-28T23:00Z/2026-03-29T22:00Z 2026-04-01T22:00Z/2026-04-02T22:00Z")
}

// Whatever a text holds, it stays one property: no line of it becomes a line of the object.
func TestNothingIsInjected(t *testing.T) {
	nasty := []string{"x\r\nATTENDEE:mailto:evil@example.org", "x\nEND:VEVENT", "x\rBEGIN:VALARM", "\x00\x07\x7f", "\u2028 \u0085", "caf\xe9", `a\nb`, `"; TZID="`, "=cmd()", "<script>", "😀 " + strings.Repeat("é", 80), "שלום \u200f", ""}
	for _, s := range nasty {
		c := sample(t)
		c.Busy = nil
		e := &c.Events[0]
		e.Summary, e.Location, e.Comment, e.URL, e.Status, e.Categories = s, s, s, s, s, []string{s}
		e.Organizer, e.Attendees, e.Alarms = &Person{Address: "a@example.org", Name: s}, []Person{{Address: s, Name: s, Kind: s}}, []Alarm{{Text: s}}
		c.Name = s
		raw := Encode(c)
		lines, err := scan(raw)
		if err != nil {
			t.Fatalf("%q: %v\n%s", s, err, raw)
		}
		count := map[string]int{}
		for _, l := range lines {
			count[l.name]++
		}
		if count["ATTENDEE"] > 1 || count["ORGANIZER"] != 1 || count["SUMMARY"] > 1 {
			t.Errorf("%q: %v\n%s", s, count, raw)
		}
		begins := strings.Count(string(raw), "\nBEGIN:VALARM") + strings.Count(string(raw), "\nBEGIN:VEVENT")
		if begins != 2 {
			t.Errorf("%q: %d components", s, begins)
		}
	}
}

// RFC 5545, 3.1: at most 75 octets a line, never within a character; unfolded, nothing is lost.
func TestFolding(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	alphabet := []rune("aé€😀 ,;")
	for range 300 {
		text := make([]rune, random.IntN(400))
		for i := range text {
			text[i] = alphabet[random.IntN(len(alphabet))]
		}
		w := &writer{}
		w.text("DESCRIPTION", string(text))
		for _, l := range strings.Split(strings.TrimSuffix(w.b.String(), "\r\n"), "\r\n") {
			if len(l) > 75 || !utf8.ValidString(l) {
				t.Fatalf("line %q has %d octets", l, len(l))
			}
		}
		back := strings.TrimSuffix(strings.ReplaceAll(w.b.String(), "\r\n ", ""), "\r\n")
		if want := "DESCRIPTION:" + escape(string(text)); back != want {
			t.Fatalf("got %q, want %q", back, want)
		}
	}
}

// Every zone's written rules give the same instants as the zone itself, for the years the calendar reaches.
func TestWrittenZoneSaysTheSame(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Africa/Casablanca", "Europe/Dublin", "America/Sao_Paulo", "Etc/GMT+5"} {
		loc := load(name)
		raw := Encode(Calendar{Zone: loc, Events: []Entry{{UID: "a", Stamp: at(t, "2026-01-01T00:00:00Z"), Start: at(t, "2018-01-10T00:00:00Z"), End: at(t, "2026-01-10T00:00:00Z")}}})
		lines, err := scan(raw)
		if err != nil {
			t.Fatal(err)
		}
		root, err := decode(lines)
		if err != nil {
			t.Fatal(err)
		}
		own, err := readZone(root.Children[0])
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for wall := time.Date(2018, 2, 1, 0, 15, 0, 0, time.UTC); wall.Year() < 2027; wall = wall.Add(30 * time.Minute) {
			if got, want := instantOf(own, wall), instantOf(located{loc}, wall); !got.Equal(want) {
				t.Fatalf("%s %s: got %s, want %s", name, fmt.Sprint(wall), got, want)
			}
		}
	}
}
