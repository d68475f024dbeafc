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

// attempt looks for a plan as good as the present one that starts nothing at closed moments; nil when it finds none.
type attempt func(closed []bool) plan

// fewer closes moments as long as try still succeeds, whole stretches first, and gives the best plan it meets.
func fewer(g *grid, b *budget, p plan, try attempt) plan {
	best := p
	for _, closed := range g.patterns(b) {
		from := p
		if closed == nil {
			closed = make([]bool, len(g.at))
		} else if from = try(closed); from == nil {
			continue
		}
		c := closer{g: g, try: try, closed: closed, plan: from}
		c.unused()
		c.stretch(0, len(c.open()))
		if g.better(c.plan, best) {
			best = c.plan
		}
		if b.late() || b.work < 0 {
			break
		}
	}
	return best
}

// patterns are the sets of closed moments to begin with: none, and all but the moments of a chain where each off moment is the
// next on moment, which makes one round of two.
func (g *grid) patterns(b *budget) [][]bool {
	list := [][]bool{nil}
	next := g.next[0]
	phases := int(next[0])
	for k := range min(phases, 6) {
		closed := make([]bool, len(g.at))
		for i := range closed {
			closed[i] = true
		}
		for i := int32(k * phases / min(phases, 6)); int(i) < len(closed); i = next[i] {
			closed[i] = false
		}
		list = append(list, closed)
	}
	return list
}

type closer struct {
	g      *grid
	try    attempt
	closed []bool
	plan   plan
	moment []int // open when stretch began
}

// unused closes every moment at which the plan starts nothing.
func (c *closer) unused() {
	used := make([]bool, len(c.closed))
	for _, i := range c.plan {
		if i >= 0 {
			used[i] = true
		}
	}
	for i := range c.closed {
		c.closed[i] = !used[i]
	}
}

func (c *closer) open() []int {
	c.moment = c.moment[:0]
	for i, shut := range c.closed {
		if !shut {
			c.moment = append(c.moment, i)
		}
	}
	return c.moment
}

// stretch closes the open moments a to b−1 of the list, all at once if that works, else each half by itself.
func (c *closer) stretch(a, b int) {
	if a >= b {
		return
	}
	saved := slices.Clone(c.closed)
	for _, i := range c.moment[a:b] {
		c.closed[i] = true
	}
	if p := c.try(c.closed); p != nil {
		c.plan = p
		return
	}
	c.closed = saved
	if b-a > 1 {
		mid := (a + b) / 2
		c.stretch(a, mid)
		c.stretch(mid, b)
	}
}
