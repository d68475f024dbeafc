package exchange

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"kitd/internal/fleet"
)

// Told says in words what a report adds and changes, a line each, in the order of the rows.
func Told(r fleet.Report) []string {
	type line struct {
		row  int
		text string
	}
	var lines []line
	for _, p := range r.Added {
		lines = append(lines, line{p.Row, fmt.Sprintf("row %d: %s %s is new%s", p.Row, p.Noun, p.Name, units(p))})
	}
	for _, p := range r.Changed {
		lines = append(lines, line{p.Row, fmt.Sprintf("row %d: %s %s changes: %s", p.Row, p.Noun, p.Name, Changes(p))})
	}
	slices.SortStableFunc(lines, func(a, b line) int { return cmp.Compare(a.row, b.row) })
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = l.text
	}
	return out
}

// Changes says what a thing reads otherwise from now on.
func Changes(p fleet.Planned) string {
	parts := make([]string, len(p.Differences))
	for i, d := range p.Differences {
		parts[i] = fmt.Sprintf("%s from %s to %s", d.Field, quoted(d.Before), quoted(d.After))
	}
	return strings.Join(parts, "; ")
}

func quoted(s string) string {
	if s == "" {
		return "nothing"
	}
	return fmt.Sprintf("%q", clip(s))
}

// units names the units of a new certificate, and the kit of a new unit.
func units(p fleet.Planned) string {
	var names []string
	for _, d := range p.Differences {
		switch {
		case d.Field == "tag" && len(names) == 6:
			return ", for " + strings.Join(names, ", ") + " and more"
		case d.Field == "tag":
			names = append(names, d.After)
		case d.Field == "kit":
			return ", in kit " + d.After
		}
	}
	if len(names) == 0 {
		return ""
	}
	return ", for " + strings.Join(names, ", ")
}
