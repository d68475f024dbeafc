package exposure

import "github.com/go-json-experiment/json"

// Metrics is everything computed from one history or from stated levels. Levels are rounded to 1e-6 dB and doses to 1e-6
// of themselves (Level, Share); nil stands for "there is no such value". Its JSON form is fixed in order and is what results
// store.
type Metrics struct {
	Engine  string `json:"engine"`
	Edition string `json:"edition"`

	Quantity   Quantity   `json:"quantity,omitzero"` // absent for stated levels
	IntervalS  float64    `json:"interval_s,omitzero"`
	Instrument Instrument `json:"instrument"` // whose uncertainty WithinUncertainty uses

	LAeqDB        *float64 `json:"laeq_db"`   // over DurationHours
	LEX8hDB       *float64 `json:"lex_8h_db"` // L_Aeq + 10 lg(ShiftHours/8), over the measured time where no shift is known
	Pa2h          float64  `json:"pa2h"`      // over DurationHours
	PeakDB        *float64 `json:"peak_db"`
	PeakPa        *float64 `json:"peak_pa,omitzero"`
	PeakWeighting string   `json:"peak_weighting,omitzero"`
	MaxDB         *float64 `json:"max_db"` // highest level of a step
	L10DB         *float64 `json:"l10_db"`
	L50DB         *float64 `json:"l50_db"`
	L90DB         *float64 `json:"l90_db"`

	DurationHours     float64  `json:"duration_hours"` // what counts: measured, less removed, with not-exposed time
	ShiftHours        *float64 `json:"shift_hours"`
	RemovedSeconds    float64  `json:"removed_seconds"`
	NotExposedSeconds float64  `json:"not_exposed_seconds"`
	GapSeconds        float64  `json:"gap_seconds"` // not measured and not covered by an exclusion

	Exclusions []Exclusion     `json:"exclude"`
	Profiles   []ProfileResult `json:"profiles"`
	Flags      []Flag          `json:"flags"`
	Advice     []Advice        `json:"advice"`
}

// ProfileResult is what one profile makes of the levels. Doses, TWA and L_avg are nil for profiles without a dose, TWA and
// L_avg also at dose 0.
type ProfileResult struct {
	Profile              string    `json:"profile"`
	Edition              string    `json:"edition"`
	Version              int       `json:"version"`
	DosePercent          *float64  `json:"dose_percent"`           // of the measured time
	TWADB                *float64  `json:"twa_db"`                 // the level that gives the dose in the criterion duration
	LavgDB               *float64  `json:"lavg_db"`                // the level that gives the dose in the measured time
	ProjectedDosePercent *float64  `json:"projected_dose_percent"` // dose x criterion duration (8 h) / measured time
	DoseShiftPercent     *float64  `json:"dose_shift_percent"`     // dose x shift / measured time; verdicts use it
	TWAShiftDB           *float64  `json:"twa_shift_db"`
	LEX8hDB              *float64  `json:"lex_8h_db"`
	ShiftAdderDB         *float64  `json:"shift_adder_db,omitzero"` // for profiles that adjust long shifts
	LEX8hAdjustedDB      *float64  `json:"lex_8h_adjusted_db,omitzero"`
	ExposurePoints       *float64  `json:"exposure_points,omitzero"` // of the shift, for profiles that count points
	Pa2hShift            *float64  `json:"pa2h_shift,omitzero"`
	EstimateOnly         bool      `json:"estimate_only"` // the levels are not those the profile asks for
	Verdicts             []Verdict `json:"verdicts"`
}

// State is the outcome of comparing a value with a limit.
type State string

// The states of a verdict.
const (
	Met           State = "met"     // the limit is reached, by its comparison
	NotMet        State = "not_met" // it is not
	NotAssessable State = "not_assessable"
	EstimateOnly  State = "estimate_only" // the levels are not those the limit asks for; value and limit show which way it leans
)

// Verdict is one limit compared, at 1e-6. WithinUncertainty tells that the limit lies within the expanded uncertainty of
// instrument and microphone position alone around the value (ISO 9612:2009, Tables C.5 and C.6); sampling adds to it.
// LevelAtLimitDB is the steady level that brings the limit's dose in the shift (Profile.LevelAtLimit).
// For an at-ear limit without known protection the value is the open-ear one, which is then the most it can be.
type Verdict struct {
	ID                string     `json:"id"`
	Duty              string     `json:"duty"`
	Quantity          Measure    `json:"quantity"`
	Basis             Basis      `json:"basis"`
	Comparison        Comparison `json:"comparison"`
	Limit             float64    `json:"limit"`
	Value             *float64   `json:"value"`
	Unit              string     `json:"unit"`
	State             State      `json:"state"`
	WithinUncertainty bool       `json:"within_uncertainty"`
	LevelAtLimitDB    *float64   `json:"level_at_limit_db,omitzero"`
}

// Flag is something a person should look at, with the seconds it speaks of. FromS and ToS are given for one stretch.
type Flag struct {
	Code    string   `json:"code"`
	Text    string   `json:"text"`
	Profile string   `json:"profile,omitzero"`
	Seconds float64  `json:"seconds"`
	FromS   *float64 `json:"from_s,omitzero"`
	ToS     *float64 `json:"to_s,omitzero"`
}

// Advice says how to read a result or how to make it better.
type Advice struct {
	Code    string `json:"code"`
	Text    string `json:"text"`
	Task    string `json:"task,omitzero"`
	Profile string `json:"profile,omitzero"`
}

// Encode gives the JSON form that results store: the same bytes for the same metrics.
func (m Metrics) Encode() ([]byte, error) { return json.Marshal(m, json.Deterministic(true)) }

// DecodeMetrics reads what Encode gave. Keys of a newer engine are passed over.
func DecodeMetrics(data []byte) (Metrics, error) {
	var m Metrics
	err := json.Unmarshal(data, &m)
	return m, err
}
