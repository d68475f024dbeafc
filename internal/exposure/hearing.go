package exposure

import (
	"fmt"
	"math"
	"slices"
)

// HearingCaution stands with every computed risk of hearing loss.
const HearingCaution = "A figure for large groups of people, never for one person: ISO 1999 predicts neither an individual's hearing nor whose loss comes from noise. It speaks of the permanent shift by noise alone; age and disease come on top."

// HearingRisk asks for the noise-induced permanent threshold shift of a population (ISO 1999:2013). FractionWorseOff is the
// share of people with an equal or larger shift: 0.5 is the median, 0.1 the worst tenth. AgeDB, when known, is the threshold
// that goes with age at the same fractile, from a database of people not exposed to noise.
type HearingRisk struct {
	LEX8hDB          float64
	Years            float64
	FrequencyHz      float64
	FractionWorseOff float64
	AgeDB            *float64
}

// HearingResult is the shift in dB, unrounded; ISO 1999 rounds to whole dB.
type HearingResult struct {
	Engine           string        `json:"engine"`
	Edition          string        `json:"edition"`
	LEX8hDB          float64       `json:"lex_8h_db"`
	Years            float64       `json:"years"`
	FrequencyHz      float64       `json:"frequency_hz"`
	FractionWorseOff float64       `json:"fraction_worse_off"`
	NIPTSDB          float64       `json:"nipts_db"`        // by noise alone, without the part that goes with age
	NIPTSMedianDB    float64       `json:"nipts_median_db"` // of the median
	WithAge          *HearingWhole `json:"with_age,omitzero"`
	Component        string        `json:"component"`
	Caution          string        `json:"hearing_caution"`
	Advice           []Advice      `json:"advice"`
}

// HearingWhole joins noise and age: H' = H + N - H N / 120 (ISO 1999:2013, 6.1). CompressedNoiseDB is N - H N / 120, what
// noise adds on top of age; SumDB is H + N, which ISO 1999 takes below about 40 dB, where the last term hardly matters.
type HearingWhole struct {
	AgeDB             float64 `json:"age_db"`
	CompressedNoiseDB float64 `json:"compressed_noise_db"`
	ThresholdDB       float64 `json:"threshold_db"`
	SumDB             float64 `json:"sum_db"`
}

// hearingFrequency holds the coefficients of one frequency (ISO 1999:2013, Tables 1 to 3; entered from memory, and checked
// against values printed in Annexes C and D).
type hearingFrequency struct {
	hz, u, v, l0   float64
	xu, yu, xl, yl float64
}

var hearingFrequencies = [...]hearingFrequency{
	{500, -0.033, 0.110, 93, 0.044, 0.016, 0.033, 0.002},
	{1000, -0.020, 0.070, 89, 0.022, 0.016, 0.020, 0.000},
	{2000, -0.045, 0.066, 80, 0.031, -0.002, 0.016, 0.000},
	{3000, 0.012, 0.037, 77, 0.007, 0.016, 0.029, -0.010},
	{4000, 0.025, 0.025, 75, 0.005, 0.009, 0.016, -0.002},
	{6000, 0.019, 0.024, 77, 0.013, 0.008, 0.028, -0.007},
}

const (
	hearingEdition  = "ISO 1999:2013"
	hearingLowest   = 75.0 // dB, L_EX,8h; below it no frequency is affected
	hearingHighest  = 100.0
	hearingYears    = 40.0
	hearingFull     = 10.0 // years from which the formula holds
	hearingFractile = 0.05
)

// ComputeHearingRisk makes the noise-induced permanent threshold shift. Levels above 100 dB, more than 40 years and shares
// outside 0.05 to 0.95 are beyond the standard and give a fault of code exposure-input.
func ComputeHearingRisk(h HearingRisk) (HearingResult, error) {
	if where, what := h.trouble(); what != "" {
		return HearingResult{}, badInput("%s: %s", where, what)
	}
	r := HearingResult{Engine: EngineVersion, Edition: hearingEdition, LEX8hDB: h.LEX8hDB, Years: h.Years, FrequencyHz: h.FrequencyHz,
		FractionWorseOff: h.FractionWorseOff, Caution: HearingCaution, Advice: []Advice{},
		Component: "noise-induced part only; the part that goes with age is not in nipts_db"}
	f := hearingFrequencies[slices.IndexFunc(hearingFrequencies[:], func(f hearingFrequency) bool { return f.hz == h.FrequencyHz })]
	shift := f.shift(h.LEX8hDB, h.Years, h.FractionWorseOff)
	r.NIPTSDB, r.NIPTSMedianDB = Level(shift), Level(f.shift(h.LEX8hDB, h.Years, 0.5))
	if h.AgeDB != nil {
		compressed := shift - float64(*h.AgeDB*shift/120)
		r.WithAge = &HearingWhole{*h.AgeDB, Level(compressed), Level(*h.AgeDB + compressed), Level(*h.AgeDB + shift)}
	}
	if h.LEX8hDB < hearingLowest {
		r.Advice = append(r.Advice, Advice{Code: "below_range", Text: "ISO 1999:2013 begins at 75 dB, below which it knows no shift at any frequency."})
	}
	if h.Years < hearingFull {
		r.Advice = append(r.Advice, Advice{Code: "under_ten_years", Text: "Below 10 years the shift is the one of 10 years times lg(years + 1)/lg 11 (ISO 1999:2013, 6.3); the spread is taken the same way."})
	}
	return r, nil
}

// shift is the threshold shift of a fractile in dB, never below 0: N_0.50 = (u + v lg t)(L - L0)², more or less the spread
// (ISO 1999:2013, 6.3).
func (f hearingFrequency) shift(db, years, worse float64) float64 {
	if db <= f.l0 {
		return 0
	}
	lg := math.Log10(max(years, hearingFull))
	z := normal.Quantile(1 - worse)
	factor := f.u + float64(f.v*lg)
	if z >= 0 {
		factor += float64(z * (f.xu + float64(f.yu*lg)))
	} else {
		factor += float64(z * (f.xl + float64(f.yl*lg)))
	}
	n := max(0, factor*(db-f.l0)*(db-f.l0))
	if years < hearingFull {
		n *= math.Log10(years+1) / math.Log10(hearingFull+1)
	}
	return n
}

// trouble says which part of the question cannot be answered, as a path, and why.
func (h HearingRisk) trouble() (where, what string) {
	if text := levelTrouble(h.LEX8hDB); text != "" {
		return "lex_8h_db", text
	}
	switch {
	case h.LEX8hDB > hearingHighest:
		return "lex_8h_db", fmt.Sprintf("is %v dB; the data of ISO 1999:2013 end at %v dB", h.LEX8hDB, hearingHighest)
	case !(h.Years >= 0 && h.Years <= hearingYears):
		return "years", fmt.Sprintf("the exposure is 0 to %v years, where ISO 1999:2013 ends, not %v", hearingYears, h.Years)
	case !slices.ContainsFunc(hearingFrequencies[:], func(f hearingFrequency) bool { return f.hz == h.FrequencyHz }):
		return "frequency_hz", fmt.Sprintf("the frequency is 500, 1000, 2000, 3000, 4000 or 6000 Hz, not %v", h.FrequencyHz)
	case !(h.FractionWorseOff >= hearingFractile && h.FractionWorseOff <= 1-hearingFractile):
		return "fraction_worse_off", fmt.Sprintf("the share of people worse off is 0.05 to 0.95, where ISO 1999:2013 ends, not %v", h.FractionWorseOff)
	case h.AgeDB != nil && !(*h.AgeDB >= -20 && *h.AgeDB <= 120):
		return "age_db", fmt.Sprintf("the threshold that goes with age is -20 to 120 dB, not %v dB", *h.AgeDB)
	}
	return "", ""
}
