package exposure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Group is a similar exposure group: one daily level a worker-day, in dB, and the limit they are set against. CompareDB may
// hold the levels of a second group.
type Group struct {
	ValuesDB  []float64
	LimitDB   float64
	CompareDB []float64
}

// Outlier is the value farthest from the mean, where Grubbs' test at 5 % calls it suspect. It stays in all results.
type Outlier struct {
	Index    int     `json:"index"` // from 0
	ValueDB  float64 `json:"value_db"`
	Grubbs   float64 `json:"grubbs"`
	Critical float64 `json:"critical"`
}

// GroupComparison sets a second group beside the first by Welch's t test: the arithmetic means of the levels, without
// taking the spreads as equal. The difference is first minus second.
type GroupComparison struct {
	N                int      `json:"n"`
	MeanDB           float64  `json:"mean_db"`
	SDDB             *float64 `json:"sd_db"`
	DifferenceDB     float64  `json:"difference_db"`
	Welch            *float64 `json:"welch_t"`
	DegreesOfFreedom *float64 `json:"degrees_of_freedom"`
	PTwoSided        *float64 `json:"p_two_sided"`
	Lower95DB        *float64 `json:"difference_lower_95_db"` // two-sided 95 % interval of the difference
	Upper95DB        *float64 `json:"difference_upper_95_db"`
}

// GroupResult describes a group and gives bounds; whether the bounds are good enough is for law and people to say. Levels in
// dB are taken as normal, that is sound exposures as lognormal. nil: too few values.
type GroupResult struct {
	Engine               string   `json:"engine"`
	N                    int      `json:"n"`
	LimitDB              float64  `json:"limit_db"`
	MeanDB               float64  `json:"mean_db"` // arithmetic
	SDDB                 *float64 `json:"sd_db"`   // n - 1
	EnergyMeanDB         float64  `json:"energy_mean_db"`
	EnergyMeanEstimateDB *float64 `json:"energy_mean_estimate_db"` // mean + 0.115 s²
	EnergyMeanLower95DB  *float64 `json:"energy_mean_lower_95_db"` // Land's exact limits, one-sided 95 % each, of n >= 3
	EnergyMeanUpper95DB  *float64 `json:"energy_mean_upper_95_db"`
	Above                int      `json:"values_above"`
	ExceedanceFraction   *float64 `json:"exceedance_fraction"` // estimate of the share of worker-days above the limit
	ExceedanceUpper95    *float64 `json:"exceedance_upper_95"` // its one-sided 95 % upper limit
	K9570                *float64 `json:"k_95_70"`
	K9595                *float64 `json:"k_95_95"`
	UpperTolerance9570DB *float64 `json:"upper_tolerance_95_70_db"` // 95 % of worker-days are below, with 70 % confidence
	UpperTolerance9595DB *float64 `json:"upper_tolerance_95_95_db"`
	UpperLimitBelow      *bool    `json:"upper_limit_below"` // the 95/70 limit is below limit_db; nil for n < 6

	Outlier    *Outlier         `json:"outlier"`
	Comparison *GroupComparison `json:"comparison,omitzero"`
	Advice     []Advice         `json:"advice"`
}

const (
	leastForTolerance = 6     // EN 689:2018, 5.5.3 (from memory): a statistical statement takes at least six results
	energyMeanFactor  = 0.115 // ln 10 / 20 as it is printed
)

// ComputeGroup makes the statistics of a group. A level equal to the limit is not above it, and a tolerance limit equal to
// it is not below it. Faults have the code exposure-input.
func ComputeGroup(g Group) (GroupResult, error) {
	if where, what := g.trouble(); what != "" {
		return GroupResult{}, badInput("%s: %s", where, what)
	}
	n, average, s := len(g.ValuesDB), mean(g.ValuesDB), deviation(g.ValuesDB)
	r := GroupResult{Engine: EngineVersion, N: n, LimitDB: g.LimitDB, MeanDB: Level(average), EnergyMeanDB: Level(energyMean(g.ValuesDB)), Advice: []Advice{}}
	for _, db := range g.ValuesDB {
		if Level(db) > Level(g.LimitDB) {
			r.Above++
		}
	}
	if n >= 2 {
		r.SDDB = known(s)
		r.EnergyMeanEstimateDB = known(average + float64(energyMeanFactor*s*s))
		r.bounds(average, s)
	}
	if n >= 3 {
		estimate := average + float64(s*s/(2*dBPerNeper))
		r.EnergyMeanLower95DB, r.EnergyMeanUpper95DB = known(estimate+landExcess(n, s, 0.05)), known(estimate+landExcess(n, s, 0.95))
		r.Outlier = grubbs(g.ValuesDB)
	}
	if g.CompareDB != nil {
		r.Comparison = compareGroups(g.ValuesDB, g.CompareDB)
	}
	r.adviseGroup()
	return r, nil
}

// bounds adds what the normal distribution of the levels says about the limit.
func (r *GroupResult) bounds(average, s float64) {
	k70, k95 := toleranceFactor(r.N, 0.95, 0.70), toleranceFactor(r.N, 0.95, 0.95)
	r.K9570, r.K9595 = known(k70), known(k95)
	r.UpperTolerance9570DB, r.UpperTolerance9595DB = known(average+float64(k70*s)), known(average+float64(k95*s))
	if Level(s) == 0 {
		fraction := 0.0
		if Level(average) > Level(r.LimitDB) {
			fraction = 1
		}
		r.ExceedanceFraction = &fraction
	} else {
		distance := (r.LimitDB - average) / s
		r.ExceedanceFraction, r.ExceedanceUpper95 = share(normal.Survival(distance)), exceedanceUpper(r.N, distance, 0.95)
	}
	if r.N >= leastForTolerance {
		below := *r.UpperTolerance9570DB < Level(r.LimitDB)
		r.UpperLimitBelow = &below
	}
}

func (r *GroupResult) adviseGroup() {
	if r.N < leastForTolerance {
		r.advise("few_values", fmt.Sprintf("Number of values: %d. Bounds are wide, and at least six are needed before an upper limit is set against the limit (EN 689:2018, from memory). Measure more worker-days.", r.N))
	}
	if r.SDDB != nil && *r.SDDB == 0 {
		r.advise("no_spread", "All values are equal: the spread of the group is not known from them.")
	}
	if o := r.Outlier; o != nil {
		r.advise("outlier", fmt.Sprintf("The value %.1f dB (number %d) lies unusually far from the others (Grubbs' test, 5 %%). It is kept: look for the cause, and see whether the group is one group.", o.ValueDB, o.Index+1))
	}
	r.advise("bounds_not_a_judgement", "The tolerance limits hold if the worker-days were picked at random and the levels are near to normal. They are bounds; what they mean is for the regulation and a competent person to say.")
}

func (r *GroupResult) advise(code, text string) {
	r.Advice = append(r.Advice, Advice{Code: code, Text: text})
}

// grubbs gives the value farthest from the mean when Grubbs' two-sided test at 5 % calls it suspect (F. E. Grubbs,
// Technometrics 11 (1969) 1; ISO 5725-2, 8.3.5).
func grubbs(values []float64) *Outlier {
	n, average, s := float64(len(values)), mean(values), deviation(values)
	if Level(s) == 0 {
		return nil
	}
	at := 0
	for i, x := range values {
		if math.Abs(x-average) > math.Abs(values[at]-average) {
			at = i
		}
	}
	o := Outlier{Index: at, ValueDB: values[at], Grubbs: Level(math.Abs(values[at]-average) / s), Critical: Level(grubbsCritical(n, 0.05/2))}
	if o.Grubbs <= o.Critical {
		return nil
	}
	return &o
}

// grubbsCritical is the critical value of Grubbs' statistic for n values, one-sided at alpha.
func grubbsCritical(n, alpha float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile(1 - alpha/n)
	return (n - 1) / math.Sqrt(n) * math.Sqrt(t*t/(n-2+float64(t*t)))
}

// compareGroups sets two groups side by side (B. L. Welch, Biometrika 34 (1947) 28).
func compareGroups(first, second []float64) *GroupComparison {
	a, b := len(first), len(second)
	c := &GroupComparison{N: b, MeanDB: Level(mean(second)), DifferenceDB: Level(mean(first) - mean(second))}
	if b >= 2 {
		c.SDDB = known(deviation(second))
	}
	if a < 2 || b < 2 {
		return c
	}
	va, vb := deviation(first), deviation(second)
	va, vb = va*va/float64(a), vb*vb/float64(b)
	if Level(math.Sqrt(va+vb)) == 0 {
		return c
	}
	difference, spread := mean(first)-mean(second), math.Sqrt(va+vb)
	degrees := (va + vb) * (va + vb) / (float64(va*va/float64(a-1)) + float64(vb*vb/float64(b-1)))
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: degrees}
	half := t.Quantile(0.975) * spread
	c.Welch, c.DegreesOfFreedom = known(difference/spread), known(degrees)
	c.PTwoSided = share(2 * t.Survival(math.Abs(difference/spread)))
	c.Lower95DB, c.Upper95DB = known(difference-half), known(difference+half)
	return c
}

// trouble says which part of a group cannot be used, as a path, and why.
func (g Group) trouble() (where, what string) {
	if where, what := levelsTrouble("values_db", g.ValuesDB); what != "" {
		return where, what
	}
	if text := levelTrouble(g.LimitDB); text != "" {
		return "limit_db", text
	}
	if g.CompareDB != nil {
		return levelsTrouble("compare_db", g.CompareDB)
	}
	return "", ""
}

// levelsTrouble says which of the levels of a list cannot be used, or that there are none.
func levelsTrouble(name string, db []float64) (where, what string) {
	if len(db) == 0 {
		return name, "at least one level is needed"
	}
	for i, x := range db {
		if text := levelTrouble(x); text != "" {
			return fmt.Sprintf("%s/%d", name, i), text
		}
	}
	return "", ""
}
