package ical

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	goical "github.com/emersion/go-ical"
)

// numberParam carries the line number through the library, which keeps parameters but not places. numberProp does so for
// components.
const (
	numberParam = "X-KITD-LINE"
	numberProp  = "X-KITD-LINE"
)

// decode hands scanned lines to the library, in a form it reads without surprise.
func decode(lines []line) (root *goical.Component, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = badObject("the calendar library gave up on it (%v)", r)
		}
	}()
	cal, err := goical.NewDecoder(bytes.NewReader(normalised(lines))).Decode()
	if err != nil {
		return nil, badObject("%v", err)
	}
	return cal.Component, nil
}

// normalised writes the lines unfolded, names in upper case, each with its number.
func normalised(lines []line) []byte {
	var b bytes.Buffer
	for _, l := range lines {
		if l.name == "BEGIN" || l.name == "END" {
			fmt.Fprintf(&b, "%s:%s\r\n", l.name, strings.ToUpper(strings.TrimSpace(l.value)))
			if l.name == "BEGIN" {
				fmt.Fprintf(&b, "%s:%d\r\n", numberProp, l.no)
			}
			continue
		}
		if l.name == numberProp {
			continue
		}
		fmt.Fprintf(&b, "%s;%s=%d", l.name, numberParam, l.no)
		for _, p := range l.params {
			if p.name != numberParam {
				writeParam(&b, p.name, p.values...)
			}
		}
		fmt.Fprintf(&b, ":%s\r\n", l.value)
	}
	return b.Bytes()
}

// property is a decoded content line.
type property struct{ *goical.Prop }

func (p property) line() int {
	n, _ := strconv.Atoi(p.Params.Get(numberParam)) // written by normalised, so always a number
	return n
}

// param gives the first value of a parameter, decoded.
func (p property) param(name string) string { return decodeCaret(p.Params.Get(name)) }

// is reports whether the VALUE parameter names the type.
func (p property) is(valueType string) bool { return p.param("VALUE") == valueType }

func (p property) text() string { return unescape(p.Value) }

// list splits a comma-separated list of TEXT (RFC 5545, 3.3.11).
func (p property) list() []string {
	var out []string
	start := 0
	for i := 0; i < len(p.Value); i++ {
		switch p.Value[i] {
		case '\\':
			i++
		case ',':
			out = append(out, unescape(p.Value[start:i]))
			start = i + 1
		}
	}
	return append(out, unescape(p.Value[start:]))
}

func lineOf(c *goical.Component) int {
	n, _ := strconv.Atoi(c.Props.Get(numberProp).Value) // written by normalised, so always there
	return n
}

// all gives every property of a name, in order.
func all(c *goical.Component, name string) []property {
	var out []property
	for i := range c.Props[name] {
		out = append(out, property{&c.Props[name][i]})
	}
	return out
}

// one gives the property of a name that may occur once, or ok false.
func one(c *goical.Component, name string) (p property, ok bool, err error) {
	props := all(c, name)
	switch len(props) {
	case 0:
		return property{}, false, nil
	case 1:
		return props[0], true, nil
	}
	return property{}, false, badLine(props[1].line(), "%s stands twice in one %s; keep one", name, c.Name)
}

// unescape reads TEXT (RFC 5545, 3.3.11). A backslash before any other character stays: senders forget to double it.
func unescape(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	return strings.NewReplacer(`\\`, `\`, `\;`, `;`, `\,`, `,`, `\n`, "\n", `\N`, "\n").Replace(s)
}
