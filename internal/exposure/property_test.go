package exposure

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// aHistory draws levels on one of the three grids, with or without gaps.
func aHistory(t *rapid.T) History {
	per := rapid.SampledFrom([]float64{10, 100, 1e6}).Draw(t, "steps per dB")
	low := rapid.Float64Range(40, 90).Draw(t, "lowest")
	db := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) float64 {
		return math.Round(rapid.Float64Range(low, low+40).Draw(t, "level")*per) / per
	}), 1, 200).Draw(t, "levels")
	levels, err := NewLevels(db)
	if err != nil {
		t.Fatal(err)
	}
	return History{StepSeconds: rapid.SampledFrom([]float64{0.125, 1, 60}).Draw(t, "step"), Quantity: LASmax, Levels: levels}
}

func must(t *rapid.T, h History, c Context) Metrics {
	m, err := Compute(h, nil, Profiles(), c)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func stored(t *rapid.T, m Metrics) string {
	b, err := m.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func agree(t *rapid.T, what string, a, b *float64, tolerance float64) {
	if (a == nil) != (b == nil) || a != nil && math.Abs(*a-*b) > tolerance {
		t.Fatalf("%s: %v and %v", what, deref(a), deref(b))
	}
}

func deref(p *float64) any {
	if p == nil {
		return nil
	}
	return *p
}

func TestOrderOfLevelsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		shuffled := h
		shuffled.Levels, _ = NewLevels(rapid.Permutation(h.Levels.DB()).Draw(t, "order"))
		if a, b := stored(t, must(t, h, Context{})), stored(t, must(t, shuffled, Context{})); a != b {
			t.Fatalf("%s\n%s", a, b)
		}
	})
}

func TestExcludingNothingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		if a, b := stored(t, must(t, h, Context{})), stored(t, must(t, h, Context{Exclusions: []Exclusion{}})); a != b {
			t.Fatalf("%s\n%s", a, b)
		}
	})
}

// Cutting a piece out gives what the rest alone gives; declaring it not exposed keeps the energy of the rest.
func TestExclusionEqualsTheRestAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		n := h.Levels.Len()
		if n < 2 {
			return
		}
		from := rapid.IntRange(0, n-2).Draw(t, "from")
		to := rapid.IntRange(from+1, n-1).Draw(t, "to")
		db := h.Levels.DB()
		rest := h
		rest.Levels, _ = NewLevels(slices.Concat(db[:from], db[to:]))
		x := Exclusion{float64(from) * h.StepSeconds, float64(to) * h.StepSeconds, "test", Remove}
		cut, alone := must(t, h, Context{Exclusions: []Exclusion{x}}), must(t, rest, Context{})
		agree(t, "L_Aeq", cut.LAeqDB, alone.LAeqDB, 0)
		agree(t, "L50", cut.L50DB, alone.L50DB, 0)
		agree(t, "dose", cut.Profiles[0].DosePercent, alone.Profiles[0].DosePercent, 0)
		x.Treat = NotExposed
		kept := must(t, h, Context{Exclusions: []Exclusion{x}})
		if math.Abs(kept.Pa2h-alone.Pa2h) > 2e-6*alone.Pa2h || kept.DurationHours != must(t, h, Context{}).DurationHours {
			t.Fatalf("%+v\n%+v", kept, alone)
		}
		gap := h
		gap.Gaps = []Steps{{from, to}}
		agree(t, "gap", must(t, gap, Context{}).LAeqDB, alone.LAeqDB, 0)
	})
}

// Parts of steps add up: what two neighbouring exclusions take out is what one over both takes out.
func TestExclusionsJoin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		end := h.Seconds()
		a := rapid.Float64Range(0, end*0.4).Draw(t, "a")
		b := rapid.Float64Range(end*0.45, end*0.6).Draw(t, "b")
		c := rapid.Float64Range(end*0.65, end*0.9).Draw(t, "c")
		two := must(t, h, Context{Exclusions: []Exclusion{{a, b, "x", Remove}, {b, c, "y", Remove}}})
		one := must(t, h, Context{Exclusions: []Exclusion{{a, c, "z", Remove}}})
		agree(t, "L_Aeq", two.LAeqDB, one.LAeqDB, 1e-6)
		if math.Abs(two.DurationHours-(end-(c-a))/3600) > 1e-9*end {
			t.Fatalf("%v h are left of %v s without %v s", two.DurationHours, end, c-a)
		}
	})
}

func TestMoreNoiseIsMoreDose(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		db := h.Levels.DB()
		i := rapid.IntRange(0, len(db)-1).Draw(t, "position")
		db[i] = Level(min(200, db[i]+rapid.Float64Range(0, 30).Draw(t, "more")))
		louder := h
		louder.Levels, _ = NewLevels(db)
		a, b := must(t, h, Context{}), must(t, louder, Context{})
		if *b.LAeqDB < *a.LAeqDB || b.Pa2h < a.Pa2h || *b.MaxDB < *a.MaxDB {
			t.Fatalf("%+v\n%+v", a, b)
		}
		for k, p := range a.Profiles {
			if p.DosePercent != nil && *b.Profiles[k].DosePercent < *p.DosePercent {
				t.Fatalf("%s: %v, then %v", p.Profile, *p.DosePercent, *b.Profiles[k].DosePercent)
			}
		}
	})
}

// Jensen's inequality: a 5 dB average is never above the equal-energy average, and equal for a steady level.
func TestFiveDecibelAverageIsNotAboveLAeq(t *testing.T) {
	noThreshold := Profile{ID: "q5", Edition: "constructed", Version: 1, Weighting: "A", Response: "slow",
		Dose: &Criterion{CriterionDB: 90, CriterionHours: 8, ExchangeDB: 5}}
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		m, err := Compute(h, nil, []Profile{noThreshold}, Context{})
		if err != nil {
			t.Fatal(err)
		}
		if *m.Profiles[0].LavgDB > *m.LAeqDB+1e-6 {
			t.Fatalf("L_avg %v above L_Aeq %v", *m.Profiles[0].LavgDB, *m.LAeqDB)
		}
		steady := h
		steady.Levels, _ = NewLevels(slices.Repeat([]float64{h.Levels.At(0)}, 5))
		m, err = Compute(steady, nil, []Profile{noThreshold}, Context{})
		if err != nil {
			t.Fatal(err)
		}
		agree(t, "steady", m.Profiles[0].LavgDB, m.LAeqDB, 1e-6)
		agree(t, "steady", m.Profiles[0].LavgDB, m.MaxDB, 1e-6)
	})
}

func TestThreeMoreDecibelsDoubleTheExposure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := math.Round(rapid.Float64Range(30, 150).Draw(t, "level")*1000) / 1000
		hours := rapid.Float64Range(0.01, 24).Draw(t, "hours")
		exposure := func(s ...Segment) Metrics {
			m, err := ComputeSegments(s, Profiles(), Context{})
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
		base := exposure(Segment{level, hours})
		if twice := exposure(Segment{level, 2 * hours}); math.Abs(twice.Pa2h/base.Pa2h-2) > 3e-6 {
			t.Fatalf("twice the time: %v, %v Pa²h", base.Pa2h, twice.Pa2h)
		}
		if more := exposure(Segment{level + 10*math.Log10(2), hours}); math.Abs(more.Pa2h/base.Pa2h-2) > 3e-6 {
			t.Fatalf("10 lg 2 dB more: %v, %v Pa²h", base.Pa2h, more.Pa2h)
		}
		share := rapid.Float64Range(1e-6, 1-1e-6).Draw(t, "share")
		split := exposure(Segment{level, hours * share}, Segment{level, hours - hours*share})
		agree(t, "split L_EX,8h", base.LEX8hDB, split.LEX8hDB, 1e-6)
		for k, p := range base.Profiles {
			if p.DosePercent != nil && math.Abs(*p.DosePercent-*split.Profiles[k].DosePercent) > 2e-6**p.DosePercent {
				t.Fatalf("%s: split dose %v, whole %v", p.Profile, *split.Profiles[k].DosePercent, *p.DosePercent)
			}
		}
	})
}

// The counted distribution gives what the sums over the samples give.
func TestCountingAgreesWithSumming(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		m := must(t, h, Context{})
		energy, n := 0.0, float64(h.Levels.Len())
		for _, x := range h.Levels.DB() {
			energy += math.Pow(10, x/10)
		}
		laeq := 10 * math.Log10(energy/n)
		agree(t, "L_Aeq", m.LAeqDB, &laeq, 1e-6)
		for k, p := range Profiles() {
			if p.Dose == nil {
				continue
			}
			dose := 0.0
			for _, x := range h.Levels.DB() {
				if x >= *p.Dose.ThresholdDB {
					dose += 100 * h.StepSeconds / 3600 / 8 * math.Pow(2, (x-p.Dose.CriterionDB)/p.Dose.ExchangeDB)
				}
			}
			agree(t, p.ID, m.Profiles[k].DosePercent, &dose, 1e-6*dose)
		}
	})
}

// Percentiles by definition 7 of Hyndman and Fan over a sorted copy.
func TestPercentilesAgreeWithSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := aHistory(t)
		m := must(t, h, Context{})
		sorted := h.Levels.DB()
		slices.Sort(sorted)
		for share, got := range map[float64]*float64{0.1: m.L10DB, 0.5: m.L50DB, 0.9: m.L90DB} {
			rank := (1 - share) * float64(len(sorted)-1)
			low := int(math.Floor(rank + 1e-9))
			want := sorted[low]
			if low+1 < len(sorted) {
				want += max(0, rank-float64(low)) * (sorted[low+1] - sorted[low])
			}
			agree(t, "percentile", got, &want, 1.1e-6)
		}
	})
}

func TestTasksShareTheDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hours := rapid.Float64Range(0.1, 12).Draw(t, "hours")
		levels := rapid.SliceOfN(rapid.Float64Range(50, 120), 1, 8).Draw(t, "levels")
		whole, err := ComputeTasks(TaskDay{Tasks: []Task{{Name: "a", Hours: hours, LevelsDB: levels}}})
		if err != nil {
			t.Fatal(err)
		}
		halves, err := ComputeTasks(TaskDay{Tasks: []Task{{Name: "a", Hours: hours / 2, LevelsDB: levels}, {Name: "b", Hours: hours / 2, LevelsDB: levels}}})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(whole.LEX8hDB-halves.LEX8hDB) > 2e-6 || halves.StandardUncertainty > whole.StandardUncertainty+1e-6 {
			t.Fatalf("%+v\n%+v", whole, halves)
		}
		total := 0.0
		for _, s := range halves.Tasks {
			total += s.C1a
		}
		if math.Abs(total-1) > 3e-6 {
			t.Fatalf("the sensitivities add up to %v", total)
		}
	})
}
