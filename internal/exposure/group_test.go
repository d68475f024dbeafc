package exposure

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/fault"
)

func group(t *testing.T, limit float64, values ...float64) GroupResult {
	t.Helper()
	r, err := ComputeGroup(Group{ValuesDB: values, LimitDB: limit})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// One-sided tolerance factors, coverage 95 %, computed by three independent routes; the values remembered from printed
// tables for 95/95 are 7.656, 4.203, 3.708, 2.911, 2.396 and 2.220 for n = 3, 5, 6, 10, 20, 30.
func TestToleranceFactors(t *testing.T) {
	for _, row := range table(t, "tolerance_factors.csv", 32) {
		n := int(row[0])
		for i, c := range [][2]float64{{0.95, 0.70}, {0.95, 0.90}, {0.95, 0.95}, {0.90, 0.95}, {0.99, 0.95}} {
			near(t, "k", toleranceFactor(n, c[0], c[1]), row[i+1], 5.1e-5)
		}
	}
	for n, k := range map[int]float64{3: 7.656, 5: 4.203, 6: 3.708, 10: 2.911, 20: 2.396, 30: 2.220} {
		near(t, "k 95/95", toleranceFactor(n, 0.95, 0.95), k, 5.1e-4)
	}
}

// A lognormal example (six welding fume results: 0.84 0.98 0.42 1.16 1.36 2.66; printed gm 1.06, gsd 1.83), taken as levels
// 10 lg x: upper limits 4.0004 and 10.0496, share above 5: 0.00531, and the 95/70 limit is below 5.
func TestGroupLognormalExample(t *testing.T) {
	var values []float64
	for _, x := range []float64{0.84, 0.98, 0.42, 1.16, 1.36, 2.66} {
		values = append(values, 50+10*math.Log10(x))
	}
	r := group(t, 50+10*math.Log10(5), values...)
	back := func(db float64) float64 { return math.Pow(10, (db-50)/10) }
	near(t, "gm", back(r.MeanDB), 1.06399, 6e-6)
	near(t, "gsd", math.Pow(10, value(t, "sd", r.SDDB)/10), 1.83242, 6e-6)
	near(t, "mean", back(r.EnergyMeanDB), 1.24, 6e-3)
	near(t, "95/70", back(value(t, "utl", r.UpperTolerance9570DB)), 4.0004, 6e-5)
	near(t, "95/95", back(value(t, "utl", r.UpperTolerance9595DB)), 10.0496, 6e-4)
	near(t, "exceedance", value(t, "exceedance", r.ExceedanceFraction), 0.00531, 6e-6)
	if r.UpperLimitBelow == nil || !*r.UpperLimitBelow {
		t.Error("4.0004 is below 5")
	}
}

// Levels in dB are logarithms already: arithmetic mean and deviation of the dB values, energy mean + 0.115 s², and the
// direct energy mean.
func TestGroupMeans(t *testing.T) {
	r := group(t, 85, 80, 82, 84, 86, 88, 90)
	near(t, "mean", r.MeanDB, 85, 0)
	near(t, "sd", value(t, "sd", r.SDDB), math.Sqrt(14), 1e-6)
	near(t, "estimate", value(t, "estimate", r.EnergyMeanEstimateDB), 85+0.115*14, 1e-6)
	near(t, "direct", r.EnergyMeanDB, 10*math.Log10((1e8+math.Pow(10, 8.2)+math.Pow(10, 8.4)+math.Pow(10, 8.6)+math.Pow(10, 8.8)+1e9)/6), 1e-6)
	near(t, "95/70", value(t, "utl", r.UpperTolerance9570DB), 85+2.1867*math.Sqrt(14), 3e-4)
	near(t, "95/95", value(t, "utl", r.UpperTolerance9595DB), 85+3.7077*math.Sqrt(14), 3e-4)
	near(t, "half above the mean", value(t, "exceedance", r.ExceedanceFraction), 0.5, 0)
	if r.Above != 3 || r.UpperLimitBelow == nil || *r.UpperLimitBelow {
		t.Errorf("%+v", r)
	}
}

func TestGroupOfFew(t *testing.T) {
	one := group(t, 85, 90)
	if one.N != 1 || one.SDDB != nil || one.ExceedanceFraction != nil || one.UpperTolerance9570DB != nil || one.EnergyMeanUpper95DB != nil || one.UpperLimitBelow != nil || one.EnergyMeanDB != 90 {
		t.Errorf("%+v", one)
	}
	two := group(t, 85, 80, 82)
	near(t, "k of two", value(t, "k", two.K9595), 26.2597, 1e-4) // scipy 1.10, nct
	if two.EnergyMeanUpper95DB != nil || two.UpperLimitBelow != nil {
		t.Errorf("%+v", two)
	}
	five, six := group(t, 120, 80, 81, 82, 83, 84), group(t, 120, 80, 81, 82, 83, 84, 85)
	if five.UpperLimitBelow != nil || five.UpperTolerance9570DB == nil || five.Advice[0].Code != "few_values" {
		t.Errorf("five: %+v", five)
	}
	if six.UpperLimitBelow == nil || !*six.UpperLimitBelow {
		t.Errorf("six: %+v", six)
	}
	same := group(t, 85, 85, 85, 85, 85, 85, 85)
	if *same.ExceedanceFraction != 0 || *same.UpperTolerance9595DB != 85 || *same.UpperLimitBelow || same.Above != 0 || same.Outlier != nil {
		t.Errorf("equal values at the limit: %+v", same)
	}
	if over := group(t, 84.999999, 85, 85, 85, 85, 85, 85); *over.ExceedanceFraction != 1 || over.Above != 6 {
		t.Errorf("equal values above the limit: %+v", over)
	}
}

// The 95/70 limit a millionth of a dB below, at and above the limit: equal is not below.
func TestGroupLimitExactly(t *testing.T) {
	values := []float64{80, 82, 84, 86, 88, 90}
	limit := *group(t, 85, values...).UpperTolerance9570DB
	for off, want := range map[float64]bool{-1e-6: false, 0: false, 1e-6: true} {
		if r := group(t, limit+off, values...); *r.UpperLimitBelow != want {
			t.Errorf("limit %+g: %v", off, *r.UpperLimitBelow)
		}
	}
}

// NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory): eight mass spectrometer results, G = 2.4687 for 245.57, and the critical
// value of the one-sided test at 5 % is 2.032.
func TestGrubbs(t *testing.T) {
	values := []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
	near(t, "critical", grubbsCritical(8, 0.05), 2.032, 6e-4)
	o := grubbs(values)
	if o == nil || o.Index != 7 || o.ValueDB != 245.57 {
		t.Fatalf("%+v", o)
	}
	near(t, "G", o.Grubbs, 2.4687, 1e-4)
	if o := grubbs(values[:7]); o != nil {
		t.Errorf("%+v among seven near values", o)
	}
	r := group(t, 85, 80, 80.5, 81, 80.2, 80.7, 60)
	if r.Outlier == nil || r.Outlier.Index != 5 || r.N != 6 || !slices.ContainsFunc(r.Advice, func(a Advice) bool { return a.Code == "outlier" }) {
		t.Errorf("%+v", r)
	}
}

func TestGroupComparison(t *testing.T) {
	r, err := ComputeGroup(Group{[]float64{80, 82, 84}, 85, []float64{90}})
	if err != nil || r.Comparison.N != 1 || r.Comparison.SDDB != nil || r.Comparison.Welch != nil || r.Comparison.DifferenceDB != -8 {
		t.Errorf("%+v, %v", r.Comparison, err)
	}
	// Equal sizes and spreads: Welch's test is Student's, t = d / sqrt(2 s²/n) with 2(n-1) degrees of freedom.
	r, err = ComputeGroup(Group{[]float64{80, 82, 84}, 85, []float64{90, 92, 94}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "t", value(t, "t", r.Comparison.Welch), -10/math.Sqrt(8.0/3), 1e-6)
	near(t, "degrees", value(t, "df", r.Comparison.DegreesOfFreedom), 4, 1e-6)
	near(t, "upper", value(t, "upper", r.Comparison.Upper95DB), -10+2.776445*math.Sqrt(8.0/3), 1e-5) // t of 4 degrees, 97.5 %
	same, err := ComputeGroup(Group{[]float64{80, 80}, 85, []float64{80, 80}})
	if err != nil || same.Comparison.Welch != nil || same.Comparison.DifferenceDB != 0 {
		t.Errorf("%+v, %v", same.Comparison, err)
	}
}

// Order does not matter; so many dB more on every value and on the limit change levels by as much and shares not at all; the
// upper limit of the exceedance and the tolerance limit tell the same story.
func TestGroupProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(60, 110), 3, 30).Draw(t, "values")
		limit := rapid.Float64Range(60, 120).Draw(t, "limit")
		if deviation(values) < 0.01 {
			return
		}
		compute := func(db []float64, limit float64) GroupResult {
			r, err := ComputeGroup(Group{ValuesDB: db, LimitDB: limit})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		a := compute(values, limit)
		b := compute(rapid.Permutation(values).Draw(t, "order"), limit)
		agree(t, "order", a.UpperTolerance9595DB, b.UpperTolerance9595DB, 2e-6)
		moved := make([]float64, len(values))
		for i, x := range values {
			moved[i] = x + 7
		}
		c := compute(moved, limit+7)
		up := *a.UpperTolerance9570DB + 7
		agree(t, "moved", &up, c.UpperTolerance9570DB, 3e-6)
		energy := *a.EnergyMeanUpper95DB + 7
		agree(t, "moved energy", &energy, c.EnergyMeanUpper95DB, 1e-5)
		agree(t, "share", a.ExceedanceFraction, c.ExceedanceFraction, 1e-5)
		if *a.UpperTolerance9570DB > *a.UpperTolerance9595DB || *a.EnergyMeanLower95DB > *a.EnergyMeanUpper95DB || a.EnergyMeanDB < a.MeanDB-1e-6 {
			t.Fatalf("%+v", a)
		}
		if a.ExceedanceUpper95 == nil || *a.ExceedanceUpper95 < *a.ExceedanceFraction-1e-6 {
			t.Fatalf("exceedance %v, upper %v", *a.ExceedanceFraction, deref(a.ExceedanceUpper95))
		}
		if gap := *a.UpperTolerance9595DB - limit; math.Abs(gap) > 1e-3 && (gap < 0) != (*a.ExceedanceUpper95 < 0.05) {
			t.Fatalf("95/95 limit %v, limit %v, upper exceedance %v", *a.UpperTolerance9595DB, limit, *a.ExceedanceUpper95)
		}
	})
}

func TestGroupsThatCannotBeComputed(t *testing.T) {
	for name, g := range map[string]Group{
		"no values": {LimitDB: 85}, "NaN": {ValuesDB: []float64{math.NaN()}, LimitDB: 85}, "limit": {ValuesDB: []float64{80}, LimitDB: -1},
		"empty second": {ValuesDB: []float64{80}, LimitDB: 85, CompareDB: []float64{}},
	} {
		if _, err := ComputeGroup(g); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
