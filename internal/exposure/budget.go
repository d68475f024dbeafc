package exposure

import (
	"fmt"
	"math"
)

// EditionNote tells how the formulas stand to the later edition.
const EditionNote = "Computed by ISO 9612:2009. The edition of 2025 words task and job plans anew, adds conditions for full-day measurements of homogeneous groups and an uncertainty over several nominal days; its numbers are not used here."

// FurtherTerms are uncertainties beyond those of ISO 9612:2009, whose instrument term already covers calibration and drift
// in normal use. They are off unless given, and shown when on.
type FurtherTerms struct {
	DriftDB       *float64 // change between the field checks, either sign
	CertificateDB *float64 // expanded uncertainty of the calibration certificate, k = 2
}

// FurtherTerm is one of them, as a standard uncertainty in dB.
type FurtherTerm struct {
	Name                string  `json:"name"`
	ValueDB             float64 `json:"value_db"`
	StandardUncertainty float64 `json:"standard_uncertainty_db"`
	Basis               string  `json:"basis"`
}

// list gives the terms that are on. The drift is taken as a rectangular distribution of that half-width (JCGM 100:2008,
// 4.3.7), the certificate's uncertainty is halved (4.3.3); that they belong in the budget is common practice, no source.
func (f FurtherTerms) list() []FurtherTerm {
	var terms []FurtherTerm
	if f.DriftDB != nil {
		terms = append(terms, FurtherTerm{"field_check_drift", *f.DriftDB, Level(math.Abs(*f.DriftDB) / math.Sqrt(3)), "rectangular, half-width the drift (JCGM 100:2008, 4.3.7)"})
	}
	if f.CertificateDB != nil {
		terms = append(terms, FurtherTerm{"certificate", *f.CertificateDB, Level(*f.CertificateDB / 2), "expanded uncertainty with k = 2 (JCGM 100:2008, 4.3.3)"})
	}
	return terms
}

// variance is what the terms add to the combined variance, in dB². They are of the instrument, and so common to all samples.
func variance(terms []FurtherTerm) float64 {
	sum := 0.0
	for _, t := range terms {
		sum += float64(t.StandardUncertainty * t.StandardUncertainty)
	}
	return sum
}

// furtherAdvice says that terms are on, or nothing.
func furtherAdvice(terms []FurtherTerm) []Advice {
	if len(terms) == 0 {
		return nil
	}
	return []Advice{{Code: "further_terms", Text: "The uncertainty holds terms beyond ISO 9612:2009, whose instrument term u2 already covers the usual drift and calibration: see further_terms."}}
}

// trouble says which term cannot be used, as a path, and why.
func (f FurtherTerms) trouble() (where, what string) {
	if f.DriftDB != nil && !(math.Abs(*f.DriftDB) <= 20) {
		return "further/drift_db", fmt.Sprintf("the drift lies between -20 and 20 dB, not %v dB", *f.DriftDB)
	}
	if f.CertificateDB != nil && !(*f.CertificateDB >= 0 && *f.CertificateDB <= 20) {
		return "further/certificate_expanded_uncertainty_db", fmt.Sprintf("the expanded uncertainty is 0 to 20 dB, not %v dB", *f.CertificateDB)
	}
	return "", ""
}
