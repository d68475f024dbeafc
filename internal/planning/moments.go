package planning

import (
	"math"
	"slices"
	"sort"
	"time"
)

// moments is the grid of a charge problem: the instants at which somebody can handle a charger.
type moments struct {
	base time.Time       // earliest staffed instant; the zero of at
	at   []time.Duration // ascending
	free []int32         // positions not held by earlier occupation from this moment on
}

// task is a job on the grid. It can start at moments first to last, both included; none when first > last.
type task struct {
	index       int // in the problem
	class       int // of its length
	first, last int32
}

// grid is a charge problem on its moments.
type grid struct {
	moments
	next  [][]int32 // by class: the off moment of a start at each moment; len(at) when there is none
	tasks []task    // those that some position could serve alone
	alone []int     // jobs that no start serves, by index in the problem
	cells int       // most positions at any moment
}

func newGrid(p ChargeProblem) *grid {
	g := &grid{moments: newMoments(p)}
	if len(g.free) > 0 {
		g.cells = int(g.free[len(g.free)-1])
	}
	class := map[time.Duration]int{}
	for i, j := range p.Jobs {
		first := g.from(j.Release.Sub(g.base))
		next, known := class[j.Length]
		if !known {
			next = len(g.next)
			g.next = append(g.next, g.offs(j.Length))
		}
		last := g.lastStart(g.next[next], j.Deadline.Sub(g.base))
		for first <= last && g.free[first] == 0 {
			first++
		}
		if first > last {
			g.alone = append(g.alone, i)
			if !known {
				g.next = g.next[:next] // a length that nothing uses
			}
			continue
		}
		class[j.Length] = next
		g.tasks = append(g.tasks, task{i, next, int32(first), int32(last)})
	}
	return g
}

func newMoments(p ChargeProblem) moments {
	var m moments
	windows := merged(p.Staffed)
	if len(windows) == 0 {
		return m
	}
	m.base = windows[0].From
	for _, w := range windows {
		k := ceilDiv(w.From.Sub(m.base), p.Slot)
		for to := w.To.Sub(m.base); time.Duration(k)*p.Slot <= to; k++ {
			m.at = append(m.at, time.Duration(k)*p.Slot)
		}
	}
	m.free = make([]int32, len(m.at))
	until := heldUntil(p)
	freed := make([]int32, len(m.at)+1)
	for _, u := range until {
		freed[m.from(u.Sub(m.base))]++
	}
	n := int32(p.Positions - len(until))
	for i := range m.free {
		n += freed[i]
		m.free[i] = n
	}
	return m
}

// heldUntil gives, by position, until when it is occupied; the latest statement counts.
func heldUntil(p ChargeProblem) map[int]time.Time {
	until := map[int]time.Time{}
	for _, o := range p.Occupied {
		if u, ok := until[o.Position]; !ok || o.Until.After(u) {
			until[o.Position] = o.Until
		}
	}
	return until
}

// merged sorts windows and joins those that touch, so that no moment is counted twice.
func merged(in []Window) []Window {
	ws := slices.Clone(in)
	slices.SortFunc(ws, func(a, b Window) int { return a.From.Compare(b.From) })
	var out []Window
	for _, w := range ws {
		if n := len(out); n > 0 && !w.From.After(out[n-1].To) {
			if w.To.After(out[n-1].To) {
				out[n-1].To = w.To
			}
			continue
		}
		out = append(out, w)
	}
	return out
}

// ceilDiv is the least k ≥ 0 with k·slot ≥ d.
func ceilDiv(d, slot time.Duration) int64 {
	if d <= 0 {
		return 0
	}
	k := int64(d / slot)
	if d%slot != 0 {
		k++
	}
	return k
}

// from is the first moment at or after d.
func (m *moments) from(d time.Duration) int {
	return sort.Search(len(m.at), func(i int) bool { return m.at[i] >= d })
}

// offs gives the off moment of each start for a length.
func (m *moments) offs(length time.Duration) []int32 {
	next := make([]int32, len(m.at))
	j := 0
	for i, t := range m.at {
		end := t + length
		if end < t {
			end = math.MaxInt64
		}
		for j < len(m.at) && m.at[j] < end {
			j++
		}
		next[i] = int32(j)
	}
	return next
}

// lastStart is the last moment whose off moment is not after the deadline; −1 when there is none.
func (m *moments) lastStart(next []int32, deadline time.Duration) int {
	end := sort.Search(len(m.at), func(i int) bool { return m.at[i] > deadline }) // off must be before this index
	return sort.Search(len(next), func(i int) bool { return int(next[i]) >= end }) - 1
}

// equal says whether all tasks have one length.
func (g *grid) equal() bool { return len(g.next) <= 1 }

func (g *grid) instant(i int32) time.Time { return g.base.Add(g.at[i]) }

// off is the off moment of a task started at moment i.
func (g *grid) off(t task, i int32) int32 { return g.next[t.class][i] }

// plan holds the start moment of each task, −1 for one that is not served.
type plan []int32

func (p plan) served() int {
	n := 0
	for _, i := range p {
		if i >= 0 {
			n++
		}
	}
	return n
}

// rounds counts the distinct moments at which a task of the plan goes on or off.
func (g *grid) rounds(p plan) int {
	seen := make([]bool, len(g.at))
	n := 0
	count := func(i int32) {
		if !seen[i] {
			seen[i] = true
			n++
		}
	}
	for k, i := range p {
		if i >= 0 {
			count(i)
			count(g.off(g.tasks[k], i))
		}
	}
	return n
}

// sum adds the off moments of a plan, in milliseconds from the base: the last objective.
func (g *grid) sum(p plan) int64 {
	var total int64
	for k, i := range p {
		if i >= 0 {
			total += g.at[g.off(g.tasks[k], i)].Milliseconds()
		}
	}
	return total
}

// better says whether plan a comes before b: more served, then fewer rounds, then earlier off.
func (g *grid) better(a, b plan) bool {
	if b == nil {
		return true
	}
	if x, y := a.served(), b.served(); x != y {
		return x > y
	}
	if x, y := g.rounds(a), g.rounds(b); x != y {
		return x < y
	}
	return g.sum(a) < g.sum(b)
}
