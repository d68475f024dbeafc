package exposure

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// referenceHours is the length of the nominal day of L_EX,8h (ISO 1999:2013, 3.7).
const referenceHours = 8.0

// Context is what is known besides the levels. The zero Context means: nothing known, a dosimeter.
type Context struct {
	ShiftHours float64 // working time of the day, h; 0 when unknown: then the measured time stands for itself
	Exclusions []Exclusion
	Instrument Instrument   // Personal when empty
	AtEar      *AtEarLevels // nil when the protection is not known
}

// Compute makes all metrics of a history. peaks may be nil. The same input gives the same Metrics, to the last digit. It
// returns a fault of code exposure-input for input that cannot be computed: levels outside 0 to 200 dB, exclusions
// that contradict each other or leave nothing.
func Compute(h History, peaks *Peaks, profiles []Profile, c Context) (Metrics, error) {
	c, err := c.settled()
	if err != nil {
		return Metrics{}, err
	}
	if err := h.Check(); err != nil {
		return Metrics{}, err
	}
	p, err := h.plan(c.Exclusions)
	if err != nil {
		return Metrics{}, err
	}
	d, err := h.distribute(p)
	if err != nil {
		return Metrics{}, err
	}
	if d.total <= 0 {
		return Metrics{}, badInput("the exclusions and gaps leave no time to compute from")
	}
	m := d.metrics(c)
	m.Quantity, m.IntervalS = h.Quantity, h.StepSeconds
	m.RemovedSeconds = Level(p.removed * h.StepSeconds)
	m.NotExposedSeconds = Level(p.silent * h.StepSeconds)
	m.GapSeconds = Level(p.missing * h.StepSeconds)
	if c.ShiftHours == 0 {
		m.advise("measured_time_only", "No working time was given: the daily level and the doses speak of the measured time alone.")
	}
	if err := m.takePeaks(peaks, h, p); err != nil {
		return Metrics{}, err
	}
	m.judge(d, profiles, c, h.Quantity)
	m.flagGaps(h, p)
	return m, nil
}

// Segment is a time at one stated level.
type Segment struct {
	LevelDB float64
	Hours   float64
}

// ComputeSegments makes the metrics of stated levels, each kept for its hours, as the dose tables of the regulations take
// them. The day is the sum of the hours. There are no percentiles and no peaks.
func ComputeSegments(segments []Segment, profiles []Profile, c Context) (Metrics, error) {
	c, err := c.settled()
	if err != nil {
		return Metrics{}, err
	}
	d := distribution{perDB: microPerDB, unit: 1, per: 1}
	for i, s := range segments {
		if text := s.trouble(); text != "" {
			return Metrics{}, badInput("segment %d: %s", i, text)
		}
		if s.Hours > 0 { // a level that lasted no time was not there: it is no maximum either
			d.bins = append(d.bins, bin{int32(micro(s.LevelDB)), s.Hours})
		}
	}
	d.bins = joinBins(d.bins)
	d.finish()
	if !(d.total > 0) || math.IsInf(d.total, 0) {
		return Metrics{}, badInput("the hours add up to %v; at least one segment needs a duration", d.total)
	}
	m := d.metrics(c)
	m.judge(d, profiles, c, "")
	return m, nil
}

func (s Segment) trouble() string {
	if text := levelTrouble(s.LevelDB); text != "" {
		return "the level " + text
	}
	return hoursTrouble(s.Hours)
}

// longest and shortest, in hours, bound a duration that is not 0: a leap year, and far less than any instrument resolves. Doses
// stay finite between them.
const (
	longest  = 8784.0
	shortest = 1e-12
)

func hoursTrouble(h float64) string {
	switch {
	case math.IsNaN(h) || h < 0:
		return fmt.Sprintf("the duration of %v h is not 0 h or more", h)
	case h > longest:
		return fmt.Sprintf("the duration of %v h is longer than a year of %v h", h, longest)
	case h > 0 && h < shortest:
		return fmt.Sprintf("the duration of %v h is above 0 h but shorter than %v h", h, shortest)
	}
	return ""
}

func (c Context) settled() (Context, error) {
	if c.Instrument == "" {
		c.Instrument = Personal
	}
	if _, ok := c.Instrument.Uncertainty(); !ok {
		return c, badInput("the instrument is personal, class1 or class2, not %q", c.Instrument)
	}
	if c.ShiftHours != 0 && !(c.ShiftHours >= shortest && c.ShiftHours <= 24) {
		return c, badInput("the working time of the day is above 0 h and at most 24 h, not %v h", c.ShiftHours)
	}
	return c, nil
}

// metrics computes what does not depend on a profile.
func (d distribution) metrics(c Context) Metrics {
	m := Metrics{
		Engine: EngineVersion, Edition: MethodEdition, Instrument: c.Instrument,
		LAeqDB: known(d.laeq()), Pa2h: Share(d.pa2h()), MaxDB: known(d.max()),
		DurationHours: d.hours(d.total),
		Exclusions:    slices.Clone(c.Exclusions), Profiles: []ProfileResult{}, Flags: []Flag{}, Advice: []Advice{},
	}
	if m.Exclusions == nil {
		m.Exclusions = []Exclusion{}
	}
	if d.perDB != microPerDB || d.per != 1 {
		m.L10DB, m.L50DB, m.L90DB = known(d.exceeded(0.1)), known(d.exceeded(0.5)), known(d.exceeded(0.9))
	}
	day := m.DurationHours
	if c.ShiftHours > 0 {
		day = c.ShiftHours
		m.ShiftHours = &day
		if Level(m.DurationHours) > Level(day) {
			m.advise("measured_longer_than_shift", "More time was measured than the working time given: check that nothing outside the shift is in it.")
		}
	}
	m.LEX8hDB = known(d.laeq() + 10*math.Log10(day/referenceHours))
	return m
}

func (m *Metrics) advise(code, text string) {
	m.Advice = append(m.Advice, Advice{Code: code, Text: text})
}

// takePeaks finds the highest peak outside excluded time. Peaks that are not one a step cannot be placed in time: all count.
func (m *Metrics) takePeaks(peaks *Peaks, h History, p plan) error {
	if peaks == nil || peaks.Levels.Len() == 0 {
		return nil
	}
	if err := peaks.Levels.Check(); err != nil {
		return err
	}
	if !slices.Contains([]string{"A", "C", "Z"}, peaks.Weighting) {
		return badInput("the weighting of the peaks is A, C or Z, not %q", peaks.Weighting)
	}
	runs, parts := p.runs, p.parts
	if peaks.Levels.Len() != h.Levels.Len() {
		if p.removed+p.silent+p.missing > 0 {
			m.advise("peaks_not_excluded", "The peaks are not one a step: none was taken out with the excluded time.")
		}
		runs, parts = []Steps{{0, peaks.Levels.Len()}}, nil
	}
	top := int32(-1)
	for _, r := range runs {
		for i := r.From; i < r.To; i++ {
			top = max(top, peaks.Levels.steps(i))
		}
	}
	for _, x := range parts {
		top = max(top, peaks.Levels.steps(x.at))
	}
	m.PeakWeighting = peaks.Weighting
	if top >= 0 {
		m.PeakDB = known(float64(top) / float64(peaks.Levels.PerDB))
		m.PeakPa = share(PeakPressure(*m.PeakDB))
	}
	return nil
}

// judge adds the results of the profiles. An empty quantity means stated levels, which are what every profile asks for.
func (m *Metrics) judge(d distribution, profiles []Profile, c Context, quantity Quantity) {
	day := m.DurationHours
	if m.ShiftHours != nil {
		day = *m.ShiftHours
	}
	s := standing{
		lex: m.LEX8hDB, peakDB: m.PeakDB, peakWeighting: m.PeakWeighting, maxDB: m.MaxDB,
		roughEnergy: quantity == LASmax, roughMax: quantity == LAeq,
		silent: m.LAeqDB == nil, atEar: c.AtEar, band: c.Instrument.expanded(),
	}
	m.Profiles = make([]ProfileResult, 0, len(profiles))
	var estimated []string
	for _, p := range profiles {
		r := d.profile(p, day)
		r.LEX8hDB = m.LEX8hDB
		r.addShift(p, day)
		s.lexAdjusted = r.LEX8hAdjustedDB
		s.dose, s.roughDose, s.exchange = r.DoseShiftPercent, false, 0
		if p.Dose != nil {
			s.exchange = p.Dose.ExchangeDB
			s.roughDose = quantity == LAeq && p.slowDose()
		}
		r.EstimateOnly = s.roughDose || (quantity == LASmax && p.Response == "none")
		if r.EstimateOnly {
			estimated = append(estimated, p.ID)
		}
		r.Verdicts = make([]Verdict, 0, len(p.Limits))
		for _, l := range p.Limits {
			v := s.judge(l)
			if db, ok := p.LevelAtLimit(l, day); ok {
				v.LevelAtLimitDB = &db
			}
			r.Verdicts = append(r.Verdicts, v)
		}
		m.Profiles = append(m.Profiles, r)
		m.flagRange(d, p)
		m.remark(p, day)
	}
	m.adviseEstimates(estimated, quantity)
}

// slowDose tells a dose that follows the slow-weighted level with more than 3 dB a doubling: equivalent levels, however
// short, do not give it (OSHA letter of interpretation, 10 December 1986).
func (p Profile) slowDose() bool { return p.Response == "slow" && p.Dose.ExchangeDB > 3.5 }

func (m *Metrics) adviseEstimates(profiles []string, quantity Quantity) {
	if len(profiles) == 0 {
		return
	}
	names := strings.Join(profiles, ", ")
	if quantity == LASmax {
		m.advise("levels_are_maxima", "The levels are maxima of the slow level, so equivalent levels come out too high; estimates only for: "+names+".")
		return
	}
	m.advise("estimate_only", "The profile asks for the slow-weighted level; equivalent levels give an estimate only for: "+names+". Use a return that logged with the profile's settings.")
}

// profile computes the dose values of one profile; day is the time the doses and verdicts are scaled to, in hours.
func (d distribution) profile(p Profile, day float64) ProfileResult {
	r := ProfileResult{Profile: p.ID, Edition: p.Edition, Version: p.Version}
	if p.Dose == nil {
		return r
	}
	measured, dose := d.hours(d.total), d.dose(*p.Dose)
	r.DosePercent = share(dose)
	r.ProjectedDosePercent = share(dose * p.Dose.CriterionHours / measured)
	r.DoseShiftPercent = share(dose * day / measured)
	r.TWADB = p.Dose.level(dose, p.Dose.CriterionHours)
	r.LavgDB = p.Dose.level(dose, measured)
	r.TWAShiftDB = p.Dose.level(dose*day/measured, p.Dose.CriterionHours)
	return r
}

// level is the steady level in dB that gives a dose in so many hours, nil at dose 0: the exact inverse of the dose. The
// factors printed in 29 CFR 1910.95 App. A (16.61) and NIOSH 98-126 (10.0) are roundings of exchange rate / lg 2.
func (c Criterion) level(dose, hours float64) *float64 {
	return known(c.CriterionDB + float64(c.ExchangeDB/math.Log10(2)*math.Log10(dose/100*c.CriterionHours/hours)))
}

// remark adds the advice a profile gives for long working times.
func (m *Metrics) remark(p Profile, day float64) {
	for _, r := range p.Remarks {
		if Level(day) > r.Hours || (r.Comparison == AtOrAbove && Level(day) == r.Hours) {
			m.Advice = append(m.Advice, Advice{Code: r.Code, Text: r.Text + " (" + r.Source.Clause + ")", Profile: p.ID})
		}
	}
}

// flagRange tells for how long levels that count lie outside the smallest range an instrument has to integrate.
func (m *Metrics) flagRange(d distribution, p Profile) {
	if p.Integration == nil {
		return
	}
	least := int64(0)
	if p.Dose != nil {
		least = p.Dose.thresholdMicro()
	}
	outside, low, high := 0.0, micro(p.Integration.FromDB), micro(p.Integration.ToDB)
	for _, b := range d.bins[d.from(least):] {
		at := int64(b.at) * int64(microPerDB/d.perDB)
		if at < low || at > high {
			outside += b.weight
		}
	}
	if outside > 0 {
		m.Flags = append(m.Flags, Flag{
			Code:    "outside_integration_range",
			Text:    fmt.Sprintf("Levels outside %v to %v dB count, but an instrument need not measure them rightly (%s).", p.Integration.FromDB, p.Integration.ToDB, p.Integration.Source.Clause),
			Profile: p.ID,
			Seconds: Level(d.hours(outside) * 3600),
		})
	}
}

func (m *Metrics) flagGaps(h History, p plan) {
	if p.missing == 0 {
		return
	}
	m.Flags = append(m.Flags, h.flagGaps()...)
}
