package exposure

import (
	"fmt"
	"strings"
)

type sampledForm struct {
	Method         string      `json:"method"`
	HoursEffective *float64    `json:"hours_effective"`
	LevelsDB       []float64   `json:"levels_db"`
	Instrument     *Instrument `json:"instrument"`
}

type fullDayForm struct {
	Method         string      `json:"method"`
	HoursEffective *float64    `json:"hours_effective"`
	LevelsDB       []float64   `json:"levels_db"`
	Days           []dayEntry  `json:"days"`
	Instrument     *Instrument `json:"instrument"`
}

type dayEntry struct {
	LevelDB *float64 `json:"level_db"`
	Hours   *float64 `json:"hours"`
}

func runJob(doc []byte, _ Options) (any, error) {
	form, err := decode[sampledForm](doc)
	if err != nil {
		return nil, err
	}
	day, err := form.day()
	if err != nil {
		return nil, err
	}
	return ComputeJob(day)
}

func (f sampledForm) day() (SampledDay, error) {
	day := SampledDay{LevelsDB: f.LevelsDB}
	var err error
	if day.Instrument, err = instrument(f.Instrument); err != nil {
		return day, err
	}
	if f.HoursEffective == nil {
		return day, docFault("/hours_effective", "the key is missing; give the hours of the effective working day")
	}
	day.EffectiveHours = *f.HoursEffective
	if where, what := day.trouble(); what != "" {
		return day, docFault("/"+where, what)
	}
	return day, nil
}

func runFullDay(doc []byte, _ Options) (any, error) {
	form, err := decode[fullDayForm](doc)
	if err != nil {
		return nil, err
	}
	var day SampledDay
	switch {
	case form.Days == nil:
		day, err = sampledForm{form.Method, form.HoursEffective, form.LevelsDB, form.Instrument}.day()
	case form.LevelsDB != nil || form.HoursEffective != nil:
		return nil, docFault("/days", "give days, or hours_effective with levels_db, not both")
	default:
		day, err = form.days()
	}
	if err != nil {
		return nil, err
	}
	return ComputeFullDay(day)
}

func (f fullDayForm) days() (SampledDay, error) {
	day := SampledDay{DayHours: []float64{}}
	var err error
	if day.Instrument, err = instrument(f.Instrument); err != nil {
		return day, err
	}
	if len(f.Days) == 0 {
		return day, docFault("/days", "at least one day is needed")
	}
	for i, d := range f.Days {
		at := fmt.Sprintf("/days/%d", i)
		switch {
		case d.LevelDB == nil:
			return day, docFault(at+"/level_db", "a day needs a level")
		case d.Hours == nil:
			return day, docFault(at+"/hours", "a day needs its hours")
		}
		if text := levelTrouble(*d.LevelDB); text != "" {
			return day, docFault(at+"/level_db", text)
		}
		day.LevelsDB, day.DayHours = append(day.LevelsDB, *d.LevelDB), append(day.DayHours, *d.Hours)
	}
	if where, what := day.trouble(); what != "" {
		return day, docFault("/"+where, what)
	}
	return day, nil
}

type workerDayForm struct {
	Method     string      `json:"method"`
	ShiftHours *float64    `json:"shift_hours"`
	Parts      []partEntry `json:"parts"`
	Profiles   []string    `json:"profiles"`
	Instrument *Instrument `json:"instrument"`
}

type partEntry struct {
	Hours   *float64 `json:"hours"`
	LevelDB *float64 `json:"level_db"`
	Gap     *Gap     `json:"gap"`
}

func runWorkerDay(doc []byte, o Options) (any, error) {
	form, err := decode[workerDayForm](doc)
	if err != nil {
		return nil, err
	}
	var c Context
	if c.Instrument, err = instrument(form.Instrument); err != nil {
		return nil, err
	}
	if form.ShiftHours == nil {
		return nil, docFault("/shift_hours", "the key is missing; give the working time of the day")
	}
	day := WorkerDay{ShiftHours: *form.ShiftHours}
	for i, e := range form.Parts {
		part := Part{LevelDB: e.LevelDB}
		if e.Hours == nil {
			return nil, docFault(fmt.Sprintf("/parts/%d/hours", i), "a part needs a duration")
		}
		part.Hours = *e.Hours
		if e.Gap != nil {
			if part.Gap = *e.Gap; part.Gap == "" {
				return nil, docFault(fmt.Sprintf("/parts/%d/gap", i), "a gap is same, level or not_exposed; a measured part has no key gap")
			}
		}
		day.Parts = append(day.Parts, part)
	}
	if where, what := day.trouble(); what != "" {
		return nil, docFault("/"+strings.TrimSuffix(where, "/"), what)
	}
	profiles, err := chosen(form.Profiles, o)
	if err != nil {
		return nil, err
	}
	m, err := ComputeDay(day, profiles, c)
	if err != nil {
		return nil, placed("/parts", err)
	}
	return m, nil
}

type weeklyForm struct {
	Method      string    `json:"method"`
	DaysLEX8hDB []float64 `json:"days_lex_8h_db"`
}

type weeklyResult struct {
	Engine  string   `json:"engine"`
	Days    int      `json:"days"`
	LEXWeek float64  `json:"lex_week_db"`
	Advice  []Advice `json:"advice"`
}

func runWeekly(doc []byte, _ Options) (any, error) {
	form, err := decode[weeklyForm](doc)
	if err != nil {
		return nil, err
	}
	if n := len(form.DaysLEX8hDB); n == 0 || n > 7 {
		return nil, docFault("/days_lex_8h_db", fmt.Sprintf("a week has one to seven days, not %d", n))
	}
	for i, db := range form.DaysLEX8hDB {
		if text := levelTrouble(db); text != "" {
			return nil, docFault(fmt.Sprintf("/days_lex_8h_db/%d", i), text)
		}
	}
	lex, err := WeeklyLevel(form.DaysLEX8hDB)
	if err != nil {
		return nil, placed("/days_lex_8h_db", err)
	}
	return weeklyResult{EngineVersion, len(form.DaysLEX8hDB), lex, []Advice{{
		Code: "where_a_week_may_stand",
		Text: "A weekly level may replace the daily one only where exposure varies markedly from day to day, monitoring shows it not above 87 dB, and national rules allow it (Directive 2003/10/EC, Art. 3(3)).",
	}}}, nil
}
