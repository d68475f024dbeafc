package exposure

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// bin is how long one level lasted. at is the level in steps of the distribution's resolution.
type bin struct {
	at     int32
	weight float64
}

// distribution is how long each level lasted, levels rising; every metric is computed from it. A weight of 1 stands for
// unit/per hours. silent is time that counts but carries no energy.
type distribution struct {
	bins      []bin
	perDB     int
	unit, per float64
	silent    float64
	total     float64 // silent included
	energy    float64 // sum of weight times 10^(L/10)
}

// finish adds up what several metrics need.
func (d *distribution) finish() {
	d.total = d.silent
	for _, b := range d.bins {
		d.total += b.weight
	}
	d.energy = d.sum(energyGrowth, 0)
}

// hours turns a weight into hours; the order of the operations keeps whole hours exact.
func (d distribution) hours(weight float64) float64 { return weight * d.unit / d.per }

func (d distribution) level(i int) float64 { return float64(d.bins[i].at) / float64(d.perDB) }

// energyGrowth stands for ten decibels a factor of ten where an exchange rate is asked for.
const energyGrowth = 0

// growth is the weight of a level in a sum: 10^(L/10) for energy, 2^(L/q) for a dose with the exchange rate q.
func growth(db, q float64) float64 {
	if q == energyGrowth {
		return math.Pow(10, db/10)
	}
	return math.Pow(2, db/q)
}

type tableKey struct {
	perDB int
	q     float64
}

// growthTables are read-only: growth at every level of the two coarse resolutions, for energy and the usual exchange rates.
var growthTables = func() map[tableKey]func() []float64 {
	tables := map[tableKey]func() []float64{}
	for _, perDB := range []int{10, 100} {
		for _, q := range []float64{energyGrowth, 3, 4, 5} {
			tables[tableKey{perDB, q}] = sync.OnceValue(func() []float64 {
				t := make([]float64, maxLevel*perDB+1)
				for i := range t {
					t[i] = growth(float64(i)/float64(perDB), q)
				}
				return t
			})
		}
	}
	return tables
}()

// sum adds weight times growth over the levels from fromMicro (1e-6 dB) up.
func (d distribution) sum(q float64, fromMicro int64) float64 {
	bins := d.bins[d.from(fromMicro):]
	total := 0.0
	if table, ok := growthTables[tableKey{d.perDB, q}]; ok {
		t := table()
		for _, b := range bins {
			total += float64(b.weight * t[b.at])
		}
		return total
	}
	for _, b := range bins {
		total += float64(b.weight * growth(float64(b.at)/float64(d.perDB), q))
	}
	return total
}

// from finds the first bin at or above a level given in 1e-6 dB.
func (d distribution) from(fromMicro int64) int {
	step := int64(microPerDB / d.perDB)
	least := int32(min((fromMicro+step-1)/step, math.MaxInt32))
	i, _ := slices.BinarySearchFunc(d.bins, least, func(b bin, at int32) int { return cmp.Compare(b.at, at) })
	return i
}

// laeq is the equivalent level over the whole time in dB, -Inf without energy.
func (d distribution) laeq() float64 {
	return 10 * math.Log10(d.energy/d.total)
}

// pa2h is the sound exposure in Pa²h: the reference pressure squared times the energy sum in hours.
func (d distribution) pa2h() float64 {
	return refPressure * refPressure * d.hours(d.energy)
}

// dose is the dose in per cent by a criterion.
func (d distribution) dose(c Criterion) float64 {
	sum := d.sum(c.ExchangeDB, c.thresholdMicro())
	return 100 * d.hours(sum) / c.CriterionHours / growth(c.CriterionDB, c.ExchangeDB)
}

func (c Criterion) thresholdMicro() int64 {
	if c.ThresholdDB == nil {
		return 0
	}
	return micro(*c.ThresholdDB)
}

// max is the highest level in dB, -Inf when there is none.
func (d distribution) max() float64 {
	if len(d.bins) == 0 {
		return math.Inf(-1)
	}
	return d.level(len(d.bins) - 1)
}

// exceeded gives the level that is exceeded for the share p of the time, 0 to 1: the (1-p) quantile of the step levels,
// interpolated linearly between neighbours in rank order (Hyndman and Fan, 1996, definition 7). Time without energy ranks
// below every level; where the quantile touches it there is no level, -Inf.
func (d distribution) exceeded(p float64) float64 {
	if d.total <= 0 {
		return math.Inf(-1)
	}
	rank := max(0, snap(float64((1-p)*(d.total-1))))
	low, high := d.ranked(math.Floor(rank)), d.ranked(math.Floor(rank)+1)
	share := rank - math.Floor(rank)
	if share == 0 || low == high || math.IsInf(low, -1) {
		return low
	}
	return low + float64(share*(high-low))
}

// ranked is the level of the step with the given rank, counted from 0 at the lowest.
func (d distribution) ranked(rank float64) float64 {
	below := d.silent
	if rank < below {
		return math.Inf(-1)
	}
	for i, b := range d.bins {
		below += b.weight
		if rank < below {
			return d.level(i)
		}
	}
	return d.max()
}

// distribute counts the steps of a plan by level.
func (h History) distribute(p plan) (distribution, error) {
	d := distribution{perDB: h.Levels.PerDB, unit: h.StepSeconds, per: 3600, silent: p.silent}
	count := coarseBins
	if h.Levels.Fine != nil {
		count = fineBins
	}
	var err error
	if d.bins, err = count(h.Levels, p.runs); err != nil {
		return distribution{}, err
	}
	if len(p.parts) > 0 {
		for _, x := range p.parts {
			d.bins = append(d.bins, bin{h.Levels.steps(x.at), x.weight})
		}
		d.bins = joinBins(d.bins)
	}
	d.finish()
	return d, nil
}

// coarseBins counts the levels of 0.1 or 0.01 dB.
func coarseBins(l Levels, runs []Steps) ([]bin, error) {
	var bins []bin
	var seen uint16
	size := 1 << 11
	if l.PerDB == 10 {
		var even, odd [1 << 11]uint32
		for _, r := range runs {
			seen |= countTenths(l.Coarse[r.From:r.To], &even, &odd)
		}
		bins = compact(even[:], odd[:], 512)
	} else {
		size = 1 << 15
		var counts [1 << 15]uint32
		for _, r := range runs {
			seen |= countHundredths(l.Coarse[r.From:r.To], &counts)
		}
		bins = compact(counts[:maxLevel*100+1], nil, 4096)
	}
	if n := len(bins); int(seen) >= size || seen > maxLevel*100 || (n > 0 && int(bins[n-1].at) > maxLevel*l.PerDB) {
		if err := l.Check(); err != nil {
			return nil, err
		}
	}
	return bins, nil
}

// countTenths counts in two interleaved arrays, so that equal neighbours do not wait for each other's store, and without a
// branch: the bits of all levels are returned, for the caller to see whether one was out of range.
func countTenths(levels []uint16, even, odd *[1 << 11]uint32) (seen uint16) {
	for len(levels) >= 4 {
		a, b, c, d := levels[0], levels[1], levels[2], levels[3]
		even[a&(1<<11-1)]++
		odd[b&(1<<11-1)]++
		even[c&(1<<11-1)]++
		odd[d&(1<<11-1)]++
		seen |= a | b | c | d
		levels = levels[4:]
	}
	for _, a := range levels {
		even[a&(1<<11-1)]++
		seen |= a
	}
	return seen
}

// countHundredths counts on the finer grid, where equal neighbours are rare.
func countHundredths(levels []uint16, counts *[1 << 15]uint32) (seen uint16) {
	for _, a := range levels {
		counts[a&(1<<15-1)]++
		seen |= a
	}
	return seen
}

// compact keeps the levels that occur, with the counts of both arrays (odd may be nil).
func compact(even, odd []uint32, room int) []bin {
	bins := make([]bin, 0, room)
	if odd == nil {
		for i, n := range even {
			if n > 0 {
				bins = append(bins, bin{int32(i), float64(n)})
			}
		}
		return bins
	}
	odd = odd[:len(even)]
	for i, n := range even {
		if n += odd[i]; n > 0 {
			bins = append(bins, bin{int32(i), float64(n)})
		}
	}
	return bins
}

func fineBins(l Levels, runs []Steps) ([]bin, error) {
	if err := l.Check(); err != nil {
		return nil, err
	}
	var kept []int32
	for _, r := range runs {
		kept = append(kept, l.Fine[r.From:r.To]...)
	}
	slices.Sort(kept)
	var bins []bin
	for _, v := range kept {
		if n := len(bins); n > 0 && bins[n-1].at == v {
			bins[n-1].weight++
			continue
		}
		bins = append(bins, bin{v, 1})
	}
	return bins, nil
}

// joinBins sorts by level and adds up the weights of equal levels.
func joinBins(bins []bin) []bin {
	slices.SortStableFunc(bins, func(a, b bin) int { return cmp.Compare(a.at, b.at) })
	joined := bins[:0]
	for _, b := range bins {
		if n := len(joined); n > 0 && joined[n-1].at == b.at {
			joined[n-1].weight += b.weight
			continue
		}
		joined = append(joined, b)
	}
	return joined
}
