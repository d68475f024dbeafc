package ical

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	goical "github.com/emersion/go-ical"

	"kitd/internal/fault"
)

// Each input here makes the library panic, overflow its stack, take quadratic time, or misread. None may reach it.
func TestScannerStandsBeforeTheLibrary(t *testing.T) {
	ev := func(l string) []byte { return event(l, "DTSTART:20260304T080000Z") }
	for _, c := range []struct {
		name  string
		raw   []byte
		code  fault.Code
		words string
	}{
		{"parameter without colon", ev("ATTENDEE;CN=foo"), fault.CalendarLine, "Line 7"},
		{"text after a quoted parameter", ev(`ATTENDEE;CN="a"b:mailto:x@example.org`), fault.CalendarLine, "CN"},
		{"open quote", ev(`ATTENDEE;CN="a:mailto:x@example.org`), fault.CalendarLine, "not closed"},
		{"quote within a parameter", ev(`ATTENDEE;CN=a"b":mailto:x@example.org`), fault.CalendarLine, "CN"},
		{"parameter without equal sign", ev("ATTENDEE;CN:mailto:x@example.org"), fault.CalendarLine, "no name and equal sign"},
		{"no colon", ev("SUMMARY"), fault.CalendarLine, "colon"},
		{"no name", ev(":x"), fault.CalendarLine, "property name"},
		{"space in a name", ev("SUM MARY:x"), fault.CalendarLine, "colon"},
		{"nested BEGIN", []byte(strings.Repeat("BEGIN:A\n", 30000)), fault.CalendarLine, "BEGIN:VCALENDAR"},
		{"nested below VCALENDAR", []byte("BEGIN:VCALENDAR\n" + strings.Repeat("BEGIN:A\n", 20000)), fault.CalendarLine, "nested more than 4 deep"},
		{"larger than 256 kB", bytes.Repeat([]byte("BEGIN:A\n"), 4<<20/8), fault.TooLarge, "256 kB"},
		{"many parameters", ev("X-A" + strings.Repeat(";A=B", 33) + ":x"), fault.CalendarLine, "32 parameters"},
		{"long line", ev("SUMMARY:" + strings.Repeat("x", MaxLine)), fault.CalendarLine, "8 kB"},
		{"long line by folding", ev("SUMMARY:" + strings.Repeat("x\r\n ", MaxLine)), fault.CalendarLine, "8 kB"},
		{"NUL", ev("SUMMARY:a\x00b"), fault.CalendarLine, "U+0000"},
		{"escape character", ev("SUMMARY:a\x1b[0m"), fault.CalendarLine, "U+001B"},
		{"bare CR", ev("SUMMARY:a\rb"), fault.CalendarLine, "U+000D"},
		{"not UTF-8", ev("SUMMARY:caf\xe9"), fault.CalendarLine, "UTF-8"},
		{"UTF-16", []byte("\xff\xfeB\x00E\x00G\x00"), fault.CalendarLine, "Line 1"},
		{"continuation first", []byte(" BEGIN:VCALENDAR\n"), fault.CalendarLine, "continues"},
		{"cut off", []byte("BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:a\n"), fault.CalendarLine, "cut off"},
		{"crossed ENDs", []byte("BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VCALENDAR\nEND:VEVENT\n"), fault.CalendarLine, "END:VEVENT is expected"},
		{"END first", []byte("END:VCALENDAR\n"), fault.CalendarLine, "BEGIN:VCALENDAR"},
		{"two objects", append(event("DTSTART:20260304T080000Z"), event("DTSTART:20260304T080000Z")...), fault.CalendarLine, "one object at a time"},
		{"something else", []byte("<?xml version=\"1.0\"?>"), fault.CalendarLine, "Line 1"},
		{"binary", bytes.Repeat([]byte{0, 255, 7}, 100), fault.CalendarLine, "Line 1"},
	} {
		t.Run(c.name, func(t *testing.T) { refused(t, c.raw, c.code, c.words) })
	}
}

// The traps are real: were the library mended, this test would say so.
func TestLibraryStillNeedsTheScanner(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("the library no longer panics on a parameter without colon")
		}
	}()
	goical.NewDecoder(strings.NewReader("BEGIN:VCALENDAR\nATTENDEE;CN=foo\nEND:VCALENDAR\n")).Decode()
}

func TestScannerTolerates(t *testing.T) {
	good := event("DTSTART:20260304T080000Z", "SUMMARY:Zürich")
	for name, raw := range map[string][]byte{
		"byte order mark":       append([]byte("\ufeff"), good...),
		"bare LF":               bytes.ReplaceAll(good, []byte("\r\n"), []byte("\n")),
		"no last line end":      bytes.TrimRight(good, "\r\n"),
		"blank lines":           bytes.ReplaceAll(good, []byte("\r\n"), []byte("\r\n\r\n")),
		"lower case":            bytes.ReplaceAll(bytes.ReplaceAll(good, []byte("BEGIN:VEVENT"), []byte("begin:vevent")), []byte("END:VEVENT"), []byte("End:VEvent")),
		"folded in a character": bytes.ReplaceAll(good, []byte("ü"), []byte("\xc3\r\n \xbc")), // RFC 5545, 3.1
		"folded with a tab":     bytes.ReplaceAll(good, []byte("rich"), []byte("ri\r\n\tch")),
		"underscore in X-":      bytes.ReplaceAll(good, []byte("SUMMARY"), []byte("X-A_B;C_D=1:x\r\nSUMMARY")),
		"our own parameter":     bytes.ReplaceAll(good, []byte("SUMMARY:"), []byte("SUMMARY;X-KITD-LINE=4:")),
		"our own property":      bytes.ReplaceAll(good, []byte("SUMMARY:"), []byte("X-KITD-LINE:77\r\nSUMMARY:")),
		"32 parameters":         bytes.ReplaceAll(good, []byte("SUMMARY:"), []byte("SUMMARY"+strings.Repeat(";A=B", 32)+":")),
		"parameter list":        bytes.ReplaceAll(good, []byte("SUMMARY:"), []byte(`SUMMARY;A=b,"c;:,d",:`)),
	} {
		t.Run(name, func(t *testing.T) { same(t, parse(t, raw).Summary, "Zürich") })
	}
}

func TestLineNumbersCountPhysicalLines(t *testing.T) {
	raw := bytes.ReplaceAll(event("SUMMARY:long\r\n er\r\n  still", "DTSTART:20260304T080000Z", "SEQUENCE:x"), nil, nil)
	refused(t, raw, fault.CalendarLine, "Line 11 ")
	_, err := Parse(raw, Options{Zone: berlin(t)})
	same(t, fault.Of(err).Fields[0].Path, "line 11")
}

// RFC 6868, section 3.1, the two examples.
func TestCaretEncoding(t *testing.T) {
	e := parse(t, event("DTSTART:20260304T080000Z", `ATTENDEE;CN=George Herman ^'Babe^' Ruth:mailto:babe@example.org`,
		`ATTENDEE;CN="Lind^n12, Main^^ ^x":mailto:ada@example.org`))
	same(t, e.Attendees[0].Name, `George Herman "Babe" Ruth`)
	same(t, e.Attendees[1].Name, "Lind\n12, Main^ ^x")
}

func TestEchoIsShort(t *testing.T) {
	_, err := Parse(event("DTSTART:"+strings.Repeat("9", 5000)), Options{Zone: berlin(t)})
	if n := len(fault.Of(err).Sentence()); n > 300 {
		t.Errorf("the sentence has %d octets: %s", n, fmt.Sprint(err)[:200])
	}
}
