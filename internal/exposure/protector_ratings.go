package exposure

import (
	"fmt"
	"math"
)

// octaveBands are the midband frequencies of octave data in Hz; lists of seven leave 63 Hz out.
var octaveBands = [...]float64{63, 125, 250, 500, 1000, 2000, 4000, 8000}

// Weightings at the octave bands, dB (IEC 61672-1, Table 3).
var (
	aWeights = [...]float64{-26.2, -16.1, -8.6, -3.2, 0, 1.2, 1.0, -1.1}
	cWeights = [...]float64{-0.8, -0.2, 0, 0, 0, -0.2, -0.8, -3.0}
)

// performances are the factors of the standard deviation for the share of wearers, in %, that is protected at least so (ISO
// 4869-2, Table 1; from memory).
var performances = map[float64]float64{75: 0.67, 80: 0.84, 84: 1.00, 90: 1.28, 95: 1.64, 98: 2.05}

// referenceNoises are the eight A-weighted spectra of the HML method, 63 Hz to 8 kHz, each 100 dB(A), with their constants d
// (ISO 4869-2, Table 2; entered from memory, and checked by the worked example of Annex A).
var referenceNoises = [...]struct {
	d  float64
	db [8]float64
}{
	{-1.2, [8]float64{51.4, 62.6, 70.8, 81.0, 90.4, 96.2, 94.7, 92.3}},
	{-0.49, [8]float64{59.5, 68.9, 78.3, 84.3, 92.8, 96.3, 94.0, 90.0}},
	{0.14, [8]float64{59.8, 71.1, 80.8, 88.0, 95.0, 94.4, 94.1, 89.0}},
	{1.56, [8]float64{65.4, 77.2, 84.5, 89.8, 95.5, 94.3, 92.5, 88.8}},
	{-2.98, [8]float64{65.3, 77.4, 86.5, 92.5, 96.4, 93.0, 90.4, 83.7}},
	{-1.01, [8]float64{70.7, 82.0, 89.3, 93.3, 95.6, 93.0, 90.1, 83.0}},
	{0.85, [8]float64{75.6, 84.2, 90.1, 93.6, 96.2, 91.3, 87.9, 81.9}},
	{3.14, [8]float64{77.6, 88.0, 93.4, 93.8, 94.2, 91.4, 87.9, 79.9}},
}

// pinkNoise is the A-weighted spectrum of the SNR method, 125 Hz to 8 kHz, with the octave level rounded to 92.0 dB as the
// worked example of ISO 4869-2, Annex A takes it; its C-weighted level is 100 dB.
var pinkNoise = [7]float64{75.9, 83.4, 88.8, 92.0, 93.2, 93.0, 90.9}

// Ratings are the single numbers of a protector by ISO 4869-2, unrounded dB.
type Ratings struct{ H, M, L, SNR float64 }

// rate makes the ratings of an attenuation by octaves, of seven or eight bands. The 63 Hz band is not used: the worked
// example of ISO 4869-2, Annex A reproduces only without it.
func rate(attenuation []float64) Ratings {
	from125 := attenuation[len(attenuation)-7:]
	under := func(spectrum []float64) float64 {
		sum := 0.0
		for i, db := range spectrum {
			sum += math.Pow(10, (db-from125[i])/10)
		}
		return 100 - float64(10*math.Log10(sum))
	}
	var r Ratings
	for i, noise := range referenceNoises {
		pnr := under(noise.db[1:])
		if i < 4 {
			r.H += float64(pnr*0.25) - float64(0.48*noise.d*pnr)
			continue
		}
		r.M += float64(pnr*0.25) - float64(0.16*noise.d*pnr)
		r.L += float64(pnr*0.25) + float64(0.23*noise.d*pnr)
	}
	r.SNR = under(pinkNoise[:])
	return r
}

// RateSubjects makes the ratings of a protector from the attenuation measured on each subject, 63 Hz or 125 Hz to 8 kHz: the
// mean of the subjects' ratings less one standard deviation (ISO 4869-2:2018; 84 % of wearers are protected at least so).
// The values are unrounded; labels give whole dB. Faults have the code exposure-input.
func RateSubjects(subjects [][]float64) (Ratings, error) {
	if len(subjects) < 2 {
		return Ratings{}, badInput("ratings need at least two subjects, not %d", len(subjects))
	}
	var h, m, l, snr []float64
	for i, attenuation := range subjects {
		if where, what := attenuationTrouble(fmt.Sprintf("subject %d", i), attenuation); what != "" {
			return Ratings{}, badInput("%s: %s", where, what)
		}
		r := rate(attenuation)
		h, m, l, snr = append(h, r.H), append(m, r.M), append(l, r.L), append(snr, r.SNR)
	}
	low := func(x []float64) float64 { return mean(x) - deviation(x) }
	return Ratings{low(h), low(m), low(l), low(snr)}, nil
}

// RateNRR is the noise reduction rating of 40 CFR 211.207, unrounded, from the mean attenuation and twice its standard
// deviation at 125 Hz to 8 kHz. A label gives whole dB; .5 goes to the lower.
func RateNRR(meanDB, twoSDDB [7]float64) float64 {
	under := make([]float64, 7)
	flat := make([]float64, 7)
	for i := range under {
		flat[i], under[i] = 100, meanDB[i]-twoSDDB[i]
	}
	return weightedSum(flat, cWeights, nil) - weightedSum(flat, aWeights, under) - 3
}

// attenuation is the predicted noise reduction of the HML method for C- less A-weighted level d (ISO 4869-2, clause 7).
func (v HML) attenuation(d float64) float64 {
	if d <= 2 {
		return v.M - float64((v.H-v.M)/4*(d-2))
	}
	return v.M - float64((v.M-v.L)/8*(d-2))
}

// assumed is the assumed protection by octaves: mean less the share's factor times the standard deviation (ISO 4869-2,
// clause 5).
func (d Protector) assumed(performance float64) []float64 {
	alpha := performances[performance]
	apv := make([]float64, len(d.OctaveMeanDB))
	for i, m := range d.OctaveMeanDB {
		apv[i] = m - float64(alpha*d.OctaveSDDB[i])
	}
	return apv
}

// weightedSum adds octave levels with a weighting, less an attenuation when there is one. Lists of seven begin at 125 Hz;
// bands that only one list has are left out.
func weightedSum(db []float64, weights [8]float64, attenuation []float64) float64 {
	n := len(db)
	if len(attenuation) > 0 {
		n = min(n, len(attenuation))
	}
	sum := 0.0
	for i := 1; i <= n; i++ { // from the highest band down
		level := db[len(db)-i] + weights[len(weights)-i]
		if len(attenuation) > 0 {
			level -= attenuation[len(attenuation)-i]
		}
		sum += math.Pow(10, level/10)
	}
	return 10 * math.Log10(sum)
}

// trouble says which part of the question cannot be answered, as a path, and why.
func (u ProtectorUse) trouble() (where, what string) {
	if text := levelTrouble(u.LAeqDB); text != "" {
		return "exposure/laeq_db", text
	}
	if u.LCeqDB != nil {
		if text := levelTrouble(*u.LCeqDB); text != "" {
			return "exposure/lceq_db", text
		}
	}
	if u.OctavesDB != nil {
		if where, what := bandsTrouble("exposure/octaves_db", u.OctavesDB, levelTrouble); what != "" {
			return where, what
		}
	}
	if where, what := u.Device.trouble("device"); what != "" {
		return where, what
	}
	if u.Second != nil {
		if where, what := u.Second.trouble("second_device"); what != "" {
			return where, what
		}
	}
	return u.settingsTrouble()
}

func (u ProtectorUse) settingsTrouble() (where, what string) {
	_, known := performances[u.Performance]
	switch {
	case !(u.DeratingPercent >= 0 && u.DeratingPercent <= 100):
		return "derating_percent", fmt.Sprintf("the derating is 0 to 100 %%, not %v %%", u.DeratingPercent)
	case u.DeratingOf != DerateAttenuation && u.DeratingOf != DerateRating:
		return "derating_of", fmt.Sprintf("the derating is of the attenuation or of the rating, not %q", u.DeratingOf)
	case !(u.DeductionDB >= 0 && u.DeductionDB <= 50):
		return "deduction_db", fmt.Sprintf("the deduction is 0 to 50 dB, not %v dB", u.DeductionDB)
	case !(*u.WornFraction >= 0 && *u.WornFraction <= 1):
		return "worn_fraction", fmt.Sprintf("the share of the time in noise is 0 to 1, not %v", *u.WornFraction)
	case !(u.ActionLevelDB >= 50 && u.ActionLevelDB <= 140):
		return "action_level_db", fmt.Sprintf("the action level is 50 to 140 dB, not %v dB", u.ActionLevelDB)
	case !known:
		return "performance_percent", fmt.Sprintf("the protection performance is 75, 80, 84, 90, 95 or 98 %%, not %v %%", u.Performance)
	}
	return "", ""
}

// trouble says which of a device's data cannot be used, as a path below at, and why.
func (d Protector) trouble(at string) (where, what string) {
	single := []struct {
		name  string
		value *float64
	}{{"snr", d.SNR}, {"nrr", d.NRR}, {"personal_attenuation_db", d.PersonalDB}}
	if d.HML != nil {
		single = append(single, []struct {
			name  string
			value *float64
		}{{"hml/h", &d.HML.H}, {"hml/m", &d.HML.M}, {"hml/l", &d.HML.L}}...)
	}
	for _, s := range single {
		if s.value == nil {
			continue
		}
		if text := dampTrouble(*s.value); text != "" {
			return at + "/" + s.name, text
		}
	}
	switch {
	case d.OctaveMeanDB == nil && d.OctaveSDDB == nil:
		return "", ""
	case d.OctaveMeanDB == nil:
		return at + "/octave_mean_db", "the standard deviations need the mean attenuations"
	case d.OctaveSDDB == nil:
		return at + "/octave_sd_db", "the mean attenuations need their standard deviations"
	}
	if where, what := attenuationTrouble(at+"/octave_mean_db", d.OctaveMeanDB); what != "" {
		return where, what
	}
	if len(d.OctaveSDDB) != len(d.OctaveMeanDB) {
		return at + "/octave_sd_db", fmt.Sprintf("has %d bands, but the mean attenuations have %d", len(d.OctaveSDDB), len(d.OctaveMeanDB))
	}
	return bandsTrouble(at+"/octave_sd_db", d.OctaveSDDB, func(db float64) string {
		if !(db >= 0 && db <= 30) {
			return fmt.Sprintf("is %v dB; a standard deviation of attenuation lies between 0 and 30 dB", db)
		}
		return ""
	})
}

func attenuationTrouble(name string, db []float64) (where, what string) {
	return bandsTrouble(name, db, dampTrouble)
}

func bandsTrouble(name string, db []float64, trouble func(float64) string) (where, what string) {
	if n := len(db); n != len(octaveBands) && n != len(octaveBands)-1 {
		return name, fmt.Sprintf("octave data are eight values, 63 Hz to 8 kHz, or seven from 125 Hz on, not %d", n)
	}
	for i, x := range db {
		if text := trouble(x); text != "" {
			return fmt.Sprintf("%s/%d", name, i), text
		}
	}
	return "", ""
}

func dampTrouble(db float64) string {
	if !(db >= 0 && db <= 80) {
		return fmt.Sprintf("is %v dB; an attenuation lies between 0 and 80 dB", db)
	}
	return ""
}
