package fleet

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// Laboratory calibrates units. DueRule says how the owner counts due dates for its certificates.
type Laboratory struct {
	ID            ident.ID `json:"id"`
	Name          string   `json:"name"`
	Accreditation string   `json:"accreditation"` // number, empty when none
	DueRule       DueRule  `json:"due_rule"`
	Version       int      `json:"version"`
}

// DueRule counts a due date from a calibration date.
type DueRule string

// The rules. Under Anniversary the last covered day is the day before the same day after the interval; under MonthEnd the last
// day of that month.
const (
	Anniversary DueRule = "anniversary"
	MonthEnd    DueRule = "month end"
)

// Certificate is one document of a laboratory; it may cover many units.
type Certificate struct {
	ID         ident.ID   `json:"id"`
	Number     string     `json:"number"`
	Laboratory ident.ID   `json:"laboratory"`
	Calibrated civil.Date `json:"calibrated"` // the day due dates count from
	Issued     civil.Date `json:"issued"`
	File       string     `json:"file,omitempty"` // SHA-256 of the archived original, hex; empty when only the entries are kept
	Entered    time.Time  `json:"entered"`
	By         string     `json:"by"`
	Note       string     `json:"note,omitempty"`
	Supersedes ident.ID   `json:"supersedes,omitzero"` // the wrong entry this one corrects; both stay
	Superseded time.Time  `json:"superseded,omitzero"` // when a correction of this entry was entered; zero: it stands
	Lines      []Line     `json:"lines"`
}

// Line is what a certificate says of one unit.
type Line struct {
	ID          ident.ID   `json:"id"`
	Certificate ident.ID   `json:"certificate"`
	Unit        ident.ID   `json:"unit"`
	Verdict     LabVerdict `json:"verdict"`
	AsFoundDB   *float64   `json:"as_found_db,omitempty"` // deviation in dB, nil: not stated, which counts as unknown
	AsLeftDB    *float64   `json:"as_left_db,omitempty"`
	LevelDB     *float64   `json:"level_db,omitempty"`      // calibrators: the certified level in dB
	ExpandedDB  *float64   `json:"expanded_u_db,omitempty"` // expanded uncertainty in dB
	CoverageK   float64    `json:"coverage_k,omitempty"`    // its coverage factor, 2 when not stated
	Microphone  string     `json:"microphone,omitempty"`    // serial calibrated with
	Due         civil.Date `json:"due"`                     // last covered day: the owner's decision, counted when entered
	Number      string     `json:"certificate_number"`      // of the certificate, for reasons and chains
	Calibrated  civil.Date `json:"certificate_calibrated"`  // of the certificate
	Entered     time.Time  `json:"certificate_entered"`     // of the certificate
	LabName     string     `json:"certificate_laboratory"`  // of the certificate
	Superseded  time.Time  `json:"superseded,omitzero"`     // of the certificate: from then on the line counts no more
}

// LabVerdict is the laboratory's statement of conformity.
type LabVerdict string

// The verdicts. Only Pass covers a unit.
const (
	Pass      LabVerdict = "pass"
	Fail      LabVerdict = "fail"
	NotStated LabVerdict = "not stated"
)
