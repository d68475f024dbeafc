package exposure

import (
	_ "embed"
	"slices"
	"strings"
	"sync"

	"kitd/internal/fault"
)

// Measure names the quantity a limit speaks of.
type Measure string

// The quantities that limits compare.
const (
	DosePercent   Measure = "dose_percent"       // dose, %
	LEX8h         Measure = "lex_8h_db"          // daily exposure level, dB
	LEX8hAdjusted Measure = "lex_8h_adjusted_db" // daily exposure level with the adder for long shifts, dB
	PeakDB        Measure = "peak_db"            // peak level, dB
	PeakPa        Measure = "peak_pa"            // peak pressure, Pa
	LevelMax      Measure = "level_max_db"       // highest slow-weighted level, dB
)

// Basis tells whether hearing protectors count.
type Basis string

// The bases of a limit.
const (
	OpenEar Basis = "open_ear" // as measured, protectors ignored
	AtEar   Basis = "at_ear"   // under the protectors, if any are worn
)

// Comparison tells when a limit is reached.
type Comparison string

// The comparisons of a limit.
const (
	AtOrAbove Comparison = "ge"
	Above     Comparison = "gt"
)

// Source is where a value comes from.
type Source struct {
	Clause string `json:"clause"`
	Memory bool   `json:"from_memory,omitzero"` // the wording was not at hand when the value was entered
}

// Criterion is how a profile turns levels into a dose: 100 % is CriterionHours at CriterionDB, each ExchangeDB doubles it,
// levels below ThresholdDB add nothing. A level equal to the threshold counts. A nil threshold means none.
type Criterion struct {
	CriterionDB    float64  `json:"criterion_db"`
	CriterionHours float64  `json:"criterion_hours"`
	ExchangeDB     float64  `json:"exchange_db"`
	ThresholdDB    *float64 `json:"threshold_db"`
	Source         Source   `json:"source"`
}

// Range is the smallest range of levels a measurement has to integrate, in dB. Levels outside it count all the same and
// are flagged.
type Range struct {
	FromDB float64 `json:"from_db"`
	ToDB   float64 `json:"to_db"`
	Source Source  `json:"source"`
}

// DriftLimit is the largest change, in dB, between the field checks before and after that a profile accepts.
type DriftLimit struct {
	DB     float64 `json:"db"`
	Source Source  `json:"source"`
}

// Limit is one threshold of a profile for one kind of duty; the same value may stand twice with different comparisons.
type Limit struct {
	ID            string     `json:"id"`
	Duty          string     `json:"duty"`
	Quantity      Measure    `json:"quantity"`
	Basis         Basis      `json:"basis"`
	Comparison    Comparison `json:"comparison"`
	Value         float64    `json:"value"`
	Unit          string     `json:"unit"`
	PeakWeighting string     `json:"peak_weighting,omitzero"` // "C", or "any" where the clause names none
	Source        Source     `json:"source"`
}

// Remark is advice that a profile gives when the working time is above Hours, or reaches it, by Comparison.
type Remark struct {
	Code       string     `json:"code"`
	Hours      float64    `json:"hours"`
	Comparison Comparison `json:"comparison"`
	Text       string     `json:"text"`
	Source     Source     `json:"source"`
}

// Profile is a regulation as data: how to weigh levels and which values matter. It is a default that local law may set
// differently; a changed profile gets a new Version.
type Profile struct {
	ID          string       `json:"id"`
	Name        string       `json:"name"`
	Edition     string       `json:"edition"`
	Version     int          `json:"version"`
	Weighting   string       `json:"weighting"` // frequency weighting of the levels, "A"
	Response    string       `json:"response"`  // "slow", or "none" for equivalent levels
	Dose        *Criterion   `json:"dose"`
	Integration *Range       `json:"integration"`
	Drift       *DriftLimit  `json:"drift"`
	Limits      []Limit      `json:"limits"`
	Remarks     []Remark     `json:"remarks"`
	Points      *PointScale  `json:"points"`
	Weekly      *WeeklyRule  `json:"weekly"`
	Adders      []ShiftAdder `json:"adders"`
}

//go:embed profiles.json
var builtIn []byte

var readBuiltIn = sync.OnceValues(func() ([]Profile, error) { return ReadProfiles(builtIn) })

// Profiles gives a fresh copy of the built-in profiles, in a fixed order.
func Profiles() []Profile {
	all, err := readBuiltIn()
	if err != nil {
		panic("exposure: built-in profiles: " + err.Error()) // covered by a test: the data are part of the program
	}
	copies := make([]Profile, len(all))
	for i, p := range all {
		copies[i] = p.clone()
	}
	return copies
}

// ProfileIDs lists the identifiers of the built-in profiles in order.
func ProfileIDs() []string {
	all := Profiles()
	ids := make([]string, len(all))
	for i, p := range all {
		ids[i] = p.ID
	}
	return ids
}

// ProfileByID finds a built-in profile. The fault names those there are.
func ProfileByID(id string) (Profile, error) {
	return pick(Profiles(), id)
}

func pick(from []Profile, id string) (Profile, error) {
	ids := make([]string, len(from))
	for i, p := range from {
		if p.ID == id {
			return p, nil
		}
		ids[i] = p.ID
	}
	return Profile{}, fault.New(fault.ExposureProfile, "profile", id, "profiles", strings.Join(ids, ", "))
}

func (p Profile) clone() Profile {
	if p.Dose != nil {
		d := *p.Dose
		if d.ThresholdDB != nil {
			t := *d.ThresholdDB
			d.ThresholdDB = &t
		}
		p.Dose = &d
	}
	if p.Integration != nil {
		r := *p.Integration
		p.Integration = &r
	}
	if p.Drift != nil {
		d := *p.Drift
		p.Drift = &d
	}
	if p.Points != nil {
		s := *p.Points
		p.Points = &s
	}
	if p.Weekly != nil {
		w := *p.Weekly
		if w.MaxDB != nil {
			m := *w.MaxDB
			w.MaxDB = &m
		}
		p.Weekly = &w
	}
	p.Adders = slices.Clone(p.Adders)
	p.Limits = slices.Clone(p.Limits)
	p.Remarks = slices.Clone(p.Remarks)
	return p
}
