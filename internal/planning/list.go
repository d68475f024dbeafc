package planning

import "container/heap"

// list starts at every open moment as many waiting tasks as there are positions, the smallest urgency first. It never idles, so
// it is a rule of thumb: it can miss what an exact method finds. urgency nil is the last start (earliest deadline first).
func (g *grid) list(urgency []int32, closed []bool) plan {
	p := make(plan, len(g.tasks))
	arrive := make([][]int, len(g.at))
	for k, t := range g.tasks {
		p[k] = -1
		arrive[t.first] = append(arrive[t.first], k)
	}
	var wait taskQueue
	wait.key = func(k int) int32 {
		if urgency != nil {
			return urgency[k]
		}
		return g.tasks[k].last
	}
	done := make([]int32, len(g.at)+1)
	running := int32(0)
	for i := range g.at {
		running -= done[i]
		for _, k := range arrive[i] {
			heap.Push(&wait, k)
		}
		if closed != nil && closed[i] {
			continue
		}
		for running < g.free[i] && wait.Len() > 0 {
			k := heap.Pop(&wait).(int)
			if t := g.tasks[k]; t.last >= int32(i) {
				p[k] = int32(i)
				done[g.off(t, int32(i))]++
				running++
			}
		}
	}
	return p
}

// squeaky repeats list and makes more urgent what was missed, until all is served, the bound is met or the tries end. Its answer
// is the best of all tries.
func (g *grid) squeaky(b *budget, tries, most int) plan {
	urgency := make([]int32, len(g.tasks))
	for k, t := range g.tasks {
		urgency[k] = t.last
	}
	var best plan
	for range tries {
		p := g.list(urgency, nil)
		if best == nil || p.served() > best.served() {
			best = p
		}
		if best.served() >= most || !b.spend(len(g.at)+12*len(g.tasks)) {
			break
		}
		for k, i := range p {
			if t := g.tasks[k]; i < 0 {
				urgency[k] -= max(1, g.next[t.class][t.first]-t.first)/2 + 1
			}
		}
	}
	return best
}

// grow adds tasks of one length to a feasible plan as long as all still fit, in blocks that are halved when they do not. The
// answer cannot take any further task; it need not be the largest.
func (g *grid) grow(p plan, b *budget) plan {
	var kept []task
	var out []int
	index := map[int]int{}
	for k, i := range p {
		index[g.tasks[k].index] = k
		if i >= 0 {
			kept = append(kept, g.tasks[k])
		} else {
			out = append(out, k)
		}
	}
	sortWide(g, out)
	var add func(block []int)
	add = func(block []int) {
		if len(block) == 0 || b.work < 0 || b.late() {
			return
		}
		with := kept[:len(kept):len(kept)]
		for _, k := range block {
			with = append(with, g.tasks[k])
		}
		if s := newStarts(g, with); s.fits(b) {
			kept = with
			for k := range p {
				p[k] = -1
			}
			for k, i := range s.assign() {
				p[index[with[k].index]] = i
			}
			return
		}
		if len(block) > 1 {
			mid := len(block) / 2
			add(block[:mid])
			add(block[mid:])
		}
	}
	add(out)
	return p
}

func (s *starts) fits(b *budget) bool {
	ok, sure := s.settle(b)
	return ok && sure
}
