package exposure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// benchShift is an invented shift of 28,800 one-second levels on the given grid: work around 82 dB with louder spells.
func benchShift(perDB int) History {
	r := rand.New(rand.NewPCG(1, 2))
	db := make([]float64, 28800)
	base := 78.0
	for i := range db {
		if i%600 == 0 {
			base = 68 + 26*r.Float64()
		}
		x := math.Max(30, base+4*r.NormFloat64())
		db[i] = math.Round(x*float64(perDB)) / float64(perDB)
	}
	levels, err := NewLevels(db)
	if err != nil {
		panic(err)
	}
	return History{StepSeconds: 1, Quantity: LAeq, Levels: levels}
}

var sink float64

func plainSum(levels []uint16) uint64 {
	var s uint64
	for _, v := range levels {
		s += uint64(v)
	}
	return s
}

// powPerSample is the textbook way: a power a sample for energy and for each dose, percentiles from a sorted copy.
func powPerSample(db []float64, profiles []Profile) float64 {
	energy, out := 0.0, 0.0
	for _, x := range db {
		energy += math.Pow(10, x/10)
	}
	for _, p := range profiles {
		if p.Dose == nil {
			continue
		}
		dose := 0.0
		for _, x := range db {
			if x >= *p.Dose.ThresholdDB {
				dose += math.Pow(2, (x-p.Dose.CriterionDB)/p.Dose.ExchangeDB)
			}
		}
		out += dose
	}
	sorted := slices.Clone(db)
	slices.Sort(sorted)
	return out + energy + sorted[len(sorted)/2]
}

// kernel is every number of a shift and of all profiles, without the texts of verdicts.
func kernel(h History, profiles []Profile) float64 {
	p, _ := h.plan(nil)
	d, err := h.distribute(p)
	if err != nil {
		panic(err)
	}
	out := d.laeq() + d.pa2h() + d.exceeded(0.1) + d.exceeded(0.5) + d.exceeded(0.9) + d.max()
	for _, p := range profiles {
		if r := d.profile(p, 8); r.DosePercent != nil {
			out += *r.DosePercent
		}
	}
	return out
}

// BenchmarkKernel reports how many plain sums over the same levels the whole takes, and how many of it a power a sample
// takes, in one run.
func BenchmarkKernel(b *testing.B) {
	profiles := Profiles()
	for name, perDB := range map[string]int{"0.1dB": 10, "0.01dB": 100} {
		h := benchShift(perDB)
		db := h.Levels.DB()
		b.Run("numbers/"+name, func(b *testing.B) {
			compare(b, h, func() { sink += kernel(h, profiles) }, func() { sink += powPerSample(db, profiles) })
		})
		b.Run("verdicts/"+name, func(b *testing.B) {
			compare(b, h, func() {
				m, err := Compute(h, nil, profiles, Context{ShiftHours: 8})
				if err != nil {
					b.Fatal(err)
				}
				sink += m.Pa2h
			}, func() { sink += powPerSample(db, profiles) })
		})
	}
}

func compare(b *testing.B, h History, whole, textbook func()) {
	whole()
	b.ReportAllocs()
	for b.Loop() {
		whole()
	}
	own, sums, slow := math.Inf(1), math.Inf(1), math.Inf(1)
	for range 30 { // side by side, so that a busy machine slows both
		own = min(own, spent(20, whole))
		sums = min(sums, spent(20, func() { sink += float64(plainSum(h.Levels.Coarse)) }))
		slow = min(slow, spent(1, textbook))
	}
	b.ReportMetric(own/sums, "plain-sums")
	b.ReportMetric(slow/own, "times-faster-than-pow")
}

// spent is the time of one call in ns, over so many calls.
func spent(calls int, f func()) float64 {
	start := time.Now()
	for range calls {
		f()
	}
	return float64(time.Since(start)) / float64(calls)
}
