package planning

import "math/bits"

// prices bounds how many tasks any plan serves. Each span between two moments gets a price for a position; a task is worth one,
// so it pays for its cheapest start or stays out. What the tasks gain plus what all positions cost is an upper bound for every
// choice of prices (Lagrangian duality), and the prices are moved towards what is in demand.
type prices struct {
	g     *grid
	price []float64
	sum   []float64   // prefix sums of price
	level [][][]int32 // by class: sparse table of the cheapest start in 2^k moments
	cost  [][]float64 // by class: what a start at each moment pays
	use   []float64
}

// rounding is far above the error of the sums (at most some 1e-10) and far below one task.
const rounding = 1e-6

// servedBound gives a proved upper bound on the tasks served, at most the number of tasks; it stops once target is reached.
func servedBound(g *grid, target int, b *budget) int {
	n := len(g.tasks)
	if n <= target || len(g.at) == 0 {
		return n
	}
	pr := newPrices(g)
	best := float64(n)
	theta, stale := 1.0, 0
	for range 600 {
		if !b.spend(len(g.next)*len(g.at)*4 + n*4) {
			break
		}
		value := pr.demand()
		if value < best-1e-9 {
			best, stale = value, 0
		} else if stale++; stale > 15 {
			theta, stale = theta/2, 0
		}
		if int(best+rounding) <= target || theta < 1e-4 || !pr.move(theta*(value-float64(target))) {
			break
		}
	}
	return min(n, int(best+rounding))
}

func newPrices(g *grid) *prices {
	n := len(g.at)
	pr := &prices{g: g, price: make([]float64, n), sum: make([]float64, n+1), use: make([]float64, n+1)}
	for range g.next {
		pr.cost = append(pr.cost, make([]float64, n))
		levels := make([][]int32, bits.Len(uint(n)))
		for k := range levels {
			levels[k] = make([]int32, n)
		}
		pr.level = append(pr.level, levels)
	}
	return pr
}

// demand gives the bound at the present prices and leaves in use how many tasks want each span.
func (pr *prices) demand() float64 {
	value := 0.0
	for i, p := range pr.price {
		pr.sum[i+1] = pr.sum[i] + p
		value += p * float64(pr.g.free[i])
	}
	for c := range pr.cost {
		pr.index(c)
	}
	clear(pr.use)
	for _, t := range pr.g.tasks {
		i := pr.cheapest(t)
		if gain := 1 - pr.cost[t.class][i]; gain > 0 {
			value += gain
			pr.use[i]++
			pr.use[pr.g.off(t, i)]--
		}
	}
	for i := 1; i < len(pr.use); i++ {
		pr.use[i] += pr.use[i-1]
	}
	return value
}

func (pr *prices) index(c int) {
	next, cost, levels := pr.g.next[c], pr.cost[c], pr.level[c]
	n := len(cost)
	for i := range cost {
		cost[i] = pr.sum[next[i]] - pr.sum[i]
		levels[0][i] = int32(i)
	}
	for k := 1; k < len(levels); k++ {
		half := 1 << (k - 1)
		for i := 0; i+2*half <= n; i++ {
			a, b := levels[k-1][i], levels[k-1][i+half]
			if cost[b] < cost[a] {
				a = b
			}
			levels[k][i] = a
		}
	}
}

func (pr *prices) cheapest(t task) int32 {
	k := bits.Len(uint(t.last-t.first+1)) - 1
	a, b := pr.level[t.class][k][t.first], pr.level[t.class][k][t.last+1-1<<k]
	if pr.cost[t.class][b] < pr.cost[t.class][a] {
		return b
	}
	return a
}

// move changes the prices along the excess demand so that the bound would fall by fall if it were linear.
func (pr *prices) move(fall float64) bool {
	norm := 0.0
	for i, p := range pr.price {
		if d := pr.use[i] - float64(pr.g.free[i]); d > 0 || p > 0 {
			norm += d * d
		}
	}
	if norm == 0 || fall <= 0 {
		return false
	}
	for i, p := range pr.price {
		pr.price[i] = max(0, p+fall/norm*(pr.use[i]-float64(pr.g.free[i])))
	}
	return true
}
