package planning

import (
	"slices"
	"time"
)

// Window is a stretch of time, instants.
type Window struct{ From, To time.Time }

// Job is one unit to be charged.
type Job struct {
	ID       string
	Length   time.Duration // of a full charge, above 0
	Release  time.Time     // not on before
	Deadline time.Time     // off by then
}

// Occupied is a position that something else holds until an instant.
type Occupied struct {
	Position int // from 1
	Until    time.Time
}

// ChargeProblem is what a charge plan is made for. Positions are alike and numbered from 1. Zero positions, no staffed window, no
// job, and jobs that cannot be served are all allowed: the answer names them.
type ChargeProblem struct {
	Slot      time.Duration
	Positions int
	Staffed   []Window // both ends included; may overlap, in any order
	Jobs      []Job
	Occupied  []Occupied
}

// Assignment puts a unit on a position over [On, Off).
type Assignment struct {
	ID       string    `json:"id"`
	Position int       `json:"position"`
	On       time.Time `json:"on"`
	Off      time.Time `json:"off"`
}

// ChargeAnswer is a charge plan. Assignments are ordered by On, then Position.
type ChargeAnswer struct {
	Feasible      bool         `json:"feasible"` // every job is served
	Assignments   []Assignment `json:"assignments"`
	Rounds        int          `json:"rounds"`         // distinct moments at which an assigned job goes on or off
	Unserved      []string     `json:"unserved"`       // in the order of the problem
	Remedies      []Remedy     `json:"remedies"`       // each makes everything served, by itself
	Exact         bool         `json:"exact"`          // feasibility is proved either way
	ServedOptimal bool         `json:"served_optimal"` // proved: nobody can serve more
	RoundsOptimal bool         `json:"rounds_optimal"` // proved: nobody can serve as many in fewer rounds
	ServedAtMost  int          `json:"served_at_most"` // proved upper bound
	RoundsAtLeast int          `json:"rounds_at_least"`
	Stopped       string       `json:"stopped,omitempty"` // why the search ended early
}

// Charge plans. The error is a fault of code planning-problem with the JSON pointers of what has to change.
func Charge(p ChargeProblem, l Limits) (ChargeAnswer, error) {
	if err := p.check(); err != nil {
		return ChargeAnswer{}, err
	}
	b := newBudget(l)
	g := newGrid(p)
	o := g.solve(b)
	a := ChargeAnswer{
		Rounds:        g.rounds(o.plan),
		Exact:         o.sure || len(g.alone) > 0,
		ServedOptimal: o.plan.served() >= o.most,
		ServedAtMost:  o.most,
		RoundsAtLeast: o.least,
		Unserved:      []string{},
		Remedies:      []Remedy{},
	}
	a.RoundsOptimal = a.ServedOptimal && a.Rounds <= o.least
	a.Assignments = g.positions(p, o.plan)
	a.Unserved = append(a.Unserved, g.unserved(p, o.plan)...)
	a.Feasible = len(a.Unserved) == 0
	if !a.Feasible {
		a.Remedies = append(a.Remedies, remedies(p, g, o.plan, b)...)
	}
	if !a.Exact || !a.ServedOptimal || !a.RoundsOptimal {
		b.late()
		b.cut = true
		a.Stopped = b.stopped()
	}
	return a, nil
}

// outcome is a plan and what was proved of it.
type outcome struct {
	plan  plan
	sure  bool // whether all tasks can be served was decided
	most  int  // no plan serves more
	least int  // no plan that serves as many has fewer rounds
}

// exactTasks is the size up to which the exact sweep is tried; above it, it would only eat its states.
const exactTasks = 150

func (g *grid) solve(b *budget) outcome {
	o := outcome{most: len(g.tasks), sure: true}
	if len(g.tasks) == 0 {
		return o
	}
	if g.equal() {
		o = g.solveEqual(b)
	} else {
		o = g.solveMixed(b)
	}
	o.prove(g, b)
	if served := o.plan.served(); served == len(g.tasks) {
		o.sure = true
		o.least = max(o.least, roundsBound(g, b.part(0, defaultWork)))
	} else if served > 0 {
		o.least = max(o.least, (served+g.cells-1)/g.cells+1)
	}
	return o
}

// solveEqual decides feasibility exactly, then makes a good plan.
func (g *grid) solveEqual(b *budget) outcome {
	o := outcome{most: len(g.tasks)}
	s := newStarts(g, g.tasks)
	ok, sure := s.settle(b.part(0, 1<<50))
	o.sure = sure
	if ok {
		o.plan = s.assign()
		work := b.part(0, b.work)
		o.plan = fewer(g, work, o.plan, equalAttempt(s, work))
		return o
	}
	if sure {
		o.most--
	}
	o.plan = g.grow(g.squeaky(b.part(0, b.work), 30, o.most), b.part(0, b.work))
	o.most = min(o.most, servedBound(g, o.plan.served(), b.part(0, b.work)))
	o.plan = g.fewerOf(o.plan, b)
	return o
}

// equalAttempt tries closed moments by the difference constraints. x only sinks as moments close: a try begins at the values of
// the last success if it closes at least the same moments, else at those with nothing closed.
func equalAttempt(s *starts, b *budget) attempt {
	open := slices.Clone(s.x)
	last, shut := open, make([]bool, len(s.closed))
	return func(closed []bool) func() plan {
		copy(s.x, open)
		if covers(closed, shut) {
			copy(s.x, last)
		}
		copy(s.closed, closed)
		if !s.fits(b) {
			return nil
		}
		last, shut = slices.Clone(s.x), slices.Clone(closed)
		x := last
		return func() plan {
			copy(s.x, x)
			return s.assign()
		}
	}
}

// covers says that every moment closed in b is closed in a.
func covers(a, b []bool) bool {
	for i := range b {
		if b[i] && !a[i] {
			return false
		}
	}
	return true
}

// fewerOf cuts the rounds of a plan that leaves tasks out, keeping the tasks it serves.
func (g *grid) fewerOf(p plan, b *budget) plan {
	sub, back := g.only(p)
	if len(sub.tasks) == 0 {
		return p
	}
	work := b.part(0, b.work/2)
	var try attempt
	if g.equal() {
		s := newStarts(sub, sub.tasks)
		if !s.fits(work) {
			return p
		}
		try = equalAttempt(s, work)
	} else {
		try = sub.listAttempt(work)
	}
	start := make(plan, len(sub.tasks))
	for k, i := range back {
		start[k] = p[i]
	}
	best := fewer(sub, work, start, try)
	out := slices.Repeat(plan{-1}, len(p))
	for k, i := range back {
		out[i] = best[k]
	}
	return out
}

// only is the grid with just the tasks that a plan serves, and their numbers in the full grid.
func (g *grid) only(p plan) (*grid, []int) {
	sub := *g
	sub.tasks = nil
	var back []int
	for k, i := range p {
		if i >= 0 {
			sub.tasks = append(sub.tasks, g.tasks[k])
			back = append(back, k)
		}
	}
	return &sub, back
}

func (g *grid) listAttempt(b *budget) attempt {
	return func(closed []bool) func() plan {
		if !b.spend(len(g.at) + 12*len(g.tasks)) {
			return nil
		}
		if p := g.list(nil, closed); p.served() == len(g.tasks) {
			return func() plan { return p }
		}
		return nil
	}
}

// solveMixed finds a plan for several lengths and bounds what is possible.
func (g *grid) solveMixed(b *budget) outcome {
	o := outcome{most: len(g.tasks)}
	o.plan = g.squeaky(b.part(0, b.work), 200, o.most)
	if o.plan.served() < o.most && len(g.tasks) <= exactTasks {
		beam := newSweep(g, b.part(b.states/8, 0), 60)
		beam.served = o.plan.served()
		if p, _ := beam.run(); p != nil && g.better(p, o.plan) {
			o.plan = p
		}
	}
	o.most = servedBound(g, o.plan.served(), b.part(0, b.work))
	o.plan = g.fewerOf(o.plan, b)
	o.sure = o.plan.served() == len(g.tasks) || o.most < len(g.tasks)
	return o
}

// prove sweeps through all states of a small problem; what it does not improve is optimal.
func (o *outcome) prove(g *grid, b *budget) {
	if len(g.tasks) > exactTasks {
		return
	}
	s := newSweep(g, b, 1<<30)
	s.most, s.served, s.rounds = o.most, o.plan.served(), g.rounds(o.plan)
	p, whole := s.run()
	if p != nil && g.better(p, o.plan) {
		o.plan = p
	}
	if whole {
		o.sure, o.most, o.least = true, o.plan.served(), g.rounds(o.plan)
	}
}

// positions numbers the positions: each job takes the lowest one that is free.
func (g *grid) positions(p ChargeProblem, served plan) []Assignment {
	until := make([]time.Time, p.Positions+1)
	for k, u := range heldUntil(p) {
		until[k] = u
	}
	order := []int{}
	for k, i := range served {
		if i >= 0 {
			order = append(order, k)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return int(served[a] - served[b]) })
	free := newFreePositions(until)
	out := make([]Assignment, 0, len(order))
	for _, k := range order {
		t := g.tasks[k]
		on, off := g.instant(served[k]), g.instant(g.off(t, served[k]))
		out = append(out, Assignment{p.Jobs[t.index].ID, free.take(on, off), on.UTC(), off.UTC()})
	}
	slices.SortStableFunc(out, func(a, b Assignment) int {
		if c := a.On.Compare(b.On); c != 0 {
			return c
		}
		return a.Position - b.Position
	})
	return out
}

// unserved names the jobs that a plan leaves out, in the order of the problem.
func (g *grid) unserved(p ChargeProblem, served plan) []string {
	in := make([]bool, len(p.Jobs))
	for k, i := range served {
		in[g.tasks[k].index] = i >= 0
	}
	var ids []string
	for i, j := range p.Jobs {
		if !in[i] {
			ids = append(ids, j.ID)
		}
	}
	return ids
}
