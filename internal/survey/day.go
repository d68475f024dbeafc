package survey

import (
	"fmt"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// WorkerDay is one worker's shift. It belongs to the date its start shows at the site: clock changes change the hours, never
// the date, and a night shift is the day it began.
type WorkerDay struct {
	ID           ident.ID   `json:"id"`
	Client       ident.ID   `json:"client"`
	Survey       ident.ID   `json:"survey"`
	Worker       ident.ID   `json:"worker"`
	Group        ident.ID   `json:"group,omitzero"`
	Start        time.Time  `json:"start"`
	Date         civil.Date `json:"date"`          // of Start in the site's zone
	ShiftMinutes int        `json:"shift_minutes"` // total working time of the day; 0: not declared
	Parts        []Part     `json:"parts"`         // in the order of the day
	Note         string     `json:"note,omitempty"`
	Entered      time.Time  `json:"entered"`
	By           string     `json:"by"`
	Version      int        `json:"version"`
}

// Part is one stretch of a worker-day.
type Part struct {
	Kind    PartKind `json:"kind"`
	Wear    ident.ID `json:"wear,omitzero"`
	Minutes int      `json:"minutes,omitempty"`  // of readings, stated periods and gaps; a gap of 0 is the rest of the shift
	LevelDB *DB      `json:"level_db,omitempty"` // of readings, stated periods and gaps of a stated level
	Gap     GapKind  `json:"gap,omitempty"`
	Source  string   `json:"source,omitempty"` // where a level comes from, in words
}

// PartKind says what a part of a worker-day rests on.
type PartKind string

// The kinds of part.
const (
	PartWear    PartKind = "wear"
	PartReading PartKind = "reading" // a sound level meter's reading of a task
	PartStated  PartKind = "stated"  // a period of stated level
	PartGap     PartKind = "gap"     // time without a measurement
)

// GapKind declares what a time without a measurement was like. Without a declaration there is no result.
type GapKind string

// The declarations.
const (
	GapSame       GapKind = "same"        // the measured rest represents it
	GapLevel      GapKind = "level"       // a stated level
	GapNotExposed GapKind = "not exposed" // time kept, no energy
)

// Slack is how far measured time and declared shift may differ before the difference is a gap: starting and stopping by hand
// costs that much (common practice, no source).
const Slack = time.Minute

// Cover is how a shift is made up of one wear and what was declared of the rest.
type Cover struct {
	Wear     ident.ID
	Measured time.Duration
	Shift    time.Duration // measured time plus gaps, or the declared shift where that is what it covers
	Gaps     []Stretch     // declared gaps with their length
	Longer   bool          // the measurement is longer than the declared shift
}

// Stretch is a declared gap with its length.
type Stretch struct {
	Kind    GapKind
	Length  time.Duration
	LevelDB *DB
}

// Check says what in the parts contradicts itself: fields are given as JSON pointers below /parts.
func (d WorkerDay) Check() error {
	f := fault.New(fault.BadInput, "what", "the worker-day contradicts itself")
	if d.ShiftMinutes < 0 || d.ShiftMinutes > 24*60 {
		f.At("/shift_minutes", "a shift lasts from 0 to 1440 minutes")
	}
	for i, p := range d.Parts {
		if text := p.check(); text != "" {
			f.At(fmt.Sprintf("/parts/%d", i), text)
		}
	}
	if len(f.Fields) > 0 {
		return f
	}
	return nil
}

func (p Part) check() string {
	levelled := p.Kind == PartReading || p.Kind == PartStated || p.Kind == PartGap && p.Gap == GapLevel
	switch {
	case p.Minutes < 0 || p.Minutes > 24*60:
		return "a part lasts from 0 to 1440 minutes"
	case levelled && p.LevelDB == nil:
		return "state its level in dB"
	case levelled && (*p.LevelDB < 0 || *p.LevelDB > HighestDB):
		return "a level lies between 0 and 200 dB"
	case !levelled && p.LevelDB != nil:
		return "only readings, stated periods and gaps of a stated level have a level"
	case p.Kind == PartGap:
		return p.checkGap()
	case p.Kind == PartWear:
		if p.Wear.IsZero() {
			return "name the wear"
		}
	case p.Kind == PartReading, p.Kind == PartStated:
		if p.Minutes == 0 {
			return "state how many minutes it lasted"
		}
	default:
		return "the kind is one of wear, reading, stated, gap"
	}
	return ""
}

func (p Part) checkGap() string {
	switch p.Gap {
	case GapSame, GapLevel, GapNotExposed:
		return ""
	}
	return "declare the gap: same, level or not exposed"
}

// Cover works out how the shift is made up when the wear measured for so long. It answers with a fault where the day is not
// fully declared, because an undeclared gap gives no result, and where the day is of a make-up it does not cover.
func (d WorkerDay) Cover(measured time.Duration) (Cover, error) {
	if err := d.Check(); err != nil {
		return Cover{}, err
	}
	c := Cover{Measured: measured}
	if err := c.gather(d.Parts); err != nil {
		return Cover{}, err
	}
	shift := time.Duration(d.ShiftMinutes) * time.Minute
	if err := c.fit(shift); err != nil {
		return Cover{}, err
	}
	return c, nil
}

func (c *Cover) gather(parts []Part) error {
	wears := 0
	for i, p := range parts {
		switch p.Kind {
		case PartWear:
			wears++
			c.Wear = p.Wear
		case PartGap:
			c.Gaps = append(c.Gaps, Stretch{p.Gap, time.Duration(p.Minutes) * time.Minute, p.LevelDB})
		default:
			return fault.New(fault.DayMakeUp, "what", "it holds a "+string(p.Kind)+" part").At(fmt.Sprintf("/parts/%d", i), "not a wear or a gap")
		}
	}
	if wears != 1 {
		return fault.New(fault.DayMakeUp, "what", fmt.Sprintf("it holds %d wears", wears))
	}
	return nil
}

// fit gives the open gap the rest of the shift and compares the sum with the declared shift.
func (c *Cover) fit(shift time.Duration) error {
	known, open := c.Measured, -1
	for i, g := range c.Gaps {
		known += g.Length
		if g.Length == 0 {
			if open >= 0 {
				return fault.New(fault.UndeclaredGap, "what", "two gaps are both said to be the rest of the shift; give one of them its minutes")
			}
			open = i
		}
	}
	rest := shift - known
	switch {
	case shift == 0 && len(c.Gaps) == 0:
		return fault.New(fault.UndeclaredGap, "what", "neither the hours of the shift nor a gap is declared; declare the shift hours")
	case shift == 0 && open >= 0:
		return fault.New(fault.UndeclaredGap, "what", "a gap is said to be the rest of the shift, but the shift hours are not declared; declare them")
	case shift == 0:
		c.Shift = known
		return nil
	case open >= 0 && rest > 0:
		c.Gaps[open].Length = rest
	case rest > Slack:
		return fault.New(fault.UndeclaredGap, "what", fmt.Sprintf("%d minutes of the shift are neither measured nor declared; declare them as same, level or not exposed", int(rest.Round(time.Minute)/time.Minute)))
	}
	c.Shift = shift
	c.Longer = -rest > Slack
	return nil
}
