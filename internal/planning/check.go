package planning

import (
	"fmt"
	"time"
)

// The limits of a problem. A problem beyond them is refused, because no answer would come in time or memory.
const (
	limitJobs      = 20_000
	limitPositions = 20_000
	limitMoments   = 100_000
	limitLengths   = 20_000_000 // different lengths × moments
	limitUnits     = 20_000
	limitBookings  = 50_000
	limitName      = 200
)

// check says what is wrong with a problem before it is solved. What only makes jobs impossible (no position, no staffed window,
// a deadline before the release) is not wrong: the answer names those jobs.
func (p ChargeProblem) check() error {
	var f findings
	if p.Slot <= 0 || p.Slot > 24*time.Hour {
		f.add("/slot_minutes", "a slot is longer than 0 and at most 1440 minutes")
	}
	if p.Positions < 0 || p.Positions > limitPositions {
		f.add("/positions", fmt.Sprintf("the number of positions is from 0 to %d", limitPositions))
	}
	if len(p.Jobs) > limitJobs {
		f.add("/jobs", fmt.Sprintf("at most %d jobs are planned at once; plan a shorter horizon or one depot at a time", limitJobs))
	}
	for i, w := range p.Staffed {
		f.window(fmt.Sprintf("/staffed/%d", i), w, true)
	}
	seen := map[string]int{}
	for i, j := range p.Jobs {
		at := fmt.Sprintf("/jobs/%d", i)
		f.name(at+"/id", "/jobs", j.ID, i, seen)
		if j.Length <= 0 || j.Length > 366*24*time.Hour {
			f.add(at+"/minutes", "a charge takes more than 0 and at most 527040 minutes")
		}
	}
	for i, o := range p.Occupied {
		if o.Position < 1 || o.Position > p.Positions {
			f.add(fmt.Sprintf("/occupied/%d/position", i), fmt.Sprintf("there is no position %d; they are numbered from 1 to %d", o.Position, p.Positions))
		}
	}
	if err := f.err(); err != nil {
		return err
	}
	if newGridTooLarge(p) {
		f.add("/staffed", fmt.Sprintf("the staffed windows hold more than %d slots, or too many for so many different charge lengths; plan a shorter horizon or longer slots", limitMoments))
	}
	return f.err()
}

// newGridTooLarge counts the moments before they are made.
func newGridTooLarge(p ChargeProblem) bool {
	total := int64(0)
	for _, w := range merged(p.Staffed) {
		total += int64(w.To.Sub(w.From)/p.Slot) + 1
		if total > limitMoments {
			return true
		}
	}
	lengths := map[time.Duration]bool{}
	for _, j := range p.Jobs {
		lengths[j.Length] = true
	}
	return int64(len(lengths))*total > limitLengths
}

// window checks the order of an interval; point says that it may be a single instant.
func (f *findings) window(at string, w Window, point bool) {
	switch {
	case w.To.Before(w.From):
		f.add(at+"/to", "the end lies before the start; exchange them")
	case !point && w.To.Equal(w.From):
		f.add(at+"/to", "the interval is empty; the end lies after the start")
	case w.From.Year() < 1900 || w.To.Year() > 2200:
		f.add(at, "the years of a plan lie between 1900 and 2200")
	}
}

// name checks an identifier and that no earlier entry has it.
func (f *findings) name(at, list, id string, i int, seen map[string]int) {
	before, twice := seen[id]
	switch {
	case id == "":
		f.add(at, "the identifier is empty")
	case len(id) > limitName:
		f.add(at, fmt.Sprintf("the identifier is longer than %d bytes", limitName))
	case twice:
		f.add(at, fmt.Sprintf("%q is already the identifier of %s/%d; each has its own", short(id), list, before))
	default:
		seen[id] = i
	}
}
