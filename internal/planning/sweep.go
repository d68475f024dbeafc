package planning

import (
	"encoding/binary"
	"slices"
)

// sweep goes through the moments from left to right and keeps every state that can still lead to the best answer. A state is
// what the future depends on: when running jobs come off, and which released jobs wait. Among waiting jobs of one length the
// one whose last start is earliest goes first: exchanging it with another never loses a job nor adds a round. So a moment only
// decides how many of each length start, and the sweep is exact while it keeps all states.
type sweep struct {
	g      *grid
	b      *budget
	width  int   // most states kept at a moment; fewer make it a beam, which is not exact
	most   int   // no answer serves more: a proved bound
	served int   // the incumbent: only answers that serve more, or as many in fewer rounds, are looked for
	rounds int   // of the incumbent
	future []int // by moment: tasks released at or after it

	arrive [][]int   // by moment: tasks released there, earliest last start first
	soon   []int32   // by moment: the earliest last start of tasks released after it
	stab   []int16   // by moment e, lazily: rounds that tasks released after e need by themselves; −1 unknown
	ends   []window2 // on and off windows of all tasks by their right end
	nodes  []node
}

type window2 struct{ left, right, first int32 }

// node is a state's way back: how many of each length started at the moment before it.
type node struct {
	up     int32
	moment int32
	took   []int16
}

type state struct {
	running []int32 // off moments, ascending, all still to come
	waiting [][]int // by class, tasks, earliest last start first
	served  int
	dropped int
	rounds  int
	sum     int64
	node    int32
}

func newSweep(g *grid, b *budget, width int) *sweep {
	s := &sweep{g: g, b: b, width: width, most: len(g.tasks), served: -1, rounds: 1 << 30}
	n := len(g.at)
	s.arrive, s.soon, s.future, s.stab = make([][]int, n), make([]int32, n+1), make([]int, n+1), make([]int16, n+1)
	for k, t := range g.tasks {
		s.arrive[t.first] = append(s.arrive[t.first], k)
		next := g.next[t.class]
		s.ends = append(s.ends, window2{t.first, t.last, t.first}, window2{next[t.first], next[t.last], t.first})
	}
	slices.SortFunc(s.ends, func(a, b window2) int { return int(a.right - b.right) })
	s.soon[n], s.stab[n] = far, -1
	for i := n - 1; i >= 0; i-- {
		s.stab[i] = -1
		s.soon[i], s.future[i] = s.soon[i+1], s.future[i+1]+len(s.arrive[i])
		slices.SortFunc(s.arrive[i], s.earlier)
		for _, k := range s.arrive[i] {
			s.soon[i] = min(s.soon[i], g.tasks[k].last)
		}
	}
	return s
}

// earlier orders tasks by their last start.
func (s *sweep) earlier(a, b int) int {
	if d := int(s.g.tasks[a].last - s.g.tasks[b].last); d != 0 {
		return d
	}
	return a - b
}

// run gives the best plan that beats the incumbent, nil when there is none, and whether every state was looked at.
func (s *sweep) run() (p plan, whole bool) {
	whole = true
	s.nodes = append(s.nodes[:0], node{up: -1})
	layer := []state{{waiting: make([][]int, len(s.g.next))}}
	end := s.end()
	for i := 0; i <= end && len(layer) > 0; i++ {
		if i = s.skip(layer, i); i > end {
			break
		}
		next := s.step(layer, int32(i))
		if next == nil {
			return nil, false
		}
		if len(next) > s.width {
			next, whole = s.narrow(next), false
		}
		layer = next
	}
	var best *state
	for k := range layer {
		st := &layer[k]
		st.rounds += distinct(st.running)
		if best == nil || s.before(st, best) {
			best = st
		}
	}
	if best == nil || best.served < s.served || best.served == s.served && best.rounds >= s.rounds {
		return nil, whole
	}
	return s.replay(best.node), whole
}

// end is the last moment at which some task can start.
func (s *sweep) end() int {
	e := int32(-1)
	for _, t := range s.g.tasks {
		e = max(e, t.last)
	}
	return int(e)
}

// skip passes over moments at which nothing is running, waiting or released.
func (s *sweep) skip(layer []state, i int) int {
	if len(layer) != 1 || len(layer[0].running) > 0 {
		return i
	}
	for _, w := range layer[0].waiting {
		if len(w) > 0 {
			return i
		}
	}
	for i < len(s.arrive) && len(s.arrive[i]) == 0 {
		i++
	}
	return i
}

func (s *sweep) before(a, b *state) bool {
	switch {
	case a.served != b.served:
		return a.served > b.served
	case a.rounds != b.rounds:
		return a.rounds < b.rounds
	}
	return a.sum < b.sum
}

// narrow keeps the most promising states.
func (s *sweep) narrow(layer []state) []state {
	slices.SortStableFunc(layer, func(a, b state) int {
		switch {
		case a.dropped != b.dropped:
			return a.dropped - b.dropped
		case a.rounds+distinct(a.running) != b.rounds+distinct(b.running):
			return a.rounds + distinct(a.running) - b.rounds - distinct(b.running)
		}
		return b.served - a.served
	})
	return layer[:s.width]
}

// step makes the layer after moment i; nil when the budget ended.
func (s *sweep) step(layer []state, i int32) []state {
	seen := map[string]int{}
	next := []state{} // an empty layer is not an ended budget
	var key []byte
	took := make([]int16, len(s.g.next))
	for k := range layer {
		st, handled := s.arriveAt(&layer[k], i)
		free := int(s.g.free[i]) - len(st.running)
		alive := s.choose(&st, took, 0, free, func() bool {
			if !s.b.state() {
				return false
			}
			to := s.take(&st, took, i, handled)
			if s.hopeless(&to, i) {
				return true
			}
			key = appendKey(key[:0], &to, s.g)
			at, known := seen[string(key)]
			if known && !s.before(&to, &next[at]) {
				return true
			}
			s.nodes = append(s.nodes, node{st.node, i, slices.Clone(took)})
			to.node = int32(len(s.nodes) - 1)
			if known {
				next[at] = to
			} else {
				seen[string(key)] = len(next)
				next = append(next, to)
			}
			return true
		})
		if !alive {
			return nil
		}
	}
	return next
}

// arriveAt brings a state to moment i: who is done comes off, who is released waits.
func (s *sweep) arriveAt(from *state, i int32) (st state, handled bool) {
	st = *from
	k := 0
	for k < len(st.running) && st.running[k] <= i {
		k++
	}
	st.running = st.running[k:]
	if len(s.arrive[i]) > 0 {
		st.waiting = slices.Clone(st.waiting)
		for _, t := range s.arrive[i] {
			c := s.g.tasks[t].class
			at, _ := slices.BinarySearchFunc(st.waiting[c], t, s.earlier)
			st.waiting[c] = slices.Insert(slices.Clone(st.waiting[c]), at, t)
		}
	}
	return st, k > 0
}

// choose calls each for every number of starts per class that fits, most first.
func (s *sweep) choose(st *state, took []int16, class, free int, each func() bool) bool {
	if class == len(took) {
		return each()
	}
	for n := min(free, len(st.waiting[class])); n >= 0; n-- {
		took[class] = int16(n)
		if !s.choose(st, took, class+1, free-n, each) {
			return false
		}
	}
	return true
}

// take starts what was chosen and drops who waited for the last time.
func (s *sweep) take(st *state, took []int16, i int32, handled bool) state {
	to := *st
	to.waiting = slices.Clone(st.waiting)
	cloned := false
	for c, n := range took {
		w := to.waiting[c]
		if n > 0 {
			off := s.g.next[c][i]
			if !cloned {
				to.running, cloned = slices.Clone(to.running), true
			}
			at, _ := slices.BinarySearch(to.running, off)
			to.running = slices.Insert(to.running, at, slices.Repeat([]int32{off}, int(n))...)
			to.served += int(n)
			to.sum += int64(n) * s.g.at[off].Milliseconds()
			handled = true
			w = w[n:]
		}
		for len(w) > 0 && s.g.tasks[w[0]].last <= i {
			w = w[1:]
			to.dropped++
		}
		to.waiting[c] = w
	}
	if handled {
		to.rounds++
	}
	return to
}

// hopeless says that a state, after moment i, cannot beat the incumbent.
func (s *sweep) hopeless(st *state, i int32) bool {
	can := min(len(s.g.tasks)-st.dropped, s.most)
	return can < s.served || can == s.served && st.rounds+s.least(st, i) >= s.rounds
}

// least is a lower bound on the rounds after moment i of an answer that serves as many as the incumbent.
func (s *sweep) least(st *state, i int32) int {
	low := distinct(st.running)
	if need := s.served - st.served; need > 0 {
		low = max(low, (need+s.g.cells-1)/s.g.cells+1)
	}
	if len(s.g.tasks)-st.dropped > s.served {
		return low // some may still be left out, so none of them forces a round
	}
	e := s.soon[i+1]
	if len(st.running) > 0 {
		e = min(e, st.running[0])
	}
	for _, w := range st.waiting {
		if len(w) > 0 {
			e = min(e, s.g.tasks[w[0]].last)
		}
	}
	if e >= far {
		return low
	}
	return max(low, 1+s.alone(e))
}

// alone is the number of moments needed to hit the on window and the off window of every task released after e.
func (s *sweep) alone(e int32) int {
	if s.stab[e] < 0 {
		n, last := int16(0), e
		for _, w := range s.ends {
			if w.first > e && w.left > last {
				n++
				last = w.right
			}
		}
		s.stab[e] = n
	}
	return int(s.stab[e])
}

func appendKey(key []byte, st *state, g *grid) []byte {
	for _, off := range st.running {
		key = binary.AppendUvarint(key, uint64(off)+1)
	}
	for _, w := range st.waiting {
		key = append(key, 0)
		for _, k := range w {
			key = binary.AppendUvarint(key, uint64(g.tasks[k].last)+1)
		}
	}
	return key
}

// distinct counts the different values of a sorted list.
func distinct(sorted []int32) int {
	n := 0
	for k, v := range sorted {
		if k == 0 || v != sorted[k-1] {
			n++
		}
	}
	return n
}

// replay follows the way back to a plan.
func (s *sweep) replay(at int32) plan {
	var path []node
	for ; at > 0; at = s.nodes[at].up {
		path = append(path, s.nodes[at])
	}
	slices.Reverse(path)
	p := make(plan, len(s.g.tasks))
	for k := range p {
		p[k] = -1
	}
	waiting := make([][]int, len(s.g.next))
	from := int32(0)
	for _, n := range path {
		for ; from <= n.moment; from++ {
			for _, k := range s.arrive[from] {
				c := s.g.tasks[k].class
				waiting[c] = append(waiting[c], k)
			}
		}
		for c, took := range n.took {
			w := waiting[c]
			slices.SortFunc(w, s.earlier)
			for len(w) > 0 && s.g.tasks[w[0]].last < n.moment {
				w = w[1:]
			}
			for _, k := range w[:took] {
				p[k] = n.moment
			}
			waiting[c] = w[took:]
		}
	}
	return p
}
