package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"kitd/internal/fleet"
)

// typedUnit is one unit of a typed or pasted list.
type typedUnit struct {
	line                    int // from 1
	tag, serial, microphone string
}

// readUnitLines reads a list of units: a line each with tag, serial and microphone between commas, semicolons or tabs, or a range
// of tags. A first line of headings is left out. Faults name their line.
func readUnitLines(text string) (units []typedUnit, faults []string) {
	for i, raw := range strings.Split(strings.ReplaceAll(text, "\r", ""), "\n") {
		cells := cellsOf(raw)
		if cells[0] == "" && len(cells) == 1 || i == 0 && fleet.FoldTag(cells[0]) == "tag" {
			continue
		}
		bad := func(format string, args ...any) {
			faults = append(faults, fmt.Sprintf("Line %d: ", i+1)+fmt.Sprintf(format, args...))
		}
		if cells[0] == "" {
			bad("the tag is missing; begin the line with it.")
			continue
		}
		if len(cells) > 3 {
			bad("has %d entries; write tag, serial and microphone.", len(cells))
			continue
		}
		tags, err := expand(cells[0])
		if err != nil {
			bad("%s", err)
			continue
		}
		if len(tags) > 1 && len(cells) > 1 {
			bad("a range of tags cannot share a serial; write a line for each unit.")
			continue
		}
		cells = append(cells, "", "")
		for _, tag := range tags {
			units = append(units, typedUnit{i + 1, tag, cells[1], cells[2]})
		}
		if len(units) > fleet.MaxUnits {
			bad("with it there are more than %d units; enter the rest afterwards.", fleet.MaxUnits)
			return units, faults
		}
	}
	return units, faults
}

// cellsOf splits a line at tabs, else at semicolons, else at commas; empty cells at the end are dropped.
func cellsOf(line string) []string {
	sep := ","
	for _, s := range []string{"\t", ";"} {
		if strings.Contains(line, s) {
			sep = s
			break
		}
	}
	cells := strings.Split(line, sep)
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	for len(cells) > 1 && cells[len(cells)-1] == "" {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// readTags reads tags and ranges of tags between commas, semicolons, tabs or line ends. A tag named twice counts once.
func readTags(text string) (tags, faults []string) {
	seen := map[string]bool{}
	for _, cell := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(",;\t\r\n", r) }) {
		cell = strings.TrimSpace(cell)
		if cell == "" {
			continue
		}
		more, err := expand(cell)
		if err != nil {
			faults = append(faults, ended(err.Error()))
			continue
		}
		for _, t := range more {
			if key := fleet.FoldTag(t); !seen[key] {
				seen[key] = true
				tags = append(tags, t)
			}
		}
	}
	if len(tags) > fleet.MaxUnits {
		faults = append(faults, fmt.Sprintf("These are %d units; at most %d are taken at once.", len(tags), fleet.MaxUnits))
	}
	return tags, faults
}

// expand gives the tags of "D-001..D-010", also written "D-001..010" or with an ellipsis; anything else is one tag.
func expand(cell string) ([]string, error) {
	from, to, isRange := strings.Cut(strings.ReplaceAll(cell, "…", ".."), "..")
	if !isRange {
		return []string{cell}, nil
	}
	head, first := digitsOf(from)
	other, last := digitsOf(to)
	if first == "" || last == "" || other != "" && fleet.FoldTag(other) != fleet.FoldTag(head) {
		return nil, fmt.Errorf("%s is no range; write it as D-001..D-010", clipped(cell, 60))
	}
	lo, err1 := strconv.Atoi(first)
	hi, err2 := strconv.Atoi(last)
	switch {
	case err1 != nil || err2 != nil:
		return nil, fmt.Errorf("the numbers of %s are too long", clipped(cell, 60))
	case hi < lo:
		return nil, fmt.Errorf("%s runs backwards; write the smaller number first", clipped(cell, 60))
	case hi-lo >= fleet.MaxUnits:
		return nil, fmt.Errorf("%s are %d units; at most %d are taken at once", clipped(cell, 60), hi-lo+1, fleet.MaxUnits)
	}
	var tags []string
	for n := lo; n <= hi; n++ {
		tags = append(tags, fmt.Sprintf("%s%0*d", head, len(first), n))
	}
	return tags, nil
}

// digitsOf splits a tag into what comes before its last digits, and these.
func digitsOf(s string) (head, digits string) {
	s = strings.TrimSpace(s)
	head = strings.TrimRight(s, "0123456789")
	return head, s[len(head):]
}

// ranges writes tags so that readTags reads the same: runs of neighbours as ranges.
func ranges(tags []string) string {
	var out []string
	for i := 0; i < len(tags); {
		j := i
		for j+1 < len(tags) && follows(tags[j], tags[j+1]) {
			j++
		}
		switch {
		case j > i+1:
			out = append(out, tags[i]+".."+tags[j])
		default:
			out = append(out, tags[i:j+1]...)
		}
		i = j + 1
	}
	return strings.Join(out, ", ")
}

func follows(a, b string) bool {
	head, first := digitsOf(a)
	other, next := digitsOf(b)
	m, err1 := strconv.Atoi(first)
	n, err2 := strconv.Atoi(next)
	return head == other && len(first) == len(next) && err1 == nil && err2 == nil && n == m+1
}

// moment is the shortest span that begins now.
func moment(now time.Time) fleet.Span {
	now = now.UTC().Truncate(time.Millisecond)
	return fleet.Span{From: now, To: now.Add(time.Minute)}
}
