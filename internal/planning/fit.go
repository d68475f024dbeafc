package planning

import "slices"

// lines is a placing in the making: the time line of each unit.
type lines struct {
	pl   *pool
	unit [][]block
	has  placing
	log  []change // of put and drop, so that a try can be taken back
}

type change struct {
	unit, booking int
	put           bool
}

func (pl *pool) empty() *lines {
	l := &lines{pl: pl, unit: make([][]block, len(pl.fixed)), has: make(placing, len(pl.wants))}
	for u, f := range pl.fixed {
		l.unit[u] = slices.Clone(f)
	}
	return l
}

// load gives the lines of a placing.
func (pl *pool) load(a placing) *lines {
	l := pl.empty()
	for k, units := range a {
		for _, u := range units {
			l.put(u, k)
		}
	}
	return l
}

func (l *lines) free(u, k int) bool {
	_, taken := overlap(l.unit[u], l.pl.wants[k].from, l.pl.wants[k].to)
	return !taken
}

func (l *lines) put(u, k int) {
	w := l.pl.wants[k]
	at, _ := overlap(l.unit[u], w.from, w.to)
	l.unit[u] = slices.Insert(l.unit[u], at, block{w.from, w.to, k})
	l.has[k] = append(l.has[k], u)
	l.log = append(l.log, change{u, k, true})
}

func (l *lines) drop(u, k int) {
	w := l.pl.wants[k]
	at, _ := overlap(l.unit[u], w.from, w.to)
	l.unit[u] = slices.Delete(l.unit[u], at, at+1)
	l.has[k] = slices.DeleteFunc(l.has[k], func(x int) bool { return x == u })
	if len(l.has[k]) == 0 {
		l.has[k] = nil
	}
	l.log = append(l.log, change{u, k, false})
}

// undo takes back all changes since the log had a length.
func (l *lines) undo(to int) {
	for n := len(l.log) - 1; n >= to; n-- {
		if c := l.log[n]; c.put {
			l.drop(c.unit, c.booking)
		} else {
			l.put(c.unit, c.booking)
		}
	}
	l.log = l.log[:to]
}

// fit places a booking on the units that are free, pinned ones first, then in the order of the problem.
func (l *lines) fit(k int) bool {
	w := l.pl.wants[k]
	for _, u := range w.pinned {
		if !l.free(u, k) {
			return false
		}
	}
	units := slices.Clone(w.pinned)
	for _, u := range l.pl.among(k) {
		if len(units) == w.count {
			break
		}
		if !slices.Contains(w.pinned, u) && l.free(u, k) {
			units = append(units, u)
		}
	}
	if len(units) < w.count {
		return false
	}
	for _, u := range units {
		l.put(u, k)
	}
	return true
}

// firstFit is the plain rule: bookings by start, each on the first units that are free.
func (pl *pool) firstFit(list []int, b *budget) placing {
	l := pl.empty()
	for _, k := range list {
		if b.late() {
			break
		}
		l.fit(k)
	}
	return l.has
}

// pinnedFirst orders the bookings that name units before the others.
func (pl *pool) pinnedFirst(list []int) []int {
	order := slices.Clone(list)
	slices.SortStableFunc(order, func(a, b int) int { return min(len(pl.wants[b].pinned), 1) - min(len(pl.wants[a].pinned), 1) })
	return order
}

// shortFirst orders first what asks for the least units and time.
func (pl *pool) shortFirst(list []int) []int {
	size := func(k int) float64 { return float64(pl.wants[k].to-pl.wants[k].from) * float64(pl.wants[k].count) }
	order := slices.Clone(list)
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := size(a), size(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return order
}

// repair places further bookings by moving placed ones to other units, then by giving up one for two. It never serves fewer.
func (pl *pool) repair(a placing, list []int, b *budget) placing {
	l := pl.load(a)
	for again := true; again && !b.late() && b.work > 0; {
		again, l.log = false, l.log[:0]
		for _, k := range list {
			if l.has[k] == nil && l.insert(k, b) {
				again = true
			}
		}
		for _, k := range list {
			if l.has[k] != nil && l.exchange(k, list, b) {
				again = true
			}
		}
	}
	return l.has
}

// insert places a booking, moving others if that makes room. Without success nothing changes.
func (l *lines) insert(k int, b *budget) bool {
	if l.fit(k) {
		return true
	}
	if !b.spend(len(l.unit) + 1) {
		return false
	}
	mark := len(l.log)
	w := l.pl.wants[k]
	for _, u := range w.pinned {
		if !l.clear(u, k, w.pinned, 2, b) {
			l.undo(mark)
			return false
		}
	}
	chosen := slices.Clone(w.pinned)
	among := slices.Clone(l.pl.among(k))
	slices.SortStableFunc(among, func(x, y int) int { return l.crowd(x, k) - l.crowd(y, k) })
	for _, u := range among {
		if len(chosen) == w.count {
			break
		}
		if !slices.Contains(chosen, u) && l.clear(u, k, append(slices.Clip(chosen), u), 2, b) {
			chosen = append(chosen, u)
		}
	}
	if len(chosen) < w.count {
		l.undo(mark)
		return false
	}
	for _, u := range chosen {
		l.put(u, k)
	}
	return true
}

// crowd counts the blocks of a unit that overlap a booking.
func (l *lines) crowd(u, k int) int {
	w := l.pl.wants[k]
	at, ok := overlap(l.unit[u], w.from, w.to)
	n := 0
	for ; ok && at < len(l.unit[u]) && l.unit[u][at].from < w.to; at++ {
		n++
	}
	return n
}

// clear moves everything off a unit that overlaps booking k, to units outside taboo. A failure may leave some moves done, which
// harms nothing: each move keeps its booking served.
func (l *lines) clear(u, k int, taboo []int, depth int, b *budget) bool {
	w := l.pl.wants[k]
	for {
		at, taken := overlap(l.unit[u], w.from, w.to)
		if !taken {
			return true
		}
		by := l.unit[u][at].by
		if by < 0 || slices.Contains(l.pl.wants[by].pinned, u) || !l.moveAway(u, by, taboo, depth, b) {
			return false
		}
	}
}

// moveAway gives a booking another unit in the place of u.
func (l *lines) moveAway(u, k int, taboo []int, depth int, b *budget) bool {
	if !b.spend(len(l.unit)) {
		return false
	}
	possible := func(v int) bool { return !slices.Contains(taboo, v) && !slices.Contains(l.has[k], v) }
	for _, v := range l.pl.among(k) {
		if possible(v) && l.free(v, k) {
			l.swap(u, v, k)
			return true
		}
	}
	if depth <= 1 {
		return false
	}
	for _, v := range l.pl.among(k) {
		if possible(v) && l.crowd(v, k) == 1 && l.clear(v, k, append(slices.Clip(taboo), v), depth-1, b) {
			l.swap(u, v, k)
			return true
		}
	}
	return false
}

func (l *lines) swap(u, v, k int) {
	l.put(v, k)
	l.drop(u, k)
}

// exchange gives up booking k if two that are refused then fit.
func (l *lines) exchange(k int, list []int, b *budget) bool {
	mark := len(l.log)
	for _, u := range slices.Clone(l.has[k]) {
		l.drop(u, k)
	}
	gained := 0
	for _, r := range list {
		w, o := l.pl.wants[r], l.pl.wants[k]
		if r == k || l.has[r] != nil || w.from >= o.to || o.from >= w.to {
			continue
		}
		if !b.spend(len(l.unit) / 4) {
			break
		}
		if l.fit(r) {
			gained++
		}
	}
	if gained > 1 {
		return true
	}
	l.undo(mark)
	return false
}
