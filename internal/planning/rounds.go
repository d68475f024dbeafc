package planning

import "slices"

// roundsBound is a lower bound on the rounds of any plan that serves every task of the grid: each window [first, last] of starts
// needs a moment for every full set of positions among the tasks inside it, and so does each window of off moments. The fewest
// moments that meet all these demands are found by going through the right ends and choosing the latest moments.
func roundsBound(g *grid, b *budget) int {
	n := len(g.at)
	on, off := make([][]int32, n), make([][]int32, n)
	for _, t := range g.tasks {
		on[t.last] = append(on[t.last], t.first)
		e := g.off(t, t.last)
		off[e] = append(off[e], g.off(t, t.first))
	}
	c := cover{chosen: make([]bool, n), on: make([]int32, n), off: make([]int32, n), cells: int32(g.cells)}
	total := 0
	for e := range n {
		for _, l := range on[e] {
			c.on[l]++
		}
		for _, l := range off[e] {
			c.off[l]++
		}
		if len(on[e])+len(off[e]) == 0 {
			continue
		}
		if !b.spend(e) {
			return total // what was needed so far is needed anyway
		}
		total += c.upTo(e)
	}
	return total
}

// cover is the state of the choice of moments: by left end, how many windows ended so far.
type cover struct {
	chosen  []bool
	on, off []int32
	cells   int32
}

// upTo chooses the latest moments that the windows ending at e still lack.
func (c *cover) upTo(e int) int {
	have, ons, offs := int32(0), int32(0), int32(0)
	added := 0
	spare := e // the latest moment not chosen
	for l := e; l >= 0; l-- {
		if c.chosen[l] {
			have++
		}
		ons, offs = ons+c.on[l], offs+c.off[l]
		need := (max(ons, offs) + c.cells - 1) / c.cells
		for ; have < need; have++ {
			for spare >= l && c.chosen[spare] {
				spare--
			}
			if spare < l {
				break
			}
			c.chosen[spare] = true
			added++
		}
	}
	return added
}

// attempt looks for a plan as good as the present one that starts nothing at closed moments; it gives the way to make it, nil
// when it finds none.
type attempt func(closed []bool) func() plan

// fewer closes moments as long as try still succeeds, whole stretches first, from several beginnings, the most promising first,
// and gives the best plan it meets.
func fewer(g *grid, b *budget, p plan, try attempt) plan {
	best := p
	beginnings := []*closer{newCloser(g, try, p)}
	for _, closed := range g.patterns() {
		if make := try(closed); make != nil {
			beginnings = append(beginnings, newCloser(g, try, make()))
		}
	}
	slices.SortStableFunc(beginnings, func(a, b *closer) int { return a.rounds - b.rounds })
	for _, c := range beginnings {
		if g.better(c.plan, best) {
			best = c.plan
		}
	}
	for _, c := range beginnings {
		if b.late() || b.work < 0 {
			break
		}
		if c.shrink(); g.better(c.plan, best) {
			best = c.plan
		}
	}
	return best
}

// patterns are sets of closed moments to begin with: all but the moments of one, two or three chains in which each off moment is
// the next on moment, which makes one round of two, and what tasks need whose window no chain meets.
func (g *grid) patterns() [][]bool {
	var list [][]bool
	next := g.next[0]
	phases := int(next[0])
	order := slices.Clone(g.tasks)
	slices.SortStableFunc(order, func(a, b task) int { return int(a.last - b.last) })
	for chains := 1; chains <= 3; chains++ {
		for k := range min(phases, 6) {
			closed := slices.Repeat([]bool{true}, len(g.at))
			for c := range chains {
				for i := int32(k*phases/6+c*phases/chains) % int32(phases); int(i) < len(closed); i = next[i] {
					closed[i] = false
				}
			}
			g.admit(closed, order)
			list = append(list, closed)
		}
	}
	return list
}

// admit opens a moment for each task that has none, in the order of the last starts: one that is a round already if there is one.
func (g *grid) admit(closed []bool, order []task) {
	round := make([]bool, len(closed)+1)
	for i, shut := range closed {
		if !shut {
			round[i], round[g.next[0][i]] = true, true
		}
	}
	latest := int32(-1) // open moment so far
	scan := int32(0)
	for _, t := range order {
		for ; scan <= t.last; scan++ {
			if !closed[scan] {
				latest = max(latest, scan)
			}
		}
		if latest >= t.first {
			continue
		}
		best, value := t.last, -1
		for i := t.last; i >= t.first; i-- {
			v := 0
			if round[i] {
				v++
			}
			if round[g.off(t, i)] {
				v++
			}
			if v > value {
				best, value = i, v
			}
		}
		closed[best] = false
		round[best], round[g.off(t, best)] = true, true
		latest = max(latest, best)
	}
}

// closer closes more and more moments of a plan.
type closer struct {
	g      *grid
	try    attempt
	closed []bool
	plan   plan
	rounds int
	open   []int
}

// newCloser begins with every moment closed at which the plan starts nothing.
func newCloser(g *grid, try attempt, p plan) *closer {
	c := &closer{g: g, try: try, plan: p, closed: slices.Repeat([]bool{true}, len(g.at)), rounds: g.rounds(p)}
	for _, i := range p {
		if i >= 0 {
			c.closed[i] = false
		}
	}
	for i, shut := range c.closed {
		if !shut {
			c.open = append(c.open, i)
		}
	}
	return c
}

// shrink goes through the open moments and closes stretches that grow after a success and are halved after a failure.
func (c *closer) shrink() {
	var last func() plan
	for at, size := 0, 4; at < len(c.open); {
		stretch := c.open[at:min(at+size, len(c.open))]
		for _, i := range stretch {
			c.closed[i] = true
		}
		if make := c.try(c.closed); make != nil {
			last = make
			at, size = at+len(stretch), size*2
			continue
		}
		for _, i := range stretch {
			c.closed[i] = false
		}
		if size = min(size, len(stretch)) / 2; size == 0 {
			at, size = at+1, 1
		}
	}
	if last != nil {
		c.plan = last()
	}
}
