package planning

import (
	"testing"
	"time"
)

// every tries every start of every job, and leaving it out, and keeps the best served and its fewest rounds. It takes the grid
// from its own reading of the problem.
type every struct {
	p      ChargeProblem
	at     []time.Time
	off    [][]int // by job and start, −1 when it does not serve
	chosen []int
	served int
	rounds int
}

func newEvery(p ChargeProblem) *every {
	e := &every{p: p, chosen: make([]int, len(p.Jobs)), rounds: 1 << 30}
	first := p.Staffed[0].From
	last := first
	for _, w := range p.Staffed {
		first, last = earlier(first, w.From), later(last, w.To)
	}
	for x := first; !x.After(last); x = x.Add(p.Slot) {
		for _, w := range p.Staffed {
			if !x.Before(w.From) && !x.After(w.To) {
				e.at = append(e.at, x)
				break
			}
		}
	}
	for _, j := range p.Jobs {
		off := make([]int, len(e.at))
		for i, on := range e.at {
			off[i] = -1
			for k := i; k < len(e.at) && !on.Before(j.Release); k++ {
				if !e.at[k].Before(on.Add(j.Length)) {
					if !e.at[k].After(j.Deadline) {
						off[i] = k
					}
					break
				}
			}
		}
		e.off = append(e.off, off)
	}
	return e
}

func (e *every) try(job, served int) {
	if served+len(e.chosen)-job < e.served {
		return
	}
	if job == len(e.chosen) {
		rounds := map[int]bool{}
		for k, i := range e.chosen {
			if i >= 0 {
				rounds[i], rounds[e.off[k][i]] = true, true
			}
		}
		if served > e.served || len(rounds) < e.rounds {
			e.served, e.rounds = served, len(rounds)
		}
		return
	}
	for i, off := range e.off[job] {
		if off >= 0 {
			e.chosen[job] = i
			if e.fits(job) {
				e.try(job+1, served+1)
			}
		}
	}
	e.chosen[job] = -1
	e.try(job+1, served)
}

// fits counts what overlaps at each moment of the job just chosen.
func (e *every) fits(job int) bool {
	for x := e.chosen[job]; x < e.off[job][e.chosen[job]]; x++ {
		n := 0
		for k := range job + 1 {
			if i := e.chosen[k]; i >= 0 && i <= x && x < e.off[k][i] {
				n++
			}
		}
		for _, u := range heldUntil(e.p) {
			if u.After(e.at[x]) {
				n++
			}
		}
		if n > e.p.Positions {
			return false
		}
	}
	return true
}

func TestChargeAgainstExhaustiveSearch(t *testing.T) {
	feasible := 0
	for seed := range uint64(600) {
		c := newChance(seed)
		p := c.charge(4, 9, seed%2 == 1)
		a, err := Charge(p, Limits{})
		if err != nil {
			t.Fatal(seed, err)
		}
		verifyCharge(t, p, a)
		e := newEvery(p)
		e.try(0, 0)
		if len(a.Assignments) != e.served || a.Rounds != e.rounds || !a.Exact || !a.ServedOptimal || !a.RoundsOptimal {
			t.Errorf("seed %d: served %d in %d rounds, exhaustive search %d in %d; flags %v %v %v", seed, len(a.Assignments), a.Rounds, e.served, e.rounds, a.Exact, a.ServedOptimal, a.RoundsOptimal)
		}
		if a.Feasible {
			feasible++
		}
		if t.Failed() {
			t.Fatalf("seed %d: %+v\n%+v", seed, p, a)
		}
	}
	if feasible < 50 || feasible > 550 {
		t.Errorf("%d of 600 are feasible: the problems decide nothing", feasible)
	}
}

// mostPlaced tries every set of units for every booking.
func mostPlaced(p PlacementProblem, k int, taken map[string][]Window, served, best int) int {
	if served+len(p.Bookings)-k <= best {
		return best
	}
	if k == len(p.Bookings) {
		return served
	}
	b := p.Bookings[k]
	for set := range 1 << len(p.Units) {
		var chosen []string
		for u, unit := range p.Units {
			if set>>u&1 == 1 && suits(b, unit, taken[unit.ID]) {
				chosen = append(chosen, unit.ID)
			}
		}
		if len(chosen) != b.Count || !holds(chosen, b.Pinned) {
			continue
		}
		for _, id := range chosen {
			taken[id] = append(taken[id], b.Span)
		}
		best = mostPlaced(p, k+1, taken, served+1, best)
		for _, id := range chosen {
			taken[id] = taken[id][:len(taken[id])-1]
		}
	}
	return mostPlaced(p, k+1, taken, served, best)
}

func suits(b Booking, u Unit, taken []Window) bool {
	for _, w := range taken {
		if w.From.Before(w.To) && w.From.Before(b.Span.To) && b.Span.From.Before(w.To) {
			return false
		}
	}
	return b.Depot == "" || b.Depot == u.Depot
}

func holds(set, want []string) bool {
	for _, w := range want {
		found := false
		for _, s := range set {
			found = found || s == w
		}
		if !found {
			return false
		}
	}
	return true
}

func TestPlacementAgainstExhaustiveSearch(t *testing.T) {
	refused := 0
	for seed := range uint64(400) {
		p := newChance(seed).placement(4, 5)
		a, err := Place(p, Limits{})
		if err != nil {
			t.Fatal(seed, err)
		}
		verifyPlacement(t, p, a)
		taken := map[string][]Window{}
		for _, u := range p.Units {
			taken[u.ID] = append(taken[u.ID], u.Blackouts...)
		}
		for _, h := range p.Held {
			taken[h.Unit] = append(taken[h.Unit], h.Span)
		}
		if best := mostPlaced(p, 0, taken, 0, -1); best != len(a.Placed) || !a.Exact {
			t.Fatalf("seed %d: placed %d (exact %v), exhaustive search %d: %+v", seed, len(a.Placed), a.Exact, best, p)
		}
		refused += len(a.Refused)
	}
	if refused < 100 {
		t.Errorf("only %d bookings were refused: the problems decide nothing", refused)
	}
}
