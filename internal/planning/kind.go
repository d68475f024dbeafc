package planning

import (
	"encoding/binary"
	"math"
	"slices"
)

// kinds is a placement problem in which units that nothing tells apart are one kind: they may serve the same bookings and are
// pinned by none. It carries the price bound and the exact search.
type kinds struct {
	pl    *pool
	list  []int    // possible bookings by start
	kind  [][]int  // units by kind
	may   [][]bool // by booking of list, by kind
	pins  [][]bool // by booking of list, by kind: the kind's only unit is pinned
	cuts  []int64  // sorted ends of bookings: the segments of the time axis
	price [][]float64
	sum   [][]float64 // prefix sums of price over segments
	from  []int32     // by booking of list, its first segment
	to    []int32
}

func newKinds(pl *pool, list []int) *kinds {
	k := &kinds{pl: pl, list: list}
	k.sort()
	for _, b := range list {
		k.cuts = append(k.cuts, pl.wants[b].from, pl.wants[b].to)
	}
	slices.Sort(k.cuts)
	k.cuts = slices.Compact(k.cuts)
	for _, b := range list {
		f, _ := slices.BinarySearch(k.cuts, pl.wants[b].from)
		t, _ := slices.BinarySearch(k.cuts, pl.wants[b].to)
		k.from, k.to = append(k.from, int32(f)), append(k.to, int32(t))
		may, pins := make([]bool, len(k.kind)), make([]bool, len(k.kind))
		for c, units := range k.kind {
			may[c] = pl.allowed(units[0], b)
			pins[c] = len(units) == 1 && slices.Contains(pl.wants[b].pinned, units[0])
		}
		k.may, k.pins = append(k.may, may), append(k.pins, pins)
	}
	for range k.kind {
		k.price = append(k.price, make([]float64, len(k.cuts)))
		k.sum = append(k.sum, make([]float64, len(k.cuts)+1))
	}
	return k
}

// sort puts the units into kinds.
func (k *kinds) sort() {
	pinned := map[int]bool{}
	for _, b := range k.list {
		for _, u := range k.pl.wants[b].pinned {
			pinned[u] = true
		}
	}
	index := map[string]int{}
	key := make([]byte, (len(k.list)+7)/8)
	for u := range k.pl.fixed {
		clear(key)
		useful := false
		for i, b := range k.list {
			if k.pl.allowed(u, b) {
				key[i/8] |= 1 << (i % 8)
				useful = true
			}
		}
		if !useful {
			continue
		}
		c, known := index[string(key)]
		if !known || pinned[u] {
			c = len(k.kind)
			k.kind = append(k.kind, nil)
			if !pinned[u] {
				index[string(key)] = c
			}
		}
		k.kind[c] = append(k.kind[c], u)
	}
}

// bound gives a proved upper bound on the bookings served by pricing every kind in every segment (Lagrangian duality): a booking
// is worth one and pays for the cheapest units it may have.
func (k *kinds) bound(target int, b *budget) int {
	n := len(k.list)
	best := float64(n)
	use := make([][]float64, len(k.kind))
	for c := range use {
		use[c] = make([]float64, len(k.cuts)+1)
	}
	theta, stale := 1.0, 0
	var kept [][]float64
	for range 600 {
		if int(best+rounding) <= target || theta < 1e-4 || !b.spend(len(k.kind)*(2*len(k.cuts)+8*n)) {
			break
		}
		value := k.demand(use)
		if value < best-1e-9 {
			best, stale = value, 0
			kept = clone2(k.price)
		} else if stale++; stale > 12 {
			theta, stale = theta/2, 0
		}
		if !k.move(use, theta*(value-float64(target)-0.5)) {
			break
		}
	}
	if kept == nil {
		kept = clone2(k.price)
		for c := range kept {
			clear(kept[c])
		}
	}
	k.price = kept
	k.total()
	return min(n, int(best+rounding))
}

func clone2(m [][]float64) [][]float64 {
	out := make([][]float64, len(m))
	for i := range m {
		out[i] = slices.Clone(m[i])
	}
	return out
}

// total makes the prefix sums and gives what all units cost.
func (k *kinds) total() float64 {
	value := 0.0
	for c, price := range k.price {
		for i, p := range price {
			k.sum[c][i+1] = k.sum[c][i] + p
		}
		value += k.sum[c][len(price)] * float64(len(k.kind[c]))
	}
	return value
}

// demand gives the bound at the present prices and leaves in use what the bookings want.
func (k *kinds) demand(use [][]float64) float64 {
	value := k.total()
	for c := range use {
		clear(use[c])
	}
	offer := make([]offer, 0, len(k.kind))
	for i := range k.list {
		cost, took := k.cheapest(i, offer)
		if cost >= 1 {
			continue
		}
		value += 1 - cost
		for _, o := range took {
			use[o.kind][k.from[i]] += float64(o.count)
			use[o.kind][k.to[i]] -= float64(o.count)
		}
	}
	for c := range use {
		for i := 1; i < len(use[c]); i++ {
			use[c][i] += use[c][i-1]
		}
	}
	return value
}

type offer struct {
	cost        float64
	kind, count int
}

// cheapest gives the least that booking i pays at the present prices, and for which kinds.
func (k *kinds) cheapest(i int, buffer []offer) (float64, []offer) {
	offers := buffer[:0]
	need, cost := k.pl.wants[k.list[i]].count, 0.0
	for c, may := range k.may[i] {
		if !may {
			continue
		}
		o := offer{k.sum[c][k.to[i]] - k.sum[c][k.from[i]], c, len(k.kind[c])}
		if k.pins[i][c] {
			cost += o.cost
			o.cost = -1 // it stands first
			need--
		}
		offers = append(offers, o)
	}
	slices.SortStableFunc(offers, func(a, b offer) int {
		switch {
		case a.cost < b.cost:
			return -1
		case a.cost > b.cost:
			return 1
		}
		return 0
	})
	for j := range offers {
		o := &offers[j]
		if o.cost < 0 {
			continue
		}
		if need == 0 {
			return cost, offers[:j]
		}
		o.count = min(o.count, need)
		need -= o.count
		cost += o.cost * float64(o.count)
	}
	return cost, offers
}

// move changes the prices along the excess demand.
func (k *kinds) move(use [][]float64, fall float64) bool {
	norm := 0.0
	for c, price := range k.price {
		room := float64(len(k.kind[c]))
		for i, p := range price {
			if d := use[c][i] - room; d > 0 || p > 0 {
				norm += d * d
			}
		}
	}
	if norm == 0 || fall <= 0 {
		return false
	}
	for c, price := range k.price {
		room := float64(len(k.kind[c]))
		for i, p := range price {
			price[i] = max(0, p+fall/norm*(use[c][i]-room))
		}
	}
	return true
}

// busyness is a state of the search: until which segment each unit of each kind is taken, ascending within a kind.
type busyness struct {
	until  [][]int32
	served int
	node   int32
}

// step is a state's way back: how many free units of each kind the booking took; nil when it was refused.
type stepBack struct {
	up   int32
	took []int16
}

// searchKinds and searchBookings are the sizes up to which the search is tried; above them it would only eat its states.
const (
	searchKinds    = 64
	searchBookings = 400
)

// search goes through the bookings by start and keeps every state that can still beat the incumbent. whole says that none was
// left out for want of budget.
func (k *kinds) search(incumbent int, b *budget) (best placing, whole bool) {
	if len(k.kind) > searchKinds || len(k.list) > searchBookings {
		return nil, false
	}
	nodes := []stepBack{{up: -1}}
	first := busyness{}
	for _, units := range k.kind {
		first.until = append(first.until, make([]int32, len(units)))
	}
	layer := []busyness{first}
	gains := k.gains()
	for i := range k.list {
		seen := map[string]int{}
		var next []busyness
		var key []byte
		add := func(s busyness, up int32, took []int16) bool {
			if !b.state() || !b.spend(len(k.pl.fixed)/4+1) {
				return false
			}
			if s.served+int(k.rest(&s, i+1, gains)+rounding) <= incumbent {
				return true
			}
			key = s.appendKey(key[:0])
			at, known := seen[string(key)]
			if known && next[at].served >= s.served {
				return true
			}
			nodes = append(nodes, stepBack{up, slices.Clone(took)})
			s.node = int32(len(nodes) - 1)
			if known {
				next[at] = s
			} else {
				seen[string(key)] = len(next)
				next = append(next, s)
			}
			return true
		}
		for j := range layer {
			s := layer[j]
			s.until = k.clipped(s.until, k.from[i])
			if !k.branch(&s, i, func(to busyness, took []int16) bool { return add(to, layer[j].node, took) }) {
				return nil, false
			}
		}
		layer = next
	}
	top := -1
	for j := range layer {
		if top < 0 || layer[j].served > layer[top].served {
			top = j
		}
	}
	if top < 0 || layer[top].served <= incumbent {
		return nil, true
	}
	return k.replay(nodes, layer[top].node), true
}

// clipped forgets until when a unit was taken once that is over.
func (k *kinds) clipped(until [][]int32, now int32) [][]int32 {
	out := make([][]int32, len(until))
	for c := range until {
		out[c] = slices.Clone(until[c])
		for u, t := range out[c] {
			if t <= now {
				out[c][u] = 0
			}
		}
	}
	return out
}

// branch calls each for every way to serve booking i, and for refusing it.
func (k *kinds) branch(s *busyness, i int, each func(busyness, []int16) bool) bool {
	took := make([]int16, len(k.kind))
	free := make([]int, len(k.kind))
	for c := range k.kind {
		for free[c] < len(s.until[c]) && s.until[c][free[c]] == 0 {
			free[c]++
		}
		if k.pins[i][c] && free[c] == 0 {
			return each(*s, nil)
		}
	}
	if !k.spread(s, i, 0, k.pl.wants[k.list[i]].count, free, took, each) {
		return false
	}
	return each(*s, nil)
}

// spread divides what booking i needs among the kinds from c on.
func (k *kinds) spread(s *busyness, i, c, need int, free []int, took []int16, each func(busyness, []int16) bool) bool {
	if c == len(k.kind) {
		return each(k.taken(s, i, took), took)
	}
	most, least, later := 0, 0, 0
	if k.may[i][c] {
		most = min(free[c], need)
	}
	for d := c + 1; d < len(free); d++ {
		if k.may[i][d] {
			later += free[d]
		}
	}
	least = max(0, need-later)
	if k.pins[i][c] {
		least = max(least, 1)
	}
	for n := most; n >= least; n-- {
		took[c] = int16(n)
		if !k.spread(s, i, c+1, need-n, free, took, each) {
			return false
		}
	}
	took[c] = 0
	return true
}

func (k *kinds) taken(s *busyness, i int, took []int16) busyness {
	to := busyness{until: slices.Clone(s.until), served: s.served + 1}
	for c, n := range took {
		if n == 0 {
			continue
		}
		line := slices.Clone(s.until[c])
		for u := range n {
			line[u] = k.to[i]
		}
		slices.Sort(line)
		to.until[c] = line
	}
	return to
}

// gains are the suffix sums of what the bookings from i on gain at the kept prices.
func (k *kinds) gains() []float64 {
	out := make([]float64, len(k.list)+1)
	for i := len(k.list) - 1; i >= 0; i-- {
		cost, _ := k.cheapest(i, nil)
		out[i] = out[i+1] + max(0, 1-cost)
	}
	return out
}

// rest bounds how many of the bookings from i on a state can serve: their gains plus the price of the time that is still free.
func (k *kinds) rest(s *busyness, i int, gains []float64) float64 {
	if i == len(k.list) {
		return 0
	}
	value, end := gains[i], len(k.cuts)
	for c, line := range s.until {
		for _, t := range line {
			value += k.sum[c][end] - k.sum[c][max(t, k.from[i])]
		}
	}
	return math.Min(value, float64(len(k.list)-i))
}

func (s *busyness) appendKey(key []byte) []byte {
	for _, line := range s.until {
		for _, t := range line {
			key = binary.AppendUvarint(key, uint64(t))
		}
	}
	return key
}

// replay turns the way to a state into units: of a kind, those that have been free the longest in the order of the problem.
func (k *kinds) replay(nodes []stepBack, at int32) placing {
	var path [][]int16
	for ; at > 0; at = nodes[at].up {
		path = append(path, nodes[at].took)
	}
	slices.Reverse(path)
	l := k.pl.empty()
	for i, took := range path {
		b := k.list[i]
		for c, n := range took {
			for _, u := range k.kind[c] {
				if n > 0 && l.free(u, b) {
					l.put(u, b)
					n--
				}
			}
		}
	}
	return l.has
}
