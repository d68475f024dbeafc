package exposure

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"kitd/internal/fault"
)

func steady(t *testing.T, n int, db float64) History {
	t.Helper()
	return history(t, slices.Repeat([]float64{db}, n)...)
}

// 28,800 equal levels add up to a hair less than the level in a plain float sum; the limit has to be reached all the same.
func TestSteadyShiftReachesItsOwnLevel(t *testing.T) {
	plain := 0.0
	for range 28800 {
		plain += math.Pow(10, 8.5)
	}
	if 10*math.Log10(plain/28800) >= 85 {
		t.Log("the plain sum reaches 85 on this processor")
	}
	m := compute(t, steady(t, 28800, 85), nil, Context{ShiftHours: 8}, "eu-2003-10", "us-niosh")
	near(t, "L_Aeq", value(t, "laeq", m.LAeqDB), 85, 0)
	near(t, "L_EX,8h", value(t, "lex", m.LEX8hDB), 85, 0)
	for id, want := range map[string]State{"upper-action-reached": Met, "upper-action-exceeded": NotMet, "lower-action-exceeded": Met, "exposure-limit": NotMet} {
		if v := verdict(t, m.Profiles[0], id); v.State != want {
			t.Errorf("%s: %s, want %s", id, v.State, want)
		}
	}
	if v := verdict(t, m.Profiles[1], "recommended-limit"); v.State != Met || *v.Value != 100 {
		t.Errorf("NIOSH: %+v", v)
	}
}

// Each limit of each profile at its value, a millionth of a dB (or of the dose) below and above it: stated levels, slow
// histories and equivalent histories, peaks.
func TestVerdictsExactlyAtEveryLimit(t *testing.T) {
	tested := 0
	for _, p := range Profiles() {
		for _, l := range p.Limits {
			for _, side := range []float64{-1, 0, 1} {
				tested++
				want := NotMet
				if side > 0 || (side == 0 && l.Comparison == AtOrAbove) {
					want = Met
				}
				if want == Met && l.Basis == AtEar {
					want = NotAssessable
				}
				for path, r := range atLimit(t, p, l, side*2e-6) {
					if v := verdict(t, r, l.ID); v.State != want {
						t.Errorf("%s %s %+g by %s: %s, want %s (value %v)", p.ID, l.ID, side, path, v.State, want, v.Value)
					}
				}
			}
		}
	}
	if tested != 3*29 {
		t.Errorf("%d comparisons, want 87", tested)
	}
}

// atLimit computes the profile at its limit plus so many dB, by every path that can decide the limit.
func atLimit(t *testing.T, p Profile, l Limit, off float64) map[string]ProfileResult {
	t.Helper()
	level, hours := l.Value+off, 8.0
	quantity := LAeq
	switch l.Quantity {
	case DosePercent:
		level = p.Dose.CriterionDB + p.Dose.ExchangeDB*math.Log2(l.Value/100) + 10*off // 1e-6 of a dose is 7e-6 dB at 5 dB a doubling
		quantity = LASmax
	case LevelMax:
		quantity = LASmax
	case PeakDB, PeakPa:
		db := l.Value
		if l.Quantity == PeakPa {
			db = PeakLevel(l.Value)
		}
		peaks, err := NewLevels([]float64{db + off})
		if err != nil {
			t.Fatal(err)
		}
		m, err := Compute(steady(t, 1, 70), &Peaks{"C", peaks}, []Profile{p}, Context{})
		if err != nil {
			t.Fatal(err)
		}
		return map[string]ProfileResult{"peak": m.Profiles[0]}
	}
	h := steady(t, 28800, level)
	h.Quantity = quantity
	short := steady(t, 7200, level)
	short.Quantity = quantity
	m, err := Compute(h, nil, []Profile{p}, Context{})
	if err != nil {
		t.Fatal(err)
	}
	scaled, err := Compute(short, nil, []Profile{p}, Context{ShiftHours: 8})
	if err != nil {
		t.Fatal(err)
	}
	parts := stated(t, p.ID, Segment{level, hours / 3}, Segment{level, hours / 3}, Segment{level, hours / 3})
	return map[string]ProfileResult{"history": m.Profiles[0], "scaled to the shift": scaled.Profiles[0], "stated": parts}
}

func TestShiftScaling(t *testing.T) {
	h := steady(t, 3600, 90)
	h.Quantity = LASmax
	m := compute(t, h, nil, Context{ShiftHours: 10}, "us-osha-hc")
	r := m.Profiles[0]
	near(t, "dose", *r.DosePercent, 12.5, 0)
	near(t, "projected", *r.ProjectedDosePercent, 100, 0)
	near(t, "shift", *r.DoseShiftPercent, 125, 0)
	near(t, "L_avg", *r.LavgDB, 90, 0)
	near(t, "TWA", *r.TWADB, 90+5/math.Log10(2)*math.Log10(0.125), 1e-6)
	near(t, "L_EX,8h", *m.LEX8hDB, 90+10*math.Log10(1.25), 1e-6)
	alone := compute(t, h, nil, Context{}, "us-osha-hc")
	near(t, "shift dose without a shift", *alone.Profiles[0].DoseShiftPercent, 12.5, 0)
	near(t, "L_EX,8h of the measured hour", *alone.LEX8hDB, 90+10*math.Log10(1.0/8), 1e-6)
	if !hasAdvice(alone, "measured_time_only") || hasAdvice(m, "measured_time_only") {
		t.Error("measured_time_only belongs to results without a working time, and only there")
	}
	if long := compute(t, h, nil, Context{ShiftHours: 0.5}); !hasAdvice(long, "measured_longer_than_shift") {
		t.Error("measured_longer_than_shift is missing")
	}
}

func hasAdvice(m Metrics, code string) bool {
	return slices.ContainsFunc(m.Advice, func(a Advice) bool { return a.Code == code })
}

func TestThresholdItselfCounts(t *testing.T) {
	for level, counts := range map[float64]bool{80: true, 79.999999: false, 79.99: false, 79.9: false} {
		h := steady(t, 60, level)
		h.Quantity = LASmax
		r := compute(t, h, nil, Context{}, "us-osha-hc").Profiles[0]
		if (*r.DosePercent > 0) != counts {
			t.Errorf("%v dB: dose %v", level, *r.DosePercent)
		}
		if !counts && (r.TWADB != nil || r.LavgDB != nil) {
			t.Errorf("%v dB: dose 0 has a TWA or L_avg", level)
		}
	}
	// 89.95 rounds onto 90 on a 0.1 dB grid: the bins have to be as fine as the data.
	h := steady(t, 60, 89.95)
	h.Quantity = LASmax
	if r := compute(t, h, nil, Context{}, "us-osha-pel").Profiles[0]; *r.DosePercent != 0 {
		t.Errorf("89.95 dB adds to a dose with a threshold of 90 dB: %v", *r.DosePercent)
	}
}

func TestAboveTheIntegrationRangeCountsAndIsFlagged(t *testing.T) {
	h := history(t, 132, 132, 130, 85)
	h.Quantity = LASmax
	m := compute(t, h, nil, Context{}, "us-osha-hc", "us-msha-pel")
	if len(m.Flags) != 1 || m.Flags[0].Code != "outside_integration_range" || m.Flags[0].Seconds != 2 || m.Flags[0].Profile != "us-osha-hc" {
		t.Errorf("flags %+v", m.Flags)
	}
	want := 100 * (2*math.Pow(2, 42.0/5) + math.Pow(2, 8) + 0.5) / 28800
	near(t, "dose", *m.Profiles[0].DosePercent, want, want*1e-6)
}

func TestPeaks(t *testing.T) {
	h := steady(t, 4, 80)
	levels, err := NewLevels([]float64{120, 141, 130, 137})
	if err != nil {
		t.Fatal(err)
	}
	z := compute(t, h, &Peaks{"Z", levels}, Context{}, "uk-2005", "us-osha-pel", "eu-2003-10")
	if v := verdict(t, z.Profiles[0], "upper-action-peak"); v.State != NotAssessable || v.Value != nil {
		t.Errorf("a Z-weighted peak decided a C-weighted limit: %+v", v)
	}
	if v := verdict(t, z.Profiles[1], "peak"); v.State != Met {
		t.Errorf("no weighting is named by the clause: %+v", v)
	}
	c := compute(t, h, &Peaks{"C", levels}, Context{}, "uk-2005", "eu-2003-10")
	if v := verdict(t, c.Profiles[0], "upper-action-peak"); v.State != Met || *v.Value != 141 {
		t.Errorf("%+v", v)
	}
	if v := verdict(t, c.Profiles[0], "exposure-limit-peak"); v.State != NotAssessable {
		t.Errorf("above the limit at the open ear nothing is known under protectors: %+v", v)
	}
	// Directive 2003/10/EC prints 112, 140 and 200 Pa; exactly 134.964, 136.902 and 140.000 dB.
	for pa, db := range map[float64]float64{112: 134.964, 140: 136.902, 200: 140} {
		near(t, "dB", PeakLevel(pa), db, 5e-4)
		near(t, "Pa", PeakPressure(PeakLevel(pa)), pa, 1e-9)
	}
	out := compute(t, h, &Peaks{"C", levels}, Context{Exclusions: []Exclusion{{1, 2, "knock", Remove}}}, "uk-2005")
	near(t, "peak without the knock", *out.PeakDB, 137, 0)
	one, err := NewLevels([]float64{141})
	if err != nil {
		t.Fatal(err)
	}
	whole := compute(t, h, &Peaks{"C", one}, Context{Exclusions: []Exclusion{{1, 2, "knock", Remove}}}, "uk-2005")
	if *whole.PeakDB != 141 || !hasAdvice(whole, "peaks_not_excluded") {
		t.Errorf("a single peak cannot be placed in time and has to stay: %+v", whole)
	}
}

func TestAtEarIsDecidedOnceProtectionIsKnown(t *testing.T) {
	h := steady(t, 28800, 92)
	ear := 88.0
	m := compute(t, h, nil, Context{ShiftHours: 8, AtEar: &AtEarLevels{LEX8hDB: &ear}}, "eu-2003-10")
	if v := verdict(t, m.Profiles[0], "exposure-limit"); v.State != Met || *v.Value != 88 {
		t.Errorf("%+v", v)
	}
	ear = 75
	m = compute(t, h, nil, Context{ShiftHours: 8, AtEar: &AtEarLevels{LEX8hDB: &ear}}, "eu-2003-10")
	if v := verdict(t, m.Profiles[0], "exposure-limit"); v.State != NotMet || *v.Value != 75 {
		t.Errorf("%+v", v)
	}
}

// ISO 9612:2009, Tables C.5 and C.6: 1.65 sqrt(1.5² + 1²) = 2.97 dB for a dosimeter, 2.01 dB for a class 1 meter.
func TestWithinUncertainty(t *testing.T) {
	for _, c := range []struct {
		level      float64
		instrument Instrument
		want       bool
	}{{82.1, Personal, true}, {82, Personal, false}, {87.9, Personal, true}, {88, Personal, false}, {83, Class1, true}, {82.9, Class1, false}} {
		m := compute(t, steady(t, 28800, c.level), nil, Context{ShiftHours: 8, Instrument: c.instrument}, "uk-2005")
		if v := verdict(t, m.Profiles[0], "upper-action"); v.WithinUncertainty != c.want {
			t.Errorf("%v dB, %s: within uncertainty %v", c.level, c.instrument, v.WithinUncertainty)
		}
	}
}

func TestExclusions(t *testing.T) {
	h := history(t, 80, 80, 100, 90)
	removed := compute(t, h, nil, Context{Exclusions: []Exclusion{{2, 3, "horn", Remove}}})
	near(t, "removed", *removed.LAeqDB, 10*math.Log10((2*1e8+1e9)/3), 1e-6)
	near(t, "hours", removed.DurationHours, 3.0/3600, 0)
	silent := compute(t, h, nil, Context{Exclusions: []Exclusion{{2, 3, "break", NotExposed}}})
	near(t, "not exposed", *silent.LAeqDB, 10*math.Log10((2*1e8+1e9)/4), 1e-6)
	near(t, "hours", silent.DurationHours, 4.0/3600, 0)
	if silent.L90DB != nil {
		t.Errorf("L90 falls into the time without sound and is %v", *silent.L90DB)
	}
	half := compute(t, h, nil, Context{Exclusions: []Exclusion{{0.5, 3.25, "partly", Remove}}})
	near(t, "parts of steps", *half.LAeqDB, 10*math.Log10((0.5*1e8+0.75*1e9)/1.25), 1e-6)
	inside := compute(t, h, nil, Context{Exclusions: []Exclusion{{2.25, 2.75, "within a step", Remove}}})
	near(t, "within a step", *inside.LAeqDB, 10*math.Log10((2*1e8+0.5*1e10+1e9)/3.5), 1e-6)
	joined := compute(t, h, nil, Context{Exclusions: []Exclusion{{1, 3, "a", Remove}, {0, 2, "b", Remove}}})
	near(t, "joined", *joined.LAeqDB, 90, 0)
	near(t, "removed seconds", joined.RemovedSeconds, 3, 0)
	if quiet := compute(t, h, nil, Context{Exclusions: []Exclusion{{0, 4, "off site", NotExposed}}}, "eu-2003-10", "us-niosh"); quiet.LAeqDB != nil || quiet.Pa2h != 0 {
		t.Errorf("a day without exposure has the level %v", *quiet.LAeqDB)
	} else if v := verdict(t, quiet.Profiles[0], "lower-action-reached"); v.State != NotMet {
		t.Errorf("a day without exposure: %+v", v)
	}
}

func TestExclusionsThatCannotBeApplied(t *testing.T) {
	h := history(t, 80, 80, 100, 90)
	for name, list := range map[string][]Exclusion{
		"end before start": {{2, 1, "x", Remove}},
		"empty":            {{2, 2, "x", Remove}},
		"negative":         {{-1, 2, "x", Remove}},
		"after the end":    {{3, 5, "x", Remove}},
		"no reason":        {{0, 1, "", Remove}},
		"no treatment":     {{0, 1, "x", ""}},
		"NaN":              {{math.NaN(), 1, "x", Remove}},
		"contradiction":    {{0, 2, "x", Remove}, {1, 3, "y", NotExposed}},
		"nothing left":     {{0, 4, "x", Remove}},
	} {
		if _, err := Compute(h, nil, nil, Context{Exclusions: list}); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestGapsAreLeftOutAndFlagged(t *testing.T) {
	h := history(t, 80, 0, 0, 90)
	h.Gaps = []Steps{{1, 3}}
	m := compute(t, h, nil, Context{})
	near(t, "L_Aeq", *m.LAeqDB, 10*math.Log10((1e8+1e9)/2), 1e-6)
	if len(m.Flags) != 1 || m.Flags[0].Code != "gap" || m.Flags[0].Seconds != 2 || *m.Flags[0].FromS != 1 || m.GapSeconds != 2 {
		t.Errorf("%+v", m.Flags)
	}
	declared := compute(t, h, nil, Context{Exclusions: []Exclusion{{1, 3, "left in the car", NotExposed}}})
	near(t, "declared not exposed", *declared.LAeqDB, 10*math.Log10((1e8+1e9)/4), 1e-6)
	if declared.GapSeconds != 0 || declared.NotExposedSeconds != 2 {
		t.Errorf("%+v", declared)
	}
	half := compute(t, h, nil, Context{Exclusions: []Exclusion{{2, 3, "known", NotExposed}}})
	near(t, "half declared", *half.LAeqDB, 10*math.Log10((1e8+1e9)/3), 1e-6)
	near(t, "gap left", half.GapSeconds, 1, 0)
}

// Hyndman and Fan (1996), definition 7: of 1, 2, ..., 11 dB the levels exceeded 10, 50 and 90 % of the time are 10, 6 and 2.
func TestPercentiles(t *testing.T) {
	var db []float64
	for i := range 11 {
		db = append(db, float64(i+1))
	}
	m := compute(t, history(t, db...), nil, Context{})
	for what, got := range map[float64]*float64{10: m.L10DB, 6: m.L50DB, 2: m.L90DB} {
		near(t, "percentile", value(t, "percentile", got), what, 0)
	}
	m = compute(t, history(t, 60, 70), nil, Context{})
	near(t, "between two", *m.L10DB, 69, 1e-9)
	m = compute(t, history(t, 60), nil, Context{})
	near(t, "a single level", *m.L90DB, 60, 0)
}

func TestHistoriesThatCannotBeComputed(t *testing.T) {
	good := Levels{PerDB: 10, Coarse: []uint16{800}}
	for name, h := range map[string]History{
		"empty":              {1, LAeq, Levels{PerDB: 10}, nil},
		"no step":            {0, LAeq, good, nil},
		"NaN step":           {math.NaN(), LAeq, good, nil},
		"unknown quantity":   {1, "LCeq", good, nil},
		"resolution":         {1, LAeq, Levels{PerDB: 7, Coarse: []uint16{1}}, nil},
		"201 dB":             {1, LAeq, Levels{PerDB: 10, Coarse: []uint16{2010}}, nil},
		"6553 dB":            {1, LAeq, Levels{PerDB: 10, Coarse: []uint16{65535}}, nil},
		"201 dB, hundredths": {1, LAeq, Levels{PerDB: 100, Coarse: []uint16{20100}}, nil},
		"655 dB, hundredths": {1, LAeq, Levels{PerDB: 100, Coarse: []uint16{65535}}, nil},
		"201 dB, fine":       {1, LAeq, Levels{PerDB: 1e6, Fine: []int32{201e6}}, nil},
		"negative, fine":     {1, LAeq, Levels{PerDB: 1e6, Fine: []int32{-1}}, nil},
		"gap outside":        {1, LAeq, good, []Steps{{0, 2}}},
		"all a gap":          {1, LAeq, good, []Steps{{0, 1}}},
	} {
		if _, err := Compute(h, nil, nil, Context{}); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, db := range []float64{-0.1, 200.1, 300, -999, math.NaN(), math.Inf(1)} {
		if _, err := NewLevels([]float64{80, db}); !fault.Is(err, fault.ExposureInput) || !strings.Contains(err.Error(), "level 1") {
			t.Errorf("%v dB: %v", db, err)
		}
	}
	for _, c := range []Context{{ShiftHours: -1}, {ShiftHours: 25}, {ShiftHours: math.NaN()}, {Instrument: "class3"}} {
		if _, err := Compute(steady(t, 1, 80), nil, nil, c); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

func TestLevelsKeepTheirResolution(t *testing.T) {
	for _, c := range []struct {
		db    []float64
		perDB int
	}{{[]float64{80, 80.1, 199.9}, 10}, {[]float64{80.1, 80.25}, 100}, {[]float64{80.1, 80.25, 80.123456}, 1e6}} {
		l, err := NewLevels(c.db)
		if err != nil {
			t.Fatal(err)
		}
		if l.PerDB != c.perDB || !slices.Equal(l.DB(), c.db) {
			t.Errorf("%v became %v at %d per dB", c.db, l.DB(), l.PerDB)
		}
	}
}

// OSHA letter of interpretation, 26 March 1982, and AS/NZS 1269.1 (from memory).
func TestLongShiftRemarks(t *testing.T) {
	for hours, want := range map[float64]bool{8: false, 8.5: true} {
		m := compute(t, steady(t, 60, 80), nil, Context{ShiftHours: hours}, "us-osha-pel")
		if hasAdvice(m, "pel_extended_shift") != want {
			t.Errorf("%v h: %+v", hours, m.Advice)
		}
	}
	for hours, want := range map[float64]bool{9.9: false, 10: true} {
		m := compute(t, steady(t, 60, 80), nil, Context{ShiftHours: hours}, "au-whs")
		if hasAdvice(m, "extended_shift_adjustment") != want {
			t.Errorf("%v h: %+v", hours, m.Advice)
		}
	}
}

// ISO 9612:2009, 12.2: more than 0.5 dB discards the series; exactly 0.5 dB passes, in decimal arithmetic.
func TestDrift(t *testing.T) {
	d := Drift(Check{94.0, 94.0}, Check{93.5, 94.0})
	if d != -0.5 || !DriftWithin(d, 0.5) {
		t.Errorf("drift %v", d)
	}
	d = Drift(Check{113.97, 113.97}, Check{114.52, 114.02}) // 114.52-114.02-(113.97-113.97) is above 0.5 in binary
	if d != 0.5 || !DriftWithin(d, 0.5) {
		t.Errorf("drift %v with two calibrators", d)
	}
	if DriftWithin(Drift(Check{94, 94}, Check{94.51, 94}), 0.5) {
		t.Error("0.51 dB passes 0.5 dB")
	}
}

func TestStoredMetricsComeBack(t *testing.T) {
	peaks, err := NewLevels([]float64{120, 121, 122, 123})
	if err != nil {
		t.Fatal(err)
	}
	h := history(t, 80, 90, 100.5, 131)
	m := compute(t, h, &Peaks{"C", peaks}, Context{ShiftHours: 9, Exclusions: []Exclusion{{1, 2, "cough", NotExposed}}}, ProfileIDs()...)
	first, err := m.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := DecodeMetrics(first)
	if err != nil {
		t.Fatal(err)
	}
	second, err := back.Encode()
	if err != nil || string(first) != string(second) || !reflect.DeepEqual(m, back) {
		t.Errorf("stored %s\nread   %s, %v", first, second, err)
	}
}

func TestShareKeepsAMillionth(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 50.0000001: 50, 49.99999999: 50, 123.456789: 123.4568, 1234567.891234: 1234567.8912, 1e-9: 1e-9, 0.0123456789: 0.01234568} {
		if got := Share(in); got != want {
			t.Errorf("Share(%v) = %v, want %v", in, got, want)
		}
	}
}
