package exposure

import (
	"fmt"
	"strings"
)

type sampledForm struct {
	Method         string        `json:"method"`
	HoursEffective *float64      `json:"hours_effective"`
	LevelsDB       []float64     `json:"levels_db"`
	Instrument     *Instrument   `json:"instrument"`
	GroupSize      *int          `json:"group_size"`
	MeasuredHours  *float64      `json:"measured_hours"`
	Further        *furtherEntry `json:"further"`
}

type fullDayForm struct {
	Method         string        `json:"method"`
	HoursEffective *float64      `json:"hours_effective"`
	LevelsDB       []float64     `json:"levels_db"`
	Days           []dayEntry    `json:"days"`
	Instrument     *Instrument   `json:"instrument"`
	Further        *furtherEntry `json:"further"`
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
	if day.Further, err = f.Further.terms(); err != nil {
		return day, err
	}
	if f.GroupSize != nil {
		if day.GroupSize = *f.GroupSize; day.GroupSize == 0 {
			return day, docFault("/group_size", "a group has at least one worker; leave the key out when its size is not known")
		}
	}
	if f.MeasuredHours != nil {
		if day.MeasuredHours = *f.MeasuredHours; day.MeasuredHours == 0 {
			return day, docFault("/measured_hours", "the samples last above 0 h together; leave the key out when it is not known")
		}
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
		day, err = sampledForm{HoursEffective: form.HoursEffective, LevelsDB: form.LevelsDB, Instrument: form.Instrument, Further: form.Further}.day()
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
	if day.Further, err = f.Further.terms(); err != nil {
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
	AtEar      *atEarEntry `json:"at_ear"`
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
	if c.AtEar, err = form.AtEar.levels(); err != nil {
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
	Profiles    []string  `json:"profiles"`
}

func runWeekly(doc []byte, o Options) (any, error) {
	form, err := decode[weeklyForm](doc)
	if err != nil {
		return nil, err
	}
	if n := len(form.DaysLEX8hDB); n == 0 || n > 7 {
		return nil, docFault("/days_lex_8h_db", fmt.Sprintf("a week has one to seven days, not %d", n))
	}
	if where, what := levelsTrouble("days_lex_8h_db", form.DaysLEX8hDB); what != "" {
		return nil, docFault("/"+where, what)
	}
	profiles, err := chosen(form.Profiles, o)
	if err != nil {
		return nil, err
	}
	r, err := ComputeWeek(form.DaysLEX8hDB, profiles)
	if err != nil {
		return nil, placed("/days_lex_8h_db", err)
	}
	return r, nil
}
