package survey

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/ident"
)

// Result is a computed exposure of one worker-day. It is never changed: a later one names the one it replaces. Hash is the
// SHA-256 over the canonical JSON of everything else.
type Result struct {
	ID          ident.ID  `json:"id"`
	Number      int       `json:"number"` // counts from 1, shown as R-7
	Client      ident.ID  `json:"client"`
	Survey      ident.ID  `json:"survey"`
	Day         ident.ID  `json:"day"`
	Wear        ident.ID  `json:"wear"`
	Return      ident.ID  `json:"return"`
	Computed    time.Time `json:"computed"`
	By          string    `json:"by"`
	Replaces    ident.ID  `json:"replaces,omitzero"`
	ContentHash string    `json:"content_hash"` // of Content alone: equal content is computed once
	Content     Content   `json:"content"`
	Hash        string    `json:"-"`
}

// Content is what was computed, from what, and how.
type Content struct {
	Engine      string           `json:"engine"`
	Edition     string           `json:"edition"` // of the standard
	Method      string           `json:"method"`
	Subject     Subject          `json:"subject"`
	Inputs      Inputs           `json:"inputs"`
	Measured    exposure.Metrics `json:"measured"` // the wear alone
	Day         exposure.Metrics `json:"day"`      // the worker-day with its declared gaps; verdicts are of the day
	Drift       Drift            `json:"drift"`
	Uncertainty *Uncertainty     `json:"uncertainty"` // nil where ISO 9612 gives no result
	Assessments []Assessment     `json:"assessments"`
	Flags       []Flag           `json:"flags"`
	Evidence    []Evidence       `json:"evidence"`
}

// MethodOneWear names the way a day of one wear is computed.
const MethodOneWear = "worker-day of one wear, full-day measurement (ISO 9612:2009, clause 11)"

// Subject says whose exposure it is, without a name.
type Subject struct {
	Survey string     `json:"survey"` // short number
	Site   string     `json:"site"`
	Zone   string     `json:"zone"`
	Worker string     `json:"worker"` // pseudonym
	Group  string     `json:"group,omitempty"`
	Date   civil.Date `json:"date"`
}

// Inputs are the numbers the computation started from, beside the history that the evidence names.
type Inputs struct {
	ShiftHours    float64              `json:"shift_hours"`
	MeasuredHours float64              `json:"measured_hours"`
	Gaps          []GapInput           `json:"gaps"`
	Exclusions    []exposure.Exclusion `json:"exclusions"`
	ClockOffsetMS int64                `json:"clock_offset_ms"`
	Start         time.Time            `json:"start"` // true time of the first step
	StepSeconds   float64              `json:"step_s"`
	Count         int                  `json:"count"`
	Quantity      exposure.Quantity    `json:"quantity"`
}

// GapInput is a declared gap with its length in hours.
type GapInput struct {
	Kind    GapKind `json:"kind"`
	Hours   float64 `json:"hours"`
	LevelDB *DB     `json:"level_db,omitempty"`
}

// Uncertainty is the budget of ISO 9612:2009, Annex C, as far as one measured day has one: u1, the spread between days, is
// not known from a single day and not in it.
type Uncertainty struct {
	InstrumentDB float64  `json:"u2_db"`       // Table C.5
	PositionDB   float64  `json:"u3_db"`       // C.6
	StandardDB   float64  `json:"standard_db"` // combined
	ExpandedDB   float64  `json:"expanded_db"` // one-sided 95 %, coverage factor 1.65
	UpperDB      *float64 `json:"upper_db"`    // L_EX,8h plus ExpandedDB; nil when there is no level
}

// Assessment says whether the verdicts of a profile, or the ISO 9612 statement ("iso-9612"), may be read.
type Assessment struct {
	Profile    string     `json:"profile"`
	Assessable bool       `json:"assessable"`
	Because    []FlagCode `json:"because,omitempty"` // the flags that stand in the way
}

// Evidence is one record a result rests on, as it was when the result was computed.
type Evidence struct {
	Noun   string   `json:"noun"` // "return", "review", "wear", "worker-day", "check", "dosimeter", "calibrator", "certificate", "extension", "profile"
	ID     ident.ID `json:"id,omitzero"`
	Part   ident.ID `json:"part,omitzero"` // of certificates: the line that speaks of the unit
	Of     ident.ID `json:"of,omitzero"`   // of certificates and extensions: the unit
	Label  string   `json:"label"`
	Detail string   `json:"detail"`
	File   string   `json:"file,omitempty"` // of certificates: SHA-256 of the archived original
	Hash   string   `json:"hash"`           // SHA-256, hex: of the original for a return, else of the record's canonical form
}

// The nouns of evidence.
const (
	NounReturn      = "return"
	NounReview      = "review"
	NounWear        = "wear"
	NounDay         = "worker-day"
	NounCheck       = "check"
	NounDosimeter   = "dosimeter"
	NounCalibrator  = "calibrator"
	NounCertificate = "certificate"
	NounExtension   = "extension"
	NounProfile     = "profile"
)

// Label is what people call the result.
func (r Result) Label() string { return ResultLabel(r.Number) }

// Assessable reports whether the verdicts of the profile may be read.
func (c Content) Assessable(profile string) bool {
	for _, a := range c.Assessments {
		if a.Profile == profile {
			return a.Assessable
		}
	}
	return false
}

// Seal fills both hashes and gives the canonical document that is stored.
func (r *Result) Seal() ([]byte, error) {
	var err error
	if r.ContentHash, err = HashOf(r.Content); err != nil {
		return nil, err
	}
	document, err := Canonical(r)
	if err != nil {
		return nil, err
	}
	r.Hash = sumOf(document)
	return document, nil
}
