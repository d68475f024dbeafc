package exposure

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// ISO 9612:2009, Table C.4 (from memory) against Land's exact one-sided 95 % upper limit over 1.65: all 180 cells agree within
// 0.16 dB, the worst for three samples and u1 = 1.5 dB, where the table is higher.
func TestLandAgainstTableC4(t *testing.T) {
	worst, cells := 0.0, 0
	for i, n := range c4Samples {
		for j, printed := range c4Values[i] {
			difference := landC1U1(n, 0.5*float64(j+1)) - printed
			cells++
			if math.Abs(difference) > math.Abs(worst) {
				worst = difference
			}
		}
	}
	if cells != 180 {
		t.Fatalf("%d cells", cells)
	}
	near(t, "worst cell", worst, -0.155, 6e-4)
	near(t, "Annex E", landC1U1(6, 2.0027), 1.383, 6e-4) // ISO 9612:2009, Annex E: by the table 1.403
}

// R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), Table A12: Land's H for the upper 95 %
// limit at a standard deviation of 0.10 in natural logarithms (the values from memory).
func TestLandAgainstPrintedFactors(t *testing.T) {
	for n, h := range map[int]float64{3: 2.750, 5: 2.035, 7: 1.886, 10: 1.802, 12: 1.775, 15: 1.749, 21: 1.722, 31: 1.701, 51: 1.684, 101: 1.670} {
		got := landExcess(n, 0.1*dBPerNeper, 0.95) / dBPerNeper * math.Sqrt(float64(n-1)) / 0.1
		near(t, "H", got, h, 6e-4)
	}
}

// No spread, no excess; more spread, more; more samples, less; the lower limit lies below; nothing breaks at the widest
// spread that levels of 0 to 200 dB allow.
func TestLandsShape(t *testing.T) {
	if landExcess(5, 0, 0.95) != 0 {
		t.Error("an excess without spread")
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 60).Draw(t, "n")
		s := rapid.Float64Range(0.01, 20).Draw(t, "s")
		upper, lower := landExcess(n, s, 0.95), landExcess(n, s, 0.05)
		if !(upper > 0 && lower < 0) {
			t.Fatalf("limits %v and %v", lower, upper)
		}
		if wider := landExcess(n, s*1.05, 0.95); !(wider > upper) {
			t.Fatalf("%v after %v with more spread", wider, upper)
		}
		if more := landExcess(n+1, s, 0.95); !(more < upper) {
			t.Fatalf("%v after %v with one more sample", more, upper)
		}
	})
	for _, s := range []float64{1e-6, 115} {
		for _, n := range []int{3, 1000} {
			if x := landExcess(n, s, 0.95); !(x > 0) || math.IsInf(x, 0) {
				t.Errorf("n %d, s %v: %v", n, s, x)
			}
		}
	}
}

// The limits cover: of many groups drawn from a known population, the true energy mean lies below the upper limit in 95 %
// and above the lower one in 95 %.
func TestLandCovers(t *testing.T) {
	const groups, n = 2000, 5
	mean, sd := 85.0, 4.0
	truth := mean + sd*sd/(2*dBPerNeper)
	above, below := 0, 0
	state := uint64(1)
	draw := func() float64 { // a fixed sequence, so that the counts are the same each time
		state = state*6364136223846793005 + 1442695040888963407
		return normal.Quantile((float64(state>>11) + 0.5) / (1 << 53))
	}
	for range groups {
		values := make([]float64, n)
		for i := range values {
			values[i] = mean + sd*draw()
		}
		r, err := ComputeGroup(Group{ValuesDB: values, LimitDB: 85})
		if err != nil {
			t.Fatal(err)
		}
		if *r.EnergyMeanUpper95DB < truth {
			above++
		}
		if *r.EnergyMeanLower95DB > truth {
			below++
		}
	}
	near(t, "missed above", float64(above)/groups, 0.05, 0.015)
	near(t, "missed below", float64(below)/groups, 0.05, 0.015)
}
