package exposure

import (
	"fmt"
	"math"
)

// Gap declares what happened in a part of the day that was not measured.
type Gap string

// The declarations of a gap.
const (
	Measured Gap = ""            // no gap: the part has a measured level
	Same     Gap = "same"        // the rest of the day represents it
	Stated   Gap = "level"       // it has a stated level
	NoNoise  Gap = "not_exposed" // the time counts, without sound energy
)

// dayWithin, in hours, is how far the parts may be from the working time: the rounding of their hours to three decimals.
const dayWithin = 1e-3

// Part is a piece of a worker-day. LevelDB is nil for the gaps same and not_exposed.
type Part struct {
	Hours   float64
	LevelDB *float64
	Gap     Gap
}

// WorkerDay is one worker's shift in parts that fill its working time.
type WorkerDay struct {
	ShiftHours float64
	Parts      []Part
}

// ComputeDay makes the metrics of a worker-day. Parts that do not fill the working time leave an undeclared gap, and parts
// of more than it contradict it: both give no result but a fault of code exposure-input. Levels are taken as steady within
// their part; there are no percentiles and no peaks. Time declared "same" is left out and the rest, with its not-exposed
// time, is scaled to the shift, as a removed stretch of a history is.
func ComputeDay(day WorkerDay, profiles []Profile, c Context) (Metrics, error) {
	c.ShiftHours, c.Exclusions = day.ShiftHours, nil
	c, err := c.settled()
	if err != nil {
		return Metrics{}, err
	}
	if where, what := day.trouble(); what != "" {
		return Metrics{}, badInput("%s: %s", where, what)
	}
	d := distribution{perDB: microPerDB, unit: 1, per: 1}
	same := 0.0
	for _, p := range day.Parts {
		switch p.Gap {
		case Same:
			same += p.Hours
		case NoNoise:
			d.silent += p.Hours
		default:
			d.bins = append(d.bins, bin{int32(micro(*p.LevelDB)), p.Hours})
		}
	}
	d.bins = joinBins(d.bins)
	d.finish()
	if !(d.total > 0) {
		return Metrics{}, badInput("every part is a gap declared same; there is no rest that could represent it")
	}
	m := d.metrics(c)
	m.GapSeconds, m.NotExposedSeconds = Level(same*3600), Level(d.silent*3600)
	if same > 0 && d.silent > 0 {
		m.advise("same_includes_not_exposed", "A gap is declared same while other time is not exposed: the rest that represents it includes that quiet time. If the gap was work, state its level.")
	}
	m.judge(d, profiles, c, "")
	return m, nil
}

// trouble says which part of a day cannot be used, as a path, and why.
func (d WorkerDay) trouble() (where, what string) {
	if !(d.ShiftHours >= shortest && d.ShiftHours <= 24) {
		return "shift_hours", fmt.Sprintf("the working time of the day is above 0 h and at most 24 h, not %v h", d.ShiftHours)
	}
	if len(d.Parts) == 0 {
		return "parts", "at least one part is needed"
	}
	total := 0.0
	for i, p := range d.Parts {
		if where, what := p.trouble(); what != "" {
			return fmt.Sprintf("parts/%d/%s", i, where), what
		}
		total += p.Hours
	}
	switch missing := Level(d.ShiftHours - total); {
	case missing > dayWithin:
		return "parts", fmt.Sprintf("%v h of the working time are in no part; declare the gap as same, level or not_exposed", missing)
	case missing < -dayWithin:
		return "parts", fmt.Sprintf("the parts are %v h longer than the working time; correct one of them", -missing)
	}
	return "", ""
}

func (p Part) trouble() (where, what string) {
	if !(p.Hours > 0) {
		return "hours", fmt.Sprintf("the duration of %v h is not above 0 h", p.Hours)
	}
	if text := hoursTrouble(p.Hours); text != "" {
		return "hours", text
	}
	switch p.Gap {
	case Measured, Stated:
		if p.LevelDB == nil {
			return "level_db", "a part needs a level, or a gap declared same or not_exposed"
		}
		return "level_db", levelTrouble(*p.LevelDB)
	case Same, NoNoise:
		if p.LevelDB != nil {
			return "level_db", fmt.Sprintf("a gap declared %s has no level; declare it as level, or leave the level out", p.Gap)
		}
		return "", ""
	}
	return "gap", fmt.Sprintf("a gap is same, level or not_exposed, not %q", p.Gap)
}

// WeeklyLevel is the weekly average of daily exposure levels in dB, of up to seven days: always over five working days
// (Directive 2003/10/EC, Art. 3(3) with ISO 1999; the formula from memory, confirmed by the HSE ready-reckoner, whose 500
// points a week are 85 dB).
func WeeklyLevel(daysLEX8hDB []float64) (float64, error) {
	if len(daysLEX8hDB) == 0 || len(daysLEX8hDB) > 7 {
		return 0, badInput("a week has one to seven days, not %d", len(daysLEX8hDB))
	}
	for i, db := range daysLEX8hDB {
		if text := levelTrouble(db); text != "" {
			return 0, badInput("day %d %s", i, text)
		}
	}
	return Level(energyMean(daysLEX8hDB) + float64(10*math.Log10(float64(len(daysLEX8hDB))/5))), nil
}
