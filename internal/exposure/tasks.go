package exposure

import (
	"fmt"
	"math"
)

// Task is a part of the nominal day (ISO 9612:2009, clause 9). LevelsDB are the sampled equivalent levels. The duration is
// Hours, with HoursRange as the range it may take, or the mean of HoursSamples; Hours may repeat that mean.
type Task struct {
	Name         string
	LevelsDB     []float64
	Hours        float64
	HoursRange   []float64 // lowest and highest, h; nil when not known
	HoursSamples []float64
	// SampleMinutes are the durations of the levels, one each, for the advice of 9.3; nil when not known.
	SampleMinutes []float64
}

// TaskDay is a nominal day made of tasks.
type TaskDay struct {
	ReferenceHours float64 // 8 when 0
	Instrument     Instrument
	Tasks          []Task
	Further        FurtherTerms
}

// TaskShare is what one task adds to the day, with its terms of the uncertainty budget (ISO 9612:2009, C.2).
type TaskShare struct {
	Name         string   `json:"name"`
	Hours        float64  `json:"hours"`     // mean duration T_m
	Samples      int      `json:"samples"`   // number of levels I
	LevelDB      float64  `json:"level_db"`  // energy mean of the levels
	LEX8hDB      *float64 `json:"lex_8h_db"` // contribution to the day, nil for a task of 0 h
	U1aDB        float64  `json:"u1a_db"`    // sampling of the level, 0 for a single sample
	C1a          float64  `json:"c1a"`       // its sensitivity
	U1bHours     float64  `json:"u1b_hours"` // duration
	C1bDBPerHour float64  `json:"c1b_db_per_hour"`
}

// TaskResult is the daily exposure level of a task-based measurement with its uncertainty, all in dB.
type TaskResult struct {
	Engine              string        `json:"engine"`
	Edition             string        `json:"edition"`
	EditionNote         string        `json:"edition_note"`
	Instrument          Instrument    `json:"instrument"`
	ReferenceHours      float64       `json:"reference_hours"`
	LEX8hDB             float64       `json:"lex_8h_db"`
	StandardUncertainty float64       `json:"standard_uncertainty_db"`
	ExpandedUncertainty float64       `json:"expanded_uncertainty_db"` // one-sided 95 %, k = 1.65
	UpperDB             float64       `json:"upper_db"`
	U2DB                float64       `json:"u2_db"`
	U3DB                float64       `json:"u3_db"`
	FurtherTerms        []FurtherTerm `json:"further_terms,omitzero"`
	Tasks               []TaskShare   `json:"tasks"`
	Advice              []Advice      `json:"advice"`
}

// durationSensitivity is 10/ln 10 as ISO 9612:2009, C.2 prints it.
const durationSensitivity = 4.34

// ComputeTasks makes the daily exposure level and the uncertainty budget of a task-based measurement (ISO 9612:2009, clause
// 9 and C.2). A single sample has u1a = 0, and advice says so. Faults have the code exposure-input.
func ComputeTasks(day TaskDay) (TaskResult, error) {
	day, err := day.settled()
	if err != nil {
		return TaskResult{}, err
	}
	r := TaskResult{Engine: EngineVersion, Edition: MethodEdition, EditionNote: EditionNote, Instrument: day.Instrument,
		ReferenceHours: day.ReferenceHours, FurtherTerms: day.Further.list(), Advice: []Advice{}}
	r.U2DB, _ = day.Instrument.Uncertainty()
	r.U3DB = PositionUncertainty
	energy := 0.0
	for _, t := range day.Tasks {
		hours, _ := t.duration()
		energy += float64(hours / day.ReferenceHours * math.Pow(10, energyMean(t.LevelsDB)/10))
	}
	lex := 10 * math.Log10(energy)
	combined := variance(r.FurtherTerms)
	for _, t := range day.Tasks {
		combined += r.addTask(t, day.ReferenceHours, lex)
	}
	u := math.Sqrt(combined)
	r.LEX8hDB, r.StandardUncertainty = Level(lex), Level(u)
	r.ExpandedUncertainty, r.UpperDB = Level(Coverage*u), Level(lex+float64(Coverage*u))
	r.adviseDurations(day.Tasks)
	r.Advice = append(r.Advice, furtherAdvice(r.FurtherTerms)...)
	return r, nil
}

// addTask appends the share of a task and gives its part of the combined variance in dB².
func (r *TaskResult) addTask(t Task, reference, lex float64) float64 {
	level := energyMean(t.LevelsDB)
	hours, u1b := t.duration()
	u1a := meanError(t.LevelsDB)
	weight := math.Pow(10, (level-lex)/10) / reference // c1a per hour of the task
	c1a, c1b := weight*hours, durationSensitivity*weight
	r.Tasks = append(r.Tasks, TaskShare{
		Name: t.Name, Hours: hours, Samples: len(t.LevelsDB), LevelDB: Level(level),
		LEX8hDB: known(level + 10*math.Log10(hours/reference)),
		U1aDB:   Level(u1a), C1a: Level(c1a), U1bHours: Level(u1b), C1bDBPerHour: Level(c1b),
	})
	r.adviseTask(t)
	spread := float64(u1a*u1a) + float64(r.U2DB*r.U2DB) + float64(r.U3DB*r.U3DB)
	return float64(float64(c1a*c1a)*spread) + float64(float64(c1b*u1b)*float64(c1b*u1b))
}

// duration is the mean duration of a task in hours and its standard uncertainty (ISO 9612:2009, C.2: the standard error of
// observed durations, or half of the range).
func (t Task) duration() (hours, u1b float64) {
	if len(t.HoursSamples) > 0 {
		return mean(t.HoursSamples), meanError(t.HoursSamples)
	}
	if len(t.HoursRange) == 2 {
		u1b = (t.HoursRange[1] - t.HoursRange[0]) / 2
	}
	return t.Hours, u1b
}

func (r *TaskResult) adviseTask(t Task) {
	n := len(t.LevelsDB)
	low, high := extremes(t.LevelsDB)
	switch {
	case n == 1:
		r.advise(t.Name, "single_sample", "One sample says nothing of how the level varies: the sampling uncertainty is taken as 0. Measure at least three (ISO 9612:2009, 9.3).")
	case n < 3:
		r.advise(t.Name, "few_samples", fmt.Sprintf("Only %d samples: measure at least three (ISO 9612:2009, 9.3).", n))
	}
	if n > 1 && Level(high-low) >= 3 {
		text := "The samples differ by %.1f dB. Measure at least three more, split the task into more even ones, or measure longer (ISO 9612:2009, 9.3)."
		if n >= 6 {
			text = "The samples still differ by %.1f dB: see whether the task can be split into more even ones, or measured longer (ISO 9612:2009, 9.3)."
		}
		r.advise(t.Name, "spread_3_db", fmt.Sprintf(text, high-low))
	}
	hours, _ := t.duration()
	for i, minutes := range t.SampleMinutes {
		if Level(minutes) < min(leastMinutes, Level(hours*60)) {
			r.advise(t.Name, "short_sample", fmt.Sprintf("Sample %d lasted %.3g minutes: a sample takes at least 5 minutes, the whole task when it is shorter, or enough cycles of even work (ISO 9612:2009, 9.3).", i+1, minutes))
		}
	}
}

func (r *TaskResult) adviseDurations(tasks []Task) {
	for _, t := range tasks {
		if len(t.HoursRange) == 0 && len(t.HoursSamples) < 2 {
			r.advise(t.Name, "duration_taken_as_exact", "No range and no repeated observations of the duration: its uncertainty is taken as 0.")
		}
	}
}

func (r *TaskResult) advise(task, code, text string) {
	r.Advice = append(r.Advice, Advice{Code: code, Text: text, Task: task})
}

func (d TaskDay) settled() (TaskDay, error) {
	if d.ReferenceHours == 0 {
		d.ReferenceHours = referenceHours
	}
	if d.Instrument == "" {
		d.Instrument = Personal
	}
	if _, ok := d.Instrument.Uncertainty(); !ok {
		return d, badInput("the instrument is personal, class1 or class2, not %q", d.Instrument)
	}
	if !(d.ReferenceHours > 0 && d.ReferenceHours <= 24) {
		return d, badInput("the reference duration is above 0 h and at most 24 h, not %v h", d.ReferenceHours)
	}
	if where, what := d.Further.trouble(); what != "" {
		return d, badInput("%s: %s", where, what)
	}
	total := 0.0
	for i, t := range d.Tasks {
		if where, what := t.trouble(); what != "" {
			return d, badInput("task %d, %s: %s", i, where, what)
		}
		hours, _ := t.duration()
		total += hours
	}
	if !(total > 0) || math.IsInf(total, 0) {
		return d, badInput("the durations add up to %v h; at least one task needs a duration", total)
	}
	return d, nil
}

// trouble says which part of a task cannot be used, as a path below the task, and why.
func (t Task) trouble() (where, what string) {
	if len(t.LevelsDB) == 0 {
		return "levels_db", "a task needs at least one level"
	}
	for i, db := range t.LevelsDB {
		if text := levelTrouble(db); text != "" {
			return fmt.Sprintf("levels_db/%d", i), text
		}
	}
	for i, h := range t.HoursSamples {
		if text := hoursTrouble(h); text != "" {
			return fmt.Sprintf("hours_samples/%d", i), text
		}
	}
	if where, what := t.minutesTrouble(); what != "" {
		return where, what
	}
	if len(t.HoursSamples) > 0 && t.HoursRange != nil {
		return "hours_range", "give the range of the duration or the observed durations, not both"
	}
	if m := mean(t.HoursSamples); t.Hours != 0 && math.Abs(t.Hours-m) > 0.01 {
		return "hours", fmt.Sprintf("%v h is not the mean of hours_samples, %v h; leave hours out or correct it", t.Hours, Level(m))
	}
	if text := hoursTrouble(t.Hours); text != "" {
		return "hours", text
	}
	return t.rangeTrouble()
}

func (t Task) minutesTrouble() (where, what string) {
	if t.SampleMinutes != nil && len(t.SampleMinutes) != len(t.LevelsDB) {
		return "sample_minutes", fmt.Sprintf("has %d durations for %d levels; give one each", len(t.SampleMinutes), len(t.LevelsDB))
	}
	for i, minutes := range t.SampleMinutes {
		if !(minutes > 0 && minutes <= 1440) {
			return fmt.Sprintf("sample_minutes/%d", i), fmt.Sprintf("a sample lasts above 0 and at most 1440 minutes, not %v", minutes)
		}
	}
	return "", ""
}

func (t Task) rangeTrouble() (where, what string) {
	if t.HoursRange == nil {
		return "", ""
	}
	if len(t.HoursRange) != 2 {
		return "hours_range", fmt.Sprintf("a range is two durations, lowest and highest, not %d", len(t.HoursRange))
	}
	for i, h := range t.HoursRange {
		if text := hoursTrouble(h); text != "" {
			return fmt.Sprintf("hours_range/%d", i), text
		}
	}
	if t.HoursRange[0] > t.HoursRange[1] {
		return "hours_range", "the lowest duration comes first"
	}
	if t.Hours < t.HoursRange[0] || t.Hours > t.HoursRange[1] {
		return "hours", fmt.Sprintf("%v h lies outside the range of %v to %v h", t.Hours, t.HoursRange[0], t.HoursRange[1])
	}
	return "", ""
}

// energyMean is the level of the mean energy in dB.
func energyMean(db []float64) float64 {
	_, top := extremes(db)
	sum := 0.0
	for _, x := range db {
		sum += math.Pow(10, (x-top)/10)
	}
	return top + float64(10*math.Log10(sum/float64(len(db))))
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, x := range values {
		sum += x
	}
	return sum / float64(len(values))
}

// deviation is the sample standard deviation, 0 for fewer than two values.
func deviation(values []float64) float64 {
	if len(values) < 2 {
		return 0
	}
	m, sum := mean(values), 0.0
	for _, x := range values {
		sum += float64((x - m) * (x - m))
	}
	return math.Sqrt(sum / float64(len(values)-1))
}

// meanError is the standard error of the arithmetic mean, 0 for fewer than two values.
func meanError(values []float64) float64 {
	return deviation(values) / math.Sqrt(float64(len(values)))
}

func extremes(values []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range values {
		low, high = min(low, x), max(high, x)
	}
	return low, high
}
