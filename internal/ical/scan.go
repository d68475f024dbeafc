package ical

import (
	"bytes"
	"strconv"
	"strings"
	"unicode/utf8"

	"kitd/internal/fault"
)

// line is one unfolded content line (RFC 5545, 3.1), its number that of its first physical line.
type line struct {
	no     int
	name   string // upper case
	params []param
	value  string
}

type param struct {
	name   string // upper case
	values []string
}

// scan reads raw into content lines and proves them well-formed, balanced and within the limits. The iCalendar library
// panics, overflows its stack or takes quadratic time on input that fails here, so nothing reaches it before.
func scan(raw []byte) ([]line, error) {
	if len(raw) > MaxBytes {
		return nil, fault.New(fault.TooLarge, "noun", "calendar object", "limit", strconv.Itoa(MaxBytes>>10)+" kB")
	}
	physical, err := unfold(bytes.TrimPrefix(raw, []byte("\ufeff")))
	if err != nil {
		return nil, err
	}
	if len(physical) == 0 {
		return nil, badObject("it is empty; send an iCalendar object that begins with BEGIN:VCALENDAR")
	}
	lines := make([]line, 0, len(physical))
	for _, p := range physical {
		l, err := readLine(p.no, p.text)
		if err != nil {
			return nil, err
		}
		lines = append(lines, l)
	}
	return lines, checkNesting(lines)
}

type unfolded struct {
	no   int
	text []byte
}

// unfold joins continuation lines octet by octet, since folding may have split a UTF-8 sequence (RFC 5545, 3.1). Bare LF ends
// a line too; blank lines are passed over.
func unfold(raw []byte) ([]unfolded, error) {
	var out []unfolded
	for no := 1; len(raw) > 0; no++ {
		text, rest, _ := bytes.Cut(raw, []byte("\n"))
		raw = rest
		text = bytes.TrimSuffix(text, []byte("\r"))
		switch {
		case len(text) == 0:
			continue
		case text[0] != ' ' && text[0] != '\t':
			out = append(out, unfolded{no, bytes.Clone(text)})
		case len(out) == 0:
			return nil, badLine(no, "it continues a line, but there is none before it; begin with BEGIN:VCALENDAR")
		default:
			last := &out[len(out)-1]
			last.text = append(last.text, text[1:]...)
		}
		if last := out[len(out)-1]; len(last.text) > MaxLine {
			return nil, badLine(last.no, "unfolded, it is longer than %d kB; shorten it", MaxLine>>10)
		}
	}
	return out, nil
}

// readLine reads name *(";" param) ":" value.
func readLine(no int, text []byte) (line, error) {
	if i := bytes.IndexFunc(text, isControl); i >= 0 {
		return line{}, badLine(no, "it holds the control character U+%04X; remove it", text[i])
	}
	if !utf8.Valid(text) {
		return line{}, badLine(no, "it is not UTF-8; save the object as UTF-8")
	}
	s := string(text)
	n := tokenLength(s)
	if n == 0 || n == len(s) {
		return line{}, badLine(no, "%s is not a property name followed by a colon", quote(s))
	}
	l := line{no: no, name: strings.ToUpper(s[:n])}
	s = s[n:]
	for s[0] == ';' {
		p, rest, err := readParam(no, s[1:])
		if err != nil {
			return line{}, err
		}
		if l.params = append(l.params, p); len(l.params) > MaxParams {
			return line{}, badLine(no, "it has more than %d parameters; remove some", MaxParams)
		}
		s = rest
	}
	if s[0] != ':' {
		return line{}, badLine(no, "after %s a colon is expected, not %s", l.name, quote(s))
	}
	l.value = s[1:]
	return l, nil
}

// readParam reads name "=" value *("," value) and returns the non-empty rest, which starts with ";" or ":" or is an error later.
func readParam(no int, s string) (param, string, error) {
	n := tokenLength(s)
	if n == 0 || n == len(s) || s[n] != '=' {
		return param{}, "", badLine(no, "the parameter at %s has no name and equal sign", quote(s))
	}
	p := param{name: strings.ToUpper(s[:n])}
	for s = s[n:]; len(s) > 0 && (s[0] == '=' || s[0] == ','); {
		value, rest, err := readParamValue(no, p.name, s[1:])
		if err != nil {
			return param{}, "", err
		}
		p.values, s = append(p.values, value), rest
	}
	if s == "" {
		return param{}, "", badLine(no, "it ends within the parameter %s; a colon and a value are missing", p.name)
	}
	if s[0] != ';' && s[0] != ':' {
		return param{}, "", badLine(no, "after the parameter %s a semicolon or a colon is expected, not %s", p.name, quote(s))
	}
	if p.name == "VALUE" {
		for i, v := range p.values {
			p.values[i] = strings.ToUpper(v)
		}
	}
	return p, s, nil
}

func readParamValue(no int, name, s string) (value, rest string, err error) {
	if strings.HasPrefix(s, `"`) {
		value, rest, closed := strings.Cut(s[1:], `"`)
		if !closed {
			return "", "", badLine(no, "the quoted value of the parameter %s is not closed", name)
		}
		return decodeCaret(value), rest, nil
	}
	n := strings.IndexAny(s, `";:,`)
	if n < 0 {
		n = len(s)
	}
	return decodeCaret(s[:n]), s[n:], nil
}

// decodeCaret reads the parameter encoding of RFC 6868, section 3; an unknown pair stays as it is.
func decodeCaret(s string) string {
	if !strings.Contains(s, "^") {
		return s
	}
	return strings.NewReplacer("^n", "\n", "^^", "^", "^'", `"`).Replace(s)
}

// isControl is CONTROL of RFC 5545, 3.1: everything below space but the tab, and DEL.
func isControl(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }

// tokenLength counts the leading octets of s that make a property or parameter name. The underscore is not in the grammar,
// but widely sent in X- names.
func tokenLength(s string) int {
	for i := range len(s) {
		c := s[i]
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return i
		}
	}
	return len(s)
}

// checkNesting proves that the lines are exactly one VCALENDAR with balanced components at most MaxDepth deep.
func checkNesting(lines []line) error {
	var open []string
	for i, l := range lines {
		name := strings.ToUpper(strings.TrimSpace(l.value))
		switch {
		case i == 0 && (l.name != "BEGIN" || name != "VCALENDAR"):
			return badLine(l.no, "an iCalendar object begins with BEGIN:VCALENDAR")
		case i > 0 && len(open) == 0:
			return badLine(l.no, "something follows END:VCALENDAR; send one object at a time")
		case l.name == "BEGIN" && len(open) == MaxDepth:
			return badLine(l.no, "components are nested more than %d deep", MaxDepth)
		case l.name == "BEGIN" && tokenLength(name) != len(name) || l.name == "BEGIN" && name == "":
			return badLine(l.no, "%s is not the name of a component", quote(l.value))
		case l.name == "BEGIN":
			open = append(open, name)
		case l.name == "END" && name != open[len(open)-1]:
			return badLine(l.no, "END:%s is expected here, not END:%s", open[len(open)-1], quote(l.value))
		case l.name == "END":
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		return badLine(lines[len(lines)-1].no, "the object ends before END:%s; it was cut off", open[len(open)-1])
	}
	return nil
}
