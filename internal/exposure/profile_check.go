package exposure

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/go-json-experiment/json"

	"kitd/internal/fault"
)

// ReadProfiles reads a JSON list of profiles, strictly, and checks each. Faults have the code exposure-profiles and carry
// the JSON pointer (RFC 6901) of the place in Fields.
func ReadProfiles(data []byte) ([]Profile, error) {
	var list []Profile
	if err := json.Unmarshal(data, &list, json.RejectUnknownMembers(true)); err != nil {
		return nil, profilesFault(jsonFault(err))
	}
	for i, p := range list {
		if where, what := p.trouble(); what != "" {
			return nil, listFault(fmt.Sprintf("/%d/%s", i, where), what)
		}
		if slices.ContainsFunc(list[:i], func(q Profile) bool { return q.ID == p.ID }) {
			return nil, listFault(fmt.Sprintf("/%d/id", i), fmt.Sprintf("the id %q is already in use; each profile has its own", p.ID))
		}
	}
	return list, nil
}

// WithProfiles puts profiles of one's own behind the built-in ones. An id that a built-in profile has is a fault of code
// exposure-profiles: a built-in profile is never replaced unseen.
func WithProfiles(own []Profile) ([]Profile, error) {
	all := Profiles()
	for i, p := range own {
		if where, what := p.trouble(); what != "" {
			return nil, listFault(fmt.Sprintf("/%d/%s", i, where), what)
		}
		if slices.ContainsFunc(all, func(q Profile) bool { return q.ID == p.ID }) {
			return nil, listFault(fmt.Sprintf("/%d/id", i), fmt.Sprintf("the id %q is already in use; choose another", p.ID))
		}
		all = append(all, p.clone())
	}
	return all, nil
}

func listFault(where, what string) error {
	return fault.New(fault.ExposureProfiles, "where", where, "what", what).At(where, what)
}

// profilesFault turns a fault of reading a document into one of reading profiles.
func profilesFault(err error) error {
	var f *fault.Error
	if errors.As(err, &f) && len(f.Fields) == 1 {
		return listFault(f.Fields[0].Path, f.Fields[0].Text)
	}
	return fault.New(fault.ExposureProfiles, "where", "the top level", "what", "it cannot be read as a JSON list of profiles").
		At("the top level", "give a JSON list of profiles").Because(err)
}

// Check reports the first thing that makes a profile unusable, as a fault of code exposure-profiles whose place is a JSON
// pointer below the profile.
func (p Profile) Check() error {
	if where, what := p.trouble(); what != "" {
		return listFault("/"+where, what)
	}
	return nil
}

// trouble says which part of a profile cannot be used, as a path below it, and why.
func (p Profile) trouble() (where, what string) {
	switch {
	case p.ID == "":
		return "id", "a profile needs an id"
	case p.Edition == "":
		return "edition", "a profile needs the edition of the rule it follows"
	case p.Version < 1:
		return "version", "a profile needs a version of at least 1"
	case p.Weighting != "A":
		return "weighting", fmt.Sprintf("only A-weighted levels can be computed, not %q", p.Weighting)
	case p.Response != "slow" && p.Response != "none":
		return "response", fmt.Sprintf("the response is slow or none, not %q", p.Response)
	}
	if p.Dose != nil {
		if where, what := p.Dose.trouble(); what != "" {
			return "dose/" + where, what
		}
	}
	for i, l := range p.Limits {
		if where, what := l.trouble(p); what != "" {
			return fmt.Sprintf("limits/%d/%s", i, where), what
		}
		if slices.ContainsFunc(p.Limits[:i], func(q Limit) bool { return q.ID == l.ID }) {
			return fmt.Sprintf("limits/%d/id", i), fmt.Sprintf("the id %q stands here twice", l.ID)
		}
	}
	for i, r := range p.Remarks {
		if where, what := r.trouble(); what != "" {
			return fmt.Sprintf("remarks/%d/%s", i, where), what
		}
	}
	return p.rangesTrouble()
}

func (p Profile) rangesTrouble() (where, what string) {
	switch r, d := p.Integration, p.Drift; {
	case r != nil && !(r.FromDB >= 0 && r.FromDB <= maxLevel):
		return "integration/from_db", fmt.Sprintf("the lowest level lies between 0 and %d dB", maxLevel)
	case r != nil && !(r.ToDB > r.FromDB && r.ToDB <= maxLevel):
		return "integration/to_db", fmt.Sprintf("the highest level lies above the lowest and at most at %d dB", maxLevel)
	case d != nil && !(d.DB > 0 && d.DB <= 20):
		return "drift/db", "the largest drift is above 0 and at most 20 dB"
	}
	if p.Points != nil && !(p.Points.LevelDB > 0 && p.Points.LevelDB <= maxLevel) {
		return "points/level_db", fmt.Sprintf("the level is above 0 and at most %d dB", maxLevel)
	}
	if p.Points != nil && !(p.Points.Points > 0 && p.Points.Points <= 1e6) {
		return "points/points", "the points at the level are above 0 and at most 1000000"
	}
	if w := p.Weekly; w != nil {
		switch {
		case w.Text == "":
			return "weekly/text", "the condition needs its words"
		case w.MaxDB != nil && !(*w.MaxDB > 0 && *w.MaxDB <= maxLevel):
			return "weekly/max_db", fmt.Sprintf("the highest weekly level is above 0 and at most %d dB", maxLevel)
		}
	}
	for i, a := range p.Adders {
		switch {
		case !(a.FromHours > 0 && a.FromHours <= 24) || i > 0 && a.FromHours <= p.Adders[i-1].FromHours:
			return fmt.Sprintf("adders/%d/from_hours", i), "the shift is above 0 and at most 24 h, and longer than in the adder before"
		case !(a.AddDB >= 0 && a.AddDB <= 20):
			return fmt.Sprintf("adders/%d/add_db", i), "what is added is 0 to 20 dB"
		}
	}
	return "", ""
}

func (d Criterion) trouble() (where, what string) {
	switch {
	case !(d.CriterionDB > 0 && d.CriterionDB <= maxLevel):
		return "criterion_db", fmt.Sprintf("the criterion level is above 0 and at most %d dB", maxLevel)
	case !(d.CriterionHours > 0 && d.CriterionHours <= 24):
		return "criterion_hours", "the criterion duration is above 0 and at most 24 h"
	case !(d.ExchangeDB >= 1 && d.ExchangeDB <= 20):
		return "exchange_db", "the exchange rate is 1 to 20 dB"
	case d.ThresholdDB != nil && !(*d.ThresholdDB >= 0 && *d.ThresholdDB <= maxLevel):
		return "threshold_db", fmt.Sprintf("the threshold is 0 to %d dB", maxLevel)
	}
	return "", ""
}

func (l Limit) trouble(p Profile) (where, what string) {
	units := map[Measure]string{DosePercent: "%", LEX8h: "dB", LEX8hAdjusted: "dB", PeakDB: "dB", PeakPa: "Pa", LevelMax: "dB"}
	peak := l.Quantity == PeakDB || l.Quantity == PeakPa
	switch {
	case l.ID == "":
		return "id", "a limit needs an id"
	case l.Source.Clause == "":
		return "source/clause", "a limit needs the clause it comes from"
	case units[l.Quantity] == "":
		return "quantity", fmt.Sprintf("the quantity is dose_percent, lex_8h_db, lex_8h_adjusted_db, peak_db, peak_pa or level_max_db, not %q", l.Quantity)
	case units[l.Quantity] != l.Unit:
		return "unit", fmt.Sprintf("the unit %q does not fit the quantity %q", l.Unit, l.Quantity)
	case l.Quantity == DosePercent && p.Dose == nil:
		return "quantity", "a dose limit needs a dose criterion"
	case l.Quantity == LEX8hAdjusted && len(p.Adders) == 0:
		return "quantity", "a limit for the adjusted level needs adders"
	case l.Basis != OpenEar && l.Basis != AtEar:
		return "basis", fmt.Sprintf("the basis is open_ear or at_ear, not %q", l.Basis)
	case l.Comparison != AtOrAbove && l.Comparison != Above:
		return "comparison", fmt.Sprintf("the comparison is ge or gt, not %q", l.Comparison)
	case !(l.Value > 0) || math.IsInf(l.Value, 0):
		return "value", "the value is above 0"
	case peak && l.PeakWeighting != "C" && l.PeakWeighting != "any":
		return "peak_weighting", "a peak limit needs the peak weighting C or any"
	}
	return "", ""
}

func (r Remark) trouble() (where, what string) {
	switch {
	case r.Code == "":
		return "code", "a remark needs a code"
	case r.Text == "":
		return "text", "a remark needs its words"
	case !(r.Hours >= 0 && r.Hours <= 24):
		return "hours", "the working time is 0 to 24 h"
	case r.Comparison != AtOrAbove && r.Comparison != Above:
		return "comparison", fmt.Sprintf("the comparison is ge or gt, not %q", r.Comparison)
	}
	return "", ""
}
