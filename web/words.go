package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// count writes a number with its noun: "one unit", "12 units", "no units".
func count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "one " + one
	}
	return strconv.Itoa(n) + " " + many
}

func itoa(n int) string { return strconv.Itoa(n) }

// capital raises the first letter.
func capital(s string) string {
	if s == "" {
		return s
	}
	r := []rune(s)
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

// ended makes a sentence of a text: a capital at the front, a full stop at the end.
func ended(s string) string {
	s = capital(strings.TrimSpace(s))
	if s != "" && !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// lasting writes a length of time: "7 h 58 min", "12 min".
func lasting(d time.Duration) string {
	minutes := int(d.Round(time.Minute) / time.Minute)
	switch h, m := minutes/60, minutes%60; {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}

// number writes a figure with so many decimals and a true minus; a dash where there is none.
func number(v *float64, decimals int) string {
	if v == nil {
		return "–"
	}
	return minus(strconv.FormatFloat(*v, 'f', decimals, 64))
}

// signed writes a deviation with its sign.
func signed(v *float64, decimals int) string {
	if v == nil {
		return "–"
	}
	text := strconv.FormatFloat(*v, 'f', decimals, 64)
	if *v > 0 {
		text = "+" + text
	}
	return minus(text)
}

// minus replaces the hyphen of a negative number by U+2212; what rounds to nought has no sign.
func minus(text string) string {
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return strings.Replace(text, "-", "−", 1)
}
