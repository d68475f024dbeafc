package planning

import (
	"cmp"
	"container/heap"
	"slices"
	"time"
)

// freePositions hands out charger positions in the order of time: the lowest number that is free.
type freePositions struct {
	busy  busyHeap // by the moment they become free
	ready intHeap
}

// newFreePositions begins with until[k] for position k; until[0] is not used.
func newFreePositions(until []time.Time) *freePositions {
	f := &freePositions{}
	for k := 1; k < len(until); k++ {
		f.busy = append(f.busy, busy{until[k], k})
	}
	heap.Init(&f.busy)
	return f
}

// take gives a position over [on, off). Calls come in the order of on, and the plan never needs more than there are.
func (f *freePositions) take(on, off time.Time) int {
	for len(f.busy) > 0 && !f.busy[0].until.After(on) {
		heap.Push(&f.ready, heap.Pop(&f.busy).(busy).number)
	}
	number := heap.Pop(&f.ready).(int)
	heap.Push(&f.busy, busy{off, number})
	return number
}

type busy struct {
	until  time.Time
	number int
}

type busyHeap []busy

func (h busyHeap) Len() int           { return len(h) }
func (h busyHeap) Less(a, b int) bool { return h[a].until.Before(h[b].until) }
func (h busyHeap) Swap(a, b int)      { h[a], h[b] = h[b], h[a] }
func (h *busyHeap) Push(v any)        { *h = append(*h, v.(busy)) }
func (h *busyHeap) Pop() any {
	v := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return v
}

type intHeap []int

func (h intHeap) Len() int           { return len(h) }
func (h intHeap) Less(a, b int) bool { return h[a] < h[b] }
func (h intHeap) Swap(a, b int)      { h[a], h[b] = h[b], h[a] }
func (h *intHeap) Push(v any)        { *h = append(*h, v.(int)) }
func (h *intHeap) Pop() any {
	v := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return v
}

// sortWide puts tasks with the widest windows first: by exchange, keeping them is never worse than keeping a task inside them.
func sortWide(g *grid, tasks []int) {
	slices.SortStableFunc(tasks, func(a, b int) int {
		x, y := g.tasks[a], g.tasks[b]
		return cmp.Compare(y.last-y.first, x.last-x.first)
	})
}
