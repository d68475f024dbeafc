package exposure

import (
	"fmt"
	"math"
	"slices"
)

// Protector is what is known of a hearing protector, as its maker or a measurement states it, in dB. Octave data are for 63
// Hz to 8 kHz, or from 125 Hz on when there are seven. PersonalDB is an attenuation measured on the wearer.
type Protector struct {
	SNR          *float64
	HML          *HML
	OctaveMeanDB []float64
	OctaveSDDB   []float64
	NRR          *float64
	PersonalDB   *float64
}

// HML are the high, middle and low attenuation values of ISO 4869-2 in dB.
type HML struct{ H, M, L float64 }

// DeratingOf tells what a derating takes its share of.
type DeratingOf string

// The ways of derating.
const (
	DerateAttenuation DeratingOf = "attenuation" // of what is taken off the level: (NRR - 7)/2 at 50 % (OSHA CPL 02-02-035)
	DerateRating      DeratingOf = "rating"      // of the rating printed on the label: NRR x 75 % - 7 (NIOSH 98-126)
)

// ProtectorUse is a protector, or a plug and a muff together, in a noise. Octave levels are unweighted, bands as above.
// The derating and the deduction lower what ratings from the laboratory promise; a personal attenuation is left as it is.
type ProtectorUse struct {
	LAeqDB          float64
	LCeqDB          *float64
	OctavesDB       []float64
	Device          Protector
	Second          *Protector
	DeratingPercent float64
	DeratingOf      DeratingOf // DerateAttenuation when empty
	DeductionDB     float64
	WornFraction    *float64 // of the time in noise; 1 when nil
	ActionLevelDB   float64  // national action level of the assessment; 85 when 0
	Performance     float64  // share of wearers protected at least so, %, for octave data; 84 when 0
}

// Band is the assessment of a level under the protector (EN 458; words from memory).
type Band string

// The bands, for an action level A: above A insufficient, above A - 5 acceptable, A - 10 to A - 5 good, A - 15 to A - 10
// acceptable again, below A - 15 too high an attenuation.
const (
	Insufficient Band = "insufficient"
	Acceptable   Band = "acceptable"
	Good         Band = "good"
	TooHigh      Band = "too_high"
)

// ProtectorLevel is one method's answer. EffectiveLevelDB counts the time without protector, WornLevelDB does not.
type ProtectorLevel struct {
	Method           string  `json:"method"`
	From             string  `json:"from"`           // the level the attenuation is taken off: laeq_db, lceq_db or octaves_db
	RatingDB         float64 `json:"rating_db"`      // for this noise, before derating
	AttenuationDB    float64 `json:"attenuation_db"` // taken off, after derating, deduction and a second device
	WornLevelDB      float64 `json:"worn_level_db"`
	EffectiveLevelDB float64 `json:"effective_level_db"`
	Band             Band    `json:"band"`
	Source           string  `json:"source"`
}

// ProtectorResult holds the A-weighted level under the protector by each method there are data for. BandMethod is the
// method whose band stands for the whole: the one with the most information on this wearer and this noise.
type ProtectorResult struct {
	Engine           string             `json:"engine"`
	ActionLevelDB    float64            `json:"action_level_db"`
	WornFraction     float64            `json:"worn_fraction"`
	DeratingPercent  float64            `json:"derating_percent"`
	DeratingOf       DeratingOf         `json:"derating_of"`
	DeductionDB      float64            `json:"deduction_db"`
	EffectiveLevelDB map[string]float64 `json:"effective_level_db"`
	Band             Band               `json:"band"`
	BandMethod       string             `json:"band_method"`
	Bands            map[string]Band    `json:"bands"`
	Methods          []ProtectorLevel   `json:"methods"`
	Advice           []Advice           `json:"advice"`
}

const (
	defaultAction      = 85.0 // dB; Directive 2003/10/EC, Art. 3(1)(b)
	defaultPerformance = 84.0 // %; ISO 4869-2: mean less one standard deviation
	nrrAWeighted       = 7.0  // dB; 29 CFR 1910.95 App. B: for A-weighted levels NRR - 7
	secondDevice       = 5.0  // dB; OSHA and MSHA practice for plug and muff together (from memory)
	dualLevel          = 105.0
)

// reading is what one method knows of a device in the noise, before derating.
type reading struct {
	method, from, source string
	level                float64 // dB, of the weighting the rating is taken off
	rating               float64
	offset               float64 // dB, taken off the rating where it is meant for C-weighted levels
	open                 float64 // dB(A) without protector
	own                  bool    // measured on the wearer: neither derated nor reduced
	dual                 float64 // dB, added for the second device
}

// ComputeProtector makes the levels under a protector. Faults have the code exposure-input.
func ComputeProtector(u ProtectorUse) (ProtectorResult, error) {
	u = u.settled()
	if where, what := u.trouble(); what != "" {
		return ProtectorResult{}, badInput("%s: %s", where, what)
	}
	r := ProtectorResult{Engine: EngineVersion, ActionLevelDB: u.ActionLevelDB, WornFraction: *u.WornFraction, DeratingPercent: u.DeratingPercent,
		DeratingOf: u.DeratingOf, DeductionDB: u.DeductionDB, EffectiveLevelDB: map[string]float64{}, Bands: map[string]Band{}, Advice: []Advice{}}
	u.LCeqDB = r.fillLC(u)
	list := u.Device.readings(u)
	if u.Second != nil {
		list = r.together(list, u.Second.readings(u))
	}
	if len(list) == 0 {
		return ProtectorResult{}, badInput("%s", u.missing())
	}
	for _, x := range list {
		level := u.under(x)
		r.Methods = append(r.Methods, level)
		r.EffectiveLevelDB[level.Method], r.Bands[level.Method] = level.EffectiveLevelDB, level.Band
	}
	r.Band, r.BandMethod = r.Methods[0].Band, r.Methods[0].Method
	r.adviseProtector(u)
	return r, nil
}

func (u ProtectorUse) settled() ProtectorUse {
	if u.WornFraction == nil {
		always := 1.0
		u.WornFraction = &always
	}
	if u.ActionLevelDB == 0 {
		u.ActionLevelDB = defaultAction
	}
	if u.Performance == 0 {
		u.Performance = defaultPerformance
	}
	if u.DeratingOf == "" {
		u.DeratingOf = DerateAttenuation
	}
	return u
}

// fillLC takes the C-weighted level from all eight octaves where it was not measured.
func (r *ProtectorResult) fillLC(u ProtectorUse) *float64 {
	if u.LCeqDB != nil || len(u.OctavesDB) != len(octaveBands) {
		return u.LCeqDB
	}
	lc := weightedSum(u.OctavesDB, cWeights, nil) + u.LAeqDB - weightedSum(u.OctavesDB, aWeights, nil)
	r.advise("lceq_from_octaves", fmt.Sprintf("No C-weighted level was given: %.1f dB is taken from the octave levels.", lc))
	return &lc
}

// readings lists what a device's data give in this noise, most telling first: measured on the wearer, octave bands, HML, SNR
// (ISO 4869-2), NRR. Octave data without octave levels give the ratings of ISO 4869-2 themselves.
func (d Protector) readings(u ProtectorUse) []reading {
	var list []reading
	add := func(x reading) { list = append(list, x) }
	if d.PersonalDB != nil {
		add(reading{method: "personal", from: "laeq_db", source: "attenuation measured on the wearer, taken off the A-weighted level", level: u.LAeqDB, rating: *d.PersonalDB, open: u.LAeqDB, own: true})
	}
	hml, snr, derived := d.HML, d.SNR, ""
	if d.OctaveMeanDB != nil {
		assumed := d.assumed(u.Performance)
		if u.OctavesDB != nil {
			both := u.OctavesDB[max(0, len(u.OctavesDB)-len(assumed)):]
			open, under := weightedSum(both, aWeights, nil), weightedSum(both, aWeights, assumed)
			add(reading{method: "octave", from: "octaves_db", source: "ISO 4869-2, octave-band method", level: open, rating: open - under, open: open})
		} else {
			rated := rate(assumed)
			if hml == nil {
				hml, derived = &HML{rated.H, rated.M, rated.L}, ", from the octave data"
			}
			if snr == nil {
				snr, derived = &rated.SNR, ", from the octave data"
			}
		}
	}
	if hml != nil && u.LCeqDB != nil {
		add(reading{method: "hml", from: "laeq_db", source: "ISO 4869-2, HML method" + derived, level: u.LAeqDB, rating: hml.attenuation(*u.LCeqDB - u.LAeqDB), open: u.LAeqDB})
	}
	if snr != nil && u.LCeqDB != nil {
		add(reading{method: "snr", from: "lceq_db", source: "ISO 4869-2, SNR method" + derived, level: *u.LCeqDB, rating: *snr, open: u.LAeqDB})
	}
	if d.NRR != nil && u.LCeqDB != nil {
		add(reading{method: "nrr", from: "lceq_db", source: "29 CFR 1910.95 App. B: C-weighted level less NRR", level: *u.LCeqDB, rating: *d.NRR, open: u.LAeqDB})
	}
	if d.NRR != nil {
		method := "nrr"
		if u.LCeqDB != nil {
			method = "nrr_a"
		}
		add(reading{method: method, from: "laeq_db", source: "29 CFR 1910.95 App. B: A-weighted level less (NRR - 7)", level: u.LAeqDB, rating: *d.NRR, offset: nrrAWeighted, open: u.LAeqDB})
	}
	return list
}

// together joins plug and muff. For NRR the higher one counts, with 5 dB more; for other ratings no published rule holds, and
// the better device counts alone. What only the second device has data for comes last.
func (r *ProtectorResult) together(first, second []reading) []reading {
	list, alone := []reading{}, false
	for _, x := range first {
		for _, y := range second {
			if x.method == y.method && x.from == y.from && y.level-y.rating < x.level-x.rating {
				x = y
			}
		}
		list = append(list, x)
	}
	for _, y := range second {
		if !slices.ContainsFunc(first, func(x reading) bool { return x.method == y.method }) {
			list = append(list, y)
		}
	}
	for i, x := range list {
		if x.method != "nrr" && x.method != "nrr_a" {
			alone = true
			continue
		}
		has := func(readings []reading) bool {
			return slices.ContainsFunc(readings, func(y reading) bool { return y.method == x.method })
		}
		if has(first) && has(second) {
			list[i].dual = secondDevice
		}
		if list[i].dual == 0 {
			alone = true
		} else {
			list[i].source += "; plug and muff together: the higher of the two and 5 dB (OSHA and MSHA practice, from memory)"
		}
	}
	if alone {
		r.advise("second_device_not_added", "Where the two devices have no NRR each, one device counts alone, the better one where both have such data: the attenuation of a plug and a muff together is measured as one, not added.")
	}
	return list
}

// under is the level under the protector by one reading. The protector is never taken to make the level higher than it is
// without, and time without it counts by its energy.
func (u ProtectorUse) under(x reading) ProtectorLevel {
	kept := 1 - u.DeratingPercent/100
	attenuation := x.rating
	switch {
	case x.own:
	case u.DeratingOf == DerateRating:
		attenuation = float64(x.rating*kept) - x.offset - u.DeductionDB
	default:
		attenuation = float64((x.rating-x.offset)*kept) - u.DeductionDB
	}
	attenuation = max(0, attenuation+x.dual)
	worn := min(x.open, x.level-attenuation)
	share := *u.WornFraction
	effective := x.open + float64(10*math.Log10(float64(share*math.Pow(10, (worn-x.open)/10))+(1-share)))
	return ProtectorLevel{Method: x.method, From: x.from, RatingDB: Level(x.rating), AttenuationDB: Level(attenuation), WornLevelDB: Level(worn),
		EffectiveLevelDB: Level(effective), Band: bandOf(effective, u.ActionLevelDB), Source: x.source}
}

// bandOf is the band of a level under the protector, compared at 1e-6 dB.
func bandOf(level, action float64) Band {
	switch above := Level(level - action); {
	case above > 0:
		return Insufficient
	case above > -5:
		return Acceptable
	case above >= -10:
		return Good
	case above >= -15:
		return Acceptable
	}
	return TooHigh
}

func (r *ProtectorResult) advise(code, text string) {
	r.Advice = append(r.Advice, Advice{Code: code, Text: text})
}

func (r *ProtectorResult) adviseProtector(u ProtectorUse) {
	if u.LCeqDB == nil && (u.Device.SNR != nil || u.Device.HML != nil) {
		r.advise("needs_lceq", "SNR and HML need the C-weighted level: give lceq_db.")
	}
	if n := len(u.OctavesDB); n > 0 && u.Device.OctaveMeanDB != nil {
		if min(n, len(u.Device.OctaveMeanDB)) < len(octaveBands) {
			r.advise("without_63_hz", "The 63 Hz band is left out, for want of a level or an attenuation: in noise with strong low frequencies the level under the protector is higher.")
		}
		if sum := weightedSum(u.OctavesDB, aWeights, nil); math.Abs(sum-u.LAeqDB) > 1 {
			r.advise("octaves_disagree", fmt.Sprintf("The octave levels add up to %.1f dB(A), but laeq_db is %.1f dB: check that both are of the same noise.", sum, u.LAeqDB))
		}
	}
	if u.LCeqDB != nil && (Level(*u.LCeqDB-u.LAeqDB) < -2 || Level(*u.LCeqDB-u.LAeqDB) > 10) {
		r.advise("unusual_spectrum", "C- less A-weighted level lies outside -2 to 10 dB, where ISO 4869-2 made the HML and SNR methods: use octave bands.")
	}
	if share := *u.WornFraction; share < 1 {
		r.advise("partial_wearing", fmt.Sprintf("Worn %.4g %% of the time in noise. However good, a protector then takes off no more than %.1f dB.", 100*share, -10*math.Log10(1-share)))
	}
	if u.DeratingPercent == 0 && u.DeductionDB == 0 && u.Device.PersonalDB == nil {
		r.advise("laboratory_values", "Ratings are laboratory values, seldom reached in use. Programmes take off 50 % (OSHA CPL 02-02-035, when set against engineering controls), 25 to 70 % of an NRR by kind of device (NIOSH 98-126), 4 dB (HSE, from memory), or 3 to 9 dB by kind (DGUV Information 212-823).")
	}
	if Level(u.LAeqDB) > dualLevel && u.Second == nil {
		r.advise("dual_protection", "Above 105 dB(A) over 8 h, 30 CFR 62.140 asks for an ear plug and an ear muff together.")
	}
	switch r.Band {
	case Insufficient:
		r.advise("insufficient", "The level under the protector is above the action level: more attenuation, less noise or less time is needed.")
	case TooHigh:
		r.advise("over_protection", "The attenuation is higher than needed: speech and warning signals may go unheard, and the protector unworn (EN 458, from memory).")
	}
}

// missing says what would make a method possible.
func (u ProtectorUse) missing() string {
	if (u.Device.SNR != nil || u.Device.HML != nil || u.Device.OctaveMeanDB != nil) && u.LCeqDB == nil {
		return "its data need the C-weighted level or octave levels; give exposure/lceq_db or exposure/octaves_db"
	}
	return "no method can be computed; give snr, hml, octave_mean_db with octave_sd_db, nrr or personal_attenuation_db"
}
