package exposure

import (
	"fmt"
	"math"
)

// PointScale turns a daily exposure level into exposure points: Points at LevelDB, in proportion to the sound exposure.
type PointScale struct {
	LevelDB float64 `json:"level_db"`
	Points  float64 `json:"points"`
	Source  Source  `json:"source"`
}

// WeeklyRule is the condition on which a weekly level may stand in the place of the daily one. MaxDB is the weekly level it
// must not pass, nil where the rule names none.
type WeeklyRule struct {
	Text   string   `json:"text"`
	MaxDB  *float64 `json:"max_db"`
	Source Source   `json:"source"`
}

// ShiftAdder is what is added to the daily exposure level for shifts of FromHours and more, up to the next adder.
type ShiftAdder struct {
	FromHours float64 `json:"from_hours"`
	AddDB     float64 `json:"add_db"`
	Source    Source  `json:"source"`
}

// adder is what the profile adds to the level of a shift, in dB.
func (p Profile) adder(hours float64) float64 {
	add := 0.0
	for _, a := range p.Adders {
		if Level(hours) >= Level(a.FromHours) {
			add = a.AddDB
		}
	}
	return add
}

// points is the number of exposure points of a daily exposure level, 0 without sound energy.
func (s PointScale) points(lex *float64) float64 {
	if lex == nil {
		return 0
	}
	return Share(s.Points * math.Pow(10, (*lex-s.LevelDB)/10))
}

// pa2hOf is the sound exposure in Pa²h of a daily exposure level (IEC 61252: E = p0² T 10^(L/10) with T = 8 h).
func pa2hOf(lex *float64) float64 {
	if lex == nil {
		return 0
	}
	return Share(refPressure * refPressure * referenceHours * math.Pow(10, *lex/10))
}

// LevelAtLimit is the steady level in dB that brings the dose of a limit in a shift of so many hours: what an action level of
// 85 dB over 8 h comes to over 10, 12 or 16 h (29 CFR 1910.95 App. A). ok is false for limits that are no dose.
func (p Profile) LevelAtLimit(l Limit, hours float64) (db float64, ok bool) {
	if p.Dose == nil || l.Quantity != DosePercent || !(hours > 0) {
		return 0, false
	}
	level := p.Dose.level(l.Value, hours)
	if level == nil {
		return 0, false
	}
	return *level, true
}

// addShift adds to a profile's result what depends on the length of the shift or on its own scale.
func (r *ProfileResult) addShift(p Profile, day float64) {
	if p.Points != nil {
		points, exposure := p.Points.points(r.LEX8hDB), pa2hOf(r.LEX8hDB)
		r.ExposurePoints, r.Pa2hShift = &points, &exposure
	}
	if len(p.Adders) > 0 {
		add := p.adder(day)
		r.ShiftAdderDB = &add
		if r.LEX8hDB != nil {
			r.LEX8hAdjustedDB = known(*r.LEX8hDB + add)
		}
	}
}

// WeeklyProfile is how one profile takes a weekly level. ConditionHeld is nil where the rule names no highest level, or knows
// no weekly level at all.
type WeeklyProfile struct {
	Profile        string   `json:"profile"`
	Edition        string   `json:"edition"`
	Version        int      `json:"version"`
	WeeklyAllowed  bool     `json:"weekly_allowed"` // on the condition; never without it
	Condition      string   `json:"condition"`
	ConditionMaxDB *float64 `json:"condition_max_db"`
	ConditionHeld  *bool    `json:"condition_level_held"` // the weekly level is not above ConditionMaxDB
	ExposurePoints *float64 `json:"exposure_points,omitzero"`
	Source         Source   `json:"source,omitzero"`
}

// WeeklyResult is a weekly exposure level with what the profiles say of it.
type WeeklyResult struct {
	Engine   string          `json:"engine"`
	Days     int             `json:"days"`
	LEXWeek  float64         `json:"lex_week_db"`
	Pa2h     float64         `json:"pa2h"` // of the whole week
	Profiles []WeeklyProfile `json:"profiles,omitzero"`
	Advice   []Advice        `json:"advice"`
}

// ComputeWeek makes the weekly level (WeeklyLevel), and tells for each profile on what condition it may stand for the daily
// one. Faults have the code exposure-input.
func ComputeWeek(daysLEX8hDB []float64, profiles []Profile) (WeeklyResult, error) {
	lex, err := WeeklyLevel(daysLEX8hDB)
	if err != nil {
		return WeeklyResult{}, err
	}
	r := WeeklyResult{Engine: EngineVersion, Days: len(daysLEX8hDB), LEXWeek: lex, Pa2h: Share(5 * pa2hOf(&lex))}
	for _, p := range profiles {
		w := WeeklyProfile{Profile: p.ID, Edition: p.Edition, Version: p.Version,
			Condition: fmt.Sprintf("%s knows no weekly level: each day is set against its limits.", p.Edition)}
		if rule := p.Weekly; rule != nil {
			w.WeeklyAllowed, w.Condition, w.ConditionMaxDB, w.Source = true, rule.Text, rule.MaxDB, rule.Source
			if rule.MaxDB != nil {
				held := lex <= Level(*rule.MaxDB)
				w.ConditionHeld = &held
			}
		}
		if p.Points != nil {
			points := Share(5 * p.Points.points(&lex))
			w.ExposurePoints = &points
		}
		r.Profiles = append(r.Profiles, w)
	}
	r.Advice = []Advice{{
		Code: "where_a_week_may_stand",
		Text: "A weekly level may replace the daily one only where exposure varies markedly from day to day, monitoring shows it not above 87 dB, and national rules allow it (Directive 2003/10/EC, Art. 3(3)).",
	}}
	return r, nil
}
