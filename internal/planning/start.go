package planning

import (
	"container/heap"
	"slices"
)

// starts decides for jobs of one length whether all can be served, through difference constraints on x(i), the number of starts
// before moment i. The largest x that meets them all is kept in x: it starts every job as early as possible.
type starts struct {
	g      *grid
	tasks  []task
	low    []int32   // low[i]: the first moment whose start still holds a position over [i, i+1)
	x      []int32   // one longer than the moments
	closed []bool    // moments at which nothing may start
	groups [][]group // by release
	leaf   []int32   // moment → its place among the distinct last starts, −1
	tree   minTree
}

// group is a number of jobs with the same release and last start.
type group struct{ leaf, count int32 }

func newStarts(g *grid, tasks []task) *starts {
	s := &starts{g: g, tasks: tasks, low: make([]int32, len(g.at)), x: make([]int32, len(g.at)+1), closed: make([]bool, len(g.at))}
	s.groups = make([][]group, len(g.at))
	s.leaf = make([]int32, len(g.at))
	k := int32(0)
	for i := range g.at {
		for k < int32(i) && g.next[0][k] <= int32(i) {
			k++
		}
		s.low[i] = k
		s.leaf[i] = -1
	}
	s.fill()
	return s
}

// fill sorts the jobs into groups and sets x to its upper bound, the number of jobs released.
func (s *starts) fill() {
	released := make([]int32, len(s.x))
	for _, t := range s.tasks {
		s.leaf[t.last] = 0
		released[t.first+1]++
	}
	n := int32(0)
	for i := range s.leaf {
		if s.leaf[i] == 0 {
			s.leaf[i] = n
			n++
		}
		s.x[i+1] = s.x[i] + released[i+1]
	}
	order := slices.Clone(s.tasks)
	slices.SortFunc(order, func(a, b task) int { return int(a.last - b.last) })
	for _, t := range order {
		gs := s.groups[t.first]
		if m := len(gs); m > 0 && gs[m-1].leaf == s.leaf[t.last] {
			gs[m-1].count++
			continue
		}
		s.groups[t.first] = append(gs, group{s.leaf[t.last], 1})
	}
	s.tree.size(int(n))
}

// cost is the work of one pass over the constraints.
func (s *starts) cost() int { return 2*len(s.x) + 8*len(s.tasks) }

// settle lowers x until it meets every constraint. ok says that it does; sure is false when the budget ended before the answer.
func (s *starts) settle(b *budget) (ok, sure bool) {
	for {
		if !b.spend(s.cost()) {
			return false, false
		}
		s.forward()
		changed := s.backward()
		if s.x[0] < 0 {
			return false, true
		}
		if !changed {
			return true, true
		}
	}
}

// forward applies the positions: x(i+1) ≤ x(low(i)) + free(i), and closed moments: x(i+1) ≤ x(i).
func (s *starts) forward() {
	x, free := s.x, s.g.free
	for i := range s.low {
		v := x[s.low[i]] + free[i]
		if s.closed[i] {
			v = min(v, x[i])
		}
		x[i+1] = min(x[i+1], v)
	}
}

// backward applies the windows: x(r) ≤ x(d+1) − jobs inside [r, d], for all d at once by a tree of minima.
func (s *starts) backward() bool {
	changed := false
	x := s.x
	s.tree.reset()
	for r := len(s.leaf) - 1; r >= 0; r-- {
		if k := s.leaf[r]; k >= 0 {
			s.tree.set(int(k), x[r+1])
		}
		for _, g := range s.groups[r] {
			s.tree.lower(int(g.leaf), g.count)
		}
		if v := min(x[r+1], s.tree.min()); v < x[r] {
			x[r] = v
			changed = true
		}
	}
	return changed
}

// assign gives each task its start: at every moment as many as x says, the earliest last start first. It needs a settled x.
func (s *starts) assign() plan {
	byFirst := make([][]int, len(s.low))
	for k, t := range s.tasks {
		byFirst[t.first] = append(byFirst[t.first], k)
	}
	p := make(plan, len(s.tasks))
	var q taskQueue
	q.key = func(k int) int32 { return s.tasks[k].last }
	for i := range byFirst {
		for _, k := range byFirst[i] {
			heap.Push(&q, k)
		}
		for range s.x[i+1] - s.x[i] {
			p[heap.Pop(&q).(int)] = int32(i)
		}
	}
	return p
}

// taskQueue is a heap of task numbers, smallest key first, ties by number.
type taskQueue struct {
	items []int
	key   func(int) int32
}

func (q *taskQueue) Len() int { return len(q.items) }
func (q *taskQueue) Less(a, b int) bool {
	x, y := q.key(q.items[a]), q.key(q.items[b])
	return x < y || x == y && q.items[a] < q.items[b]
}
func (q *taskQueue) Swap(a, b int) { q.items[a], q.items[b] = q.items[b], q.items[a] }
func (q *taskQueue) Push(v any)    { q.items = append(q.items, v.(int)) }
func (q *taskQueue) Pop() any {
	v := q.items[len(q.items)-1]
	q.items = q.items[:len(q.items)-1]
	return v
}

// minTree holds values that are set once from the right to the left, lowered from a place to the end, and asked for their least.
type minTree struct {
	half     int
	low, add []int32
}

const far = 1 << 29 // larger than any count of jobs, and safe to lower

func (t *minTree) size(n int) {
	t.half = 1
	for t.half < n {
		t.half *= 2
	}
	t.low, t.add = make([]int32, 2*t.half), make([]int32, 2*t.half)
}

func (t *minTree) reset() {
	for i := range t.low {
		t.low[i], t.add[i] = far, 0
	}
}

// set gives place k its value. Whatever was lowered before lies to the right of k, so nothing above k carries an addition.
func (t *minTree) set(k int, v int32) {
	i := t.half + k
	t.low[i] = v
	for i >>= 1; i > 0; i >>= 1 {
		t.low[i] = min(t.low[2*i], t.low[2*i+1]) + t.add[i]
	}
}

// lower takes c from the places k and above.
func (t *minTree) lower(k int, c int32) {
	i := t.half + k
	t.low[i] -= c
	for ; i > 1; i >>= 1 {
		if i&1 == 0 {
			t.low[i+1] -= c
			if i+1 < t.half {
				t.add[i+1] -= c
			}
		}
		t.low[i>>1] = min(t.low[i|1], t.low[i&^1]) + t.add[i>>1]
	}
}

func (t *minTree) min() int32 { return t.low[1] }
