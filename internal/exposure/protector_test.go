package exposure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/fault"
)

func protect(t *testing.T, u ProtectorUse) ProtectorResult {
	t.Helper()
	r, err := ComputeProtector(u)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// annexA is the device of ISO 4869-2:2018, Annex A: mean and standard deviation of sixteen subjects, as computed from them.
func annexA(t *testing.T) (subjects [][]float64, printed [][]float64, device Protector) {
	t.Helper()
	for _, row := range table(t, "iso4869_subjects.csv", 16) {
		subjects, printed = append(subjects, row[1:9]), append(printed, row[9:])
	}
	for band := range 8 {
		var column []float64
		for _, s := range subjects {
			column = append(column, s[band])
		}
		device.OctaveMeanDB, device.OctaveSDDB = append(device.OctaveMeanDB, mean(column)), append(device.OctaveSDDB, deviation(column))
	}
	return subjects, printed, device
}

// annexNoise is the noise of ISO 4869-2:2018, Annex B: 104 dB(A), 103 dB(C).
func annexNoise() ProtectorUse {
	lc := 103.0
	return ProtectorUse{LAeqDB: 104, LCeqDB: &lc, OctavesDB: []float64{75, 84, 86, 88, 97, 99, 97, 96}}
}

// ISO 4869-2:2018, Annex A: the ratings printed for each of sixteen subjects, which reproduce only without the 63 Hz band and
// with pink noise of 92.0 dB; and H84, M84, L84, SNR84 of 24, 18, 13 and 21.
func TestRatingsOfSubjects(t *testing.T) {
	subjects, printed, device := annexA(t)
	for i, s := range subjects {
		r := rate(s)
		for j, got := range []float64{r.H, r.M, r.L, r.SNR} {
			if !roundsTo(got, printed[i][j], 0.1+2e-3) {
				t.Errorf("subject %d, rating %d: %v does not round to %v", i+1, j, got, printed[i][j])
			}
		}
		if short := rate(s[1:]); short != r {
			t.Errorf("subject %d: 63 Hz changes %+v into %+v", i+1, r, short)
		}
	}
	r, err := RateSubjects(subjects)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{24.32, 17.91, 12.69, 20.74} {
		near(t, "group rating", []float64{r.H, r.M, r.L, r.SNR}[i], want, 0.011)
		if got := math.Round([]float64{r.H, r.M, r.L, r.SNR}[i]); got != []float64{24, 18, 13, 21}[i] {
			t.Errorf("label %d: %v", i, got)
		}
	}
	// Table A.2: m, s and the assumed protection of 84 %; three cells of the print subtract rounded m and s.
	for i, want := range []float64{4.1, 6.4, 10.8, 15.0, 18.8, 23.4, 31.4, 28.9} {
		near(t, "APV84", device.assumed(84)[i], want, 0.09)
	}
	if _, err := RateSubjects(subjects[:1]); !fault.Is(err, fault.ExposureInput) {
		t.Errorf("one subject: %v", err)
	}
	if _, err := RateSubjects([][]float64{{1, 2}, {3, 4}}); !fault.Is(err, fault.ExposureInput) {
		t.Errorf("two bands: %v", err)
	}
}

// ISO 4869-2, Table 2: each reference spectrum is 100 dB(A); L_C - L_A runs from about -1 to 8 dB.
func TestReferenceNoises(t *testing.T) {
	for i, noise := range referenceNoises {
		sum := 0.0
		for _, db := range noise.db {
			sum += math.Pow(10, db/10)
		}
		near(t, "noise "+string(rune('1'+i)), 10*math.Log10(sum), 100, 0.07)
	}
}

// ISO 4869-2:2018, Annex B: octave bands 81.4 dB, HML (24/18/13, C less A -1 dB) 22.5 off, 81.5 dB, SNR 21 off, 82 dB.
func TestAnnexBOfISO4869(t *testing.T) {
	_, _, device := annexA(t)
	snr := 21.0
	device.SNR, device.HML = &snr, &HML{24, 18, 13}
	u := annexNoise()
	u.Device = device
	r := protect(t, u)
	near(t, "octave", r.EffectiveLevelDB["octave"], 81.4, 0.06)
	near(t, "hml", r.EffectiveLevelDB["hml"], 81.5, 0)
	near(t, "snr", r.EffectiveLevelDB["snr"], 82, 0)
	near(t, "PNR", r.Methods[1].RatingDB, 22.5, 0)
	if r.BandMethod != "octave" || r.Band != Acceptable || len(r.EffectiveLevelDB) != 3 {
		t.Errorf("%+v", r)
	}
	// With seven bands 63 Hz is left out and told of.
	u.OctavesDB = u.OctavesDB[1:]
	short := protect(t, u)
	near(t, "octave from 125 Hz", short.EffectiveLevelDB["octave"], r.EffectiveLevelDB["octave"], 0.01)
	if short.Advice[0].Code != "without_63_hz" {
		t.Errorf("%+v", short.Advice)
	}
	// Octave data without octave levels give the ratings themselves.
	u.OctavesDB, u.Device.SNR, u.Device.HML = nil, nil, nil
	derived := protect(t, u)
	rated := rate(device.assumed(84))
	near(t, "snr from octaves", derived.EffectiveLevelDB["snr"], 103-rated.SNR, 1e-6)
	near(t, "hml from octaves", derived.EffectiveLevelDB["hml"], 104-HML{rated.H, rated.M, rated.L}.attenuation(-1), 1e-6)
}

// ISO 4869-2, HML method, on both sides of a difference of 2 dB.
func TestHMLAttenuation(t *testing.T) {
	v := HML{24, 18, 13}
	for d, want := range map[float64]float64{-1: 22.5, -2: 24, 2: 18, 10: 13, 6: 15.5} {
		near(t, "PNR", v.attenuation(d), want, 1e-12)
	}
}

// 29 CFR 1910.95 App. B and OSHA CPL 02-02-035: NRR 25 in 100 dB(A) leaves 82 dB, at half the attenuation 91 dB; plug 25 and
// muff 30, derated, leave 83.5 dB. C-weighted levels take the whole NRR. NIOSH 98-126: NRR 25 by 25, 50, 70 % is 18.75, 12.5
// and 7.5 dB.
func TestNRR(t *testing.T) {
	plug, muff := 25.0, 30.0
	a := ProtectorUse{LAeqDB: 100, Device: Protector{NRR: &plug}}
	near(t, "App. B", protect(t, a).EffectiveLevelDB["nrr"], 82, 0)
	half := a
	half.DeratingPercent = 50
	near(t, "50 %", protect(t, half).EffectiveLevelDB["nrr"], 91, 0)
	half.Second = &Protector{NRR: &muff}
	near(t, "dual", protect(t, half).EffectiveLevelDB["nrr"], 83.5, 0)
	swapped := half
	swapped.Device, swapped.Second = Protector{NRR: &muff}, &Protector{NRR: &plug}
	near(t, "dual, swapped", protect(t, swapped).EffectiveLevelDB["nrr"], 83.5, 0)
	lc := 103.0
	c := ProtectorUse{LAeqDB: 100, LCeqDB: &lc, Device: Protector{NRR: &plug}}
	r := protect(t, c)
	near(t, "C", r.EffectiveLevelDB["nrr"], 78, 0)
	near(t, "A beside C", r.EffectiveLevelDB["nrr_a"], 82, 0)
	c.DeratingPercent = 50
	near(t, "C, 50 %", protect(t, c).EffectiveLevelDB["nrr"], 90.5, 0)
	for percent, kept := range map[float64]float64{25: 18.75, 50: 12.5, 70: 7.5} {
		n := a
		n.DeratingPercent, n.DeratingOf = percent, DerateRating
		near(t, "NIOSH", protect(t, n).EffectiveLevelDB["nrr"], 100-(kept-7), 1e-6)
	}
	few := 5.0
	weak := protect(t, ProtectorUse{LAeqDB: 100, Device: Protector{NRR: &few}})
	near(t, "never above the open ear", weak.EffectiveLevelDB["nrr"], 100, 0)
}

// 40 CFR 211.207, Figure 1: the sums are printed 107.9 (truncated from 107.95) and 85.1, NRR 19.84, label 20.
func TestRateNRR(t *testing.T) {
	got := RateNRR([7]float64{21, 22, 23, 29, 41, 45, 38.5}, [7]float64{7.4, 6.6, 7.6, 9.4, 6.6, 6.7, 12.6})
	near(t, "NRR", got, 19.84, 6e-3)
}

// DGUV Information 212-823: 9 dB off the label of plugs to be formed, the example 87 - 24 + 9 = 72 dB(A); HSE (from memory): 4 dB.
func TestDeduction(t *testing.T) {
	lc, snr := 87.0, 24.0
	r := protect(t, ProtectorUse{LAeqDB: 87, LCeqDB: &lc, Device: Protector{SNR: &snr}, DeductionDB: 9})
	near(t, "SNR less 9", r.EffectiveLevelDB["snr"], 72, 0)
	own := 20.0
	r = protect(t, ProtectorUse{LAeqDB: 95, Device: Protector{PersonalDB: &own}, DeductionDB: 4, DeratingPercent: 50})
	near(t, "measured on the wearer", r.EffectiveLevelDB["personal"], 75, 0)
}

// Equal energy: half of the time without protector costs all but 3 dB; worn never is the open ear.
func TestPartialWearing(t *testing.T) {
	own := 30.0
	for worn, want := range map[float64]float64{0: 100, 1: 70, 0.5: 100 + 10*math.Log10(0.5*0.001+0.5), 0.9: 100 + 10*math.Log10(0.9*0.001+0.1)} {
		r := protect(t, ProtectorUse{LAeqDB: 100, Device: Protector{PersonalDB: &own}, WornFraction: &worn})
		near(t, "effective", r.EffectiveLevelDB["personal"], want, 1e-6)
		near(t, "worn", r.Methods[0].WornLevelDB, 70, 0)
	}
}

// EN 458 (from memory) with an action level of 85 dB, at the edges and a millionth of a dB beside them.
func TestBands(t *testing.T) {
	for level, want := range map[float64]Band{
		85.000001: Insufficient, 85: Acceptable, 80.000001: Acceptable, 80: Good, 75: Good, 74.999999: Acceptable, 70: Acceptable, 69.999999: TooHigh,
	} {
		own := 100 - level
		r := protect(t, ProtectorUse{LAeqDB: 100, Device: Protector{PersonalDB: &own}})
		if r.Band != want || r.Bands["personal"] != want {
			t.Errorf("%v: %s, want %s", level, r.Band, want)
		}
	}
	own := 17.5
	if r := protect(t, ProtectorUse{LAeqDB: 100, Device: Protector{PersonalDB: &own}, ActionLevelDB: 80}); r.Band != Insufficient {
		t.Errorf("82.5 dB against 80: %s", r.Band)
	}
}

// A second device without NRR adds nothing: no published rule holds, and the better one counts alone.
func TestSecondDevice(t *testing.T) {
	low, high, lc := 20.0, 28.0, 101.0
	r := protect(t, ProtectorUse{LAeqDB: 100, LCeqDB: &lc, Device: Protector{SNR: &low}, Second: &Protector{SNR: &high}})
	near(t, "the better", r.EffectiveLevelDB["snr"], 73, 0)
	if r.Advice[0].Code != "second_device_not_added" {
		t.Errorf("%+v", r.Advice)
	}
	r = protect(t, ProtectorUse{LAeqDB: 100, Device: Protector{NRR: &low}, Second: &Protector{SNR: &high}})
	near(t, "no bonus for another rating", r.EffectiveLevelDB["nrr"], 87, 0)
}

func TestLevelsTakenFromOctaves(t *testing.T) {
	u, snr := annexNoise(), 21.0
	u.LCeqDB, u.Device = nil, Protector{SNR: &snr}
	r := protect(t, u)
	lc := weightedSum(u.OctavesDB, cWeights, nil) - weightedSum(u.OctavesDB, aWeights, nil) + 104
	near(t, "SNR", r.EffectiveLevelDB["snr"], lc-21, 1e-6)
	near(t, "the example's difference", lc-104, -1, 0.2) // ISO 4869-2, Annex B prints 103 and 104 dB
	if r.Advice[0].Code != "lceq_from_octaves" {
		t.Errorf("%+v", r.Advice)
	}
}

// More derating, more deduction or less wearing never lowers the level; it always lies between the worn and the open level.
func TestProtectorProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := func(name string, low, high float64) *float64 {
			x := rapid.Float64Range(low, high).Draw(t, name)
			return &x
		}
		u := ProtectorUse{LAeqDB: *level("laeq", 70, 120), Device: Protector{SNR: level("snr", 0, 40), NRR: level("nrr", 0, 40), PersonalDB: level("par", 0, 40),
			HML: &HML{*level("h", 0, 40), *level("m", 0, 40), *level("l", 0, 40)}}, WornFraction: level("worn", 0, 1),
			DeratingPercent: *level("derating", 0, 90), DeductionDB: *level("deduction", 0, 10)}
		lc := u.LAeqDB + *level("C less A", -2, 10)
		u.LCeqDB = &lc
		harder := u
		harder.DeratingPercent, harder.DeductionDB = u.DeratingPercent+10, u.DeductionDB+3
		less := *u.WornFraction * 0.9
		harder.WornFraction = &less
		a, err := ComputeProtector(u)
		if err != nil {
			t.Fatal(err)
		}
		b, err := ComputeProtector(harder)
		if err != nil {
			t.Fatal(err)
		}
		for i, x := range a.Methods {
			if x.EffectiveLevelDB > u.LAeqDB+1e-6 || x.EffectiveLevelDB < x.WornLevelDB-1e-6 {
				t.Fatalf("%+v", x)
			}
			if y := b.Methods[i]; y.EffectiveLevelDB < x.EffectiveLevelDB-1e-6 {
				t.Fatalf("%+v, with less protection %+v", x, y)
			}
		}
	})
}
