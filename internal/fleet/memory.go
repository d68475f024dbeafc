package fleet

import (
	"slices"
	"sort"
	"time"

	"kitd/internal/ident"
)

// memoryStep is what the unit's memory holds from at on.
type memoryStep struct {
	at     int64
	runs   int   // runs since it was last cleared
	unread []int // indexes of the Worn facts whose return is not accepted, oldest first
}

// memoryTale walks the wears, returns and clearings of one unit.
type memoryTale struct {
	steps    []memoryStep
	accepted map[ident.ID]bool
	inside   map[ident.ID]bool // wears whose run is in the memory
	lost     []ident.ID        // wears cleared unread, in order
}

// lineMemory follows what is in the memory; units that hold no data have no steps.
func lineMemory(m Model, facts []Fact) []memoryStep {
	if !m.HoldsData {
		return nil
	}
	t := memoryTale{accepted: map[ident.ID]bool{}, inside: map[ident.ID]bool{}}
	t.tell(facts)
	return t.steps
}

func (m *memoryTale) tell(facts []Fact) {
	for i := range facts {
		at := facts[i].Occurred.UnixMilli()
		cur := memoryStep{at: at}
		if n := len(m.steps); n > 0 {
			cur.runs, cur.unread = m.steps[n-1].runs, m.steps[n-1].unread
		}
		switch b := facts[i].Body.(type) {
		case Worn:
			if m.inside[b.Wear] {
				continue
			}
			m.inside[b.Wear] = true
			cur.runs++
			if !m.accepted[b.Wear] {
				cur.unread = append(slices.Clip(cur.unread), i)
			}
		case ReturnAccepted:
			m.accepted[b.Wear] = true
			cur.unread = slices.DeleteFunc(slices.Clone(cur.unread), func(ref int) bool { return facts[ref].Body.(Worn).Wear == b.Wear })
		case Cleared:
			for _, ref := range cur.unread {
				m.lost = append(m.lost, facts[ref].Body.(Worn).Wear)
			}
			clear(m.inside)
			cur.runs, cur.unread = 0, nil
		default:
			continue
		}
		m.steps = append(m.steps, cur)
	}
}

// emitMemory judges the memory at the start of a span: unread data are to be read, a memory without a free run to be cleared.
func emitMemory(steps []memoryStep, capacity int, t int64, out []finding) []finding {
	i := sort.Search(len(steps), func(i int) bool { return steps[i].at > t }) - 1
	if i < 0 {
		return out
	}
	switch s := steps[i]; {
	case len(s.unread) > 0:
		return append(out, finding{code: codeUnread, ref: s.unread[0], refs: s.unread, clears: never})
	case s.runs >= max(capacity, 1):
		return append(out, finding{code: codeClear, ref: -1, mark: int64(s.runs), clears: never})
	}
	return out
}

// Unread gives the wears whose data are in the unit at t and not accepted, as known at the moment, oldest first.
func Unread(d Dossier, t, at time.Time) []ident.ID {
	facts, _ := known(d.Facts, at.UnixMilli())
	steps := lineMemory(d.Model, facts)
	i := sort.Search(len(steps), func(i int) bool { return steps[i].at > t.UnixMilli() }) - 1
	if i < 0 {
		return nil
	}
	var wears []ident.ID
	for _, ref := range steps[i].unread {
		wears = append(wears, facts[ref].Body.(Worn).Wear)
	}
	return wears
}

// ClearedUnread gives the wears whose data were lost because the memory was cleared before the return was accepted, as known
// at the moment. A return accepted later than the clearing was read before it, so its wear is not among them.
func ClearedUnread(d Dossier, at time.Time) []ident.ID {
	if !d.Model.HoldsData {
		return nil
	}
	facts, _ := known(d.Facts, at.UnixMilli())
	t := memoryTale{accepted: map[ident.ID]bool{}, inside: map[ident.ID]bool{}}
	t.tell(facts)
	return slices.DeleteFunc(t.lost, func(w ident.ID) bool { return t.accepted[w] })
}
