package planning

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

var monday = time.Date(2026, time.March, 2, 0, 0, 0, 0, time.UTC)

func at(minutes int) time.Time { return monday.Add(time.Duration(minutes) * time.Minute) }

// verifyCharge checks an answer against the words of the problem alone: it shares no code with the planner.
func verifyCharge(t testing.TB, p ChargeProblem, a ChargeAnswer) {
	t.Helper()
	base := p.Staffed
	var grid time.Time
	for _, w := range base {
		if grid.IsZero() || w.From.Before(grid) {
			grid = w.From
		}
	}
	handled := func(x time.Time) bool {
		return x.Sub(grid)%p.Slot == 0 && slices.ContainsFunc(p.Staffed, func(w Window) bool { return !x.Before(w.From) && !x.After(w.To) })
	}
	firstOff := func(on time.Time, length time.Duration) time.Time {
		k := (on.Add(length).Sub(grid) + p.Slot - 1) / p.Slot
		for x := grid.Add(k * p.Slot); ; x = x.Add(p.Slot) {
			if handled(x) {
				return x
			}
			if x.After(on.Add(length).Add(400 * 24 * time.Hour)) {
				return x
			}
		}
	}
	jobs := map[string]Job{}
	for _, j := range p.Jobs {
		jobs[j.ID] = j
	}
	times := map[time.Time]bool{}
	served := map[string]bool{}
	for n, x := range a.Assignments {
		j, ok := jobs[x.ID]
		switch {
		case !ok || served[x.ID]:
			t.Errorf("%s is unknown or assigned twice", x.ID)
		case !handled(x.On):
			t.Errorf("%s goes on at %s, when nobody is there", x.ID, x.On)
		case x.On.Before(j.Release) || x.Off.After(j.Deadline):
			t.Errorf("%s is on %s to %s, outside %s to %s", x.ID, x.On, x.Off, j.Release, j.Deadline)
		case !x.Off.Equal(firstOff(x.On, j.Length)):
			t.Errorf("%s comes off at %s, not at %s", x.ID, x.Off, firstOff(x.On, j.Length))
		case x.Position < 1 || x.Position > p.Positions:
			t.Errorf("%s is on position %d of %d", x.ID, x.Position, p.Positions)
		}
		served[x.ID] = true
		times[x.On.UTC()], times[x.Off.UTC()] = true, true
		for _, y := range a.Assignments[:n] {
			if y.Position == x.Position && y.On.Before(x.Off) && x.On.Before(y.Off) {
				t.Errorf("%s and %s share position %d", x.ID, y.ID, x.Position)
			}
		}
		for _, o := range p.Occupied {
			if o.Position == x.Position && x.On.Before(o.Until) {
				t.Errorf("%s goes on position %d before %s", x.ID, x.Position, o.Until)
			}
		}
	}
	if len(times) != a.Rounds {
		t.Errorf("%d rounds are stated, the plan has %d", a.Rounds, len(times))
	}
	var left []string
	for _, j := range p.Jobs {
		if !served[j.ID] {
			left = append(left, j.ID)
		}
	}
	if !slices.Equal(left, a.Unserved) || a.Feasible != (len(left) == 0) {
		t.Errorf("unserved %v (feasible %v), but the plan leaves out %v", a.Unserved, a.Feasible, left)
	}
	if a.Feasible && !(a.Exact && a.ServedOptimal) || a.ServedOptimal && !a.Feasible && !a.Exact {
		t.Errorf("the flags contradict each other: %+v", a)
	}
	if a.ServedAtMost < len(served) || a.RoundsAtLeast > a.Rounds {
		t.Errorf("bounds %d served, %d rounds; the plan has %d and %d", a.ServedAtMost, a.RoundsAtLeast, len(served), a.Rounds)
	}
}

// verifyRemedies applies each remedy and plans again.
func verifyRemedies(t testing.TB, p ChargeProblem, a ChargeAnswer) {
	t.Helper()
	for _, r := range a.Remedies {
		q := p
		q.Jobs = slices.Clone(p.Jobs)
		for _, d := range r.Deadlines {
			k := slices.IndexFunc(q.Jobs, func(j Job) bool { return j.ID == d.ID })
			q.Jobs[k].Deadline = d.Deadline
		}
		if r.Positions > 0 {
			q.Positions = r.Positions
		}
		if r.From != nil {
			q.Staffed = append(slices.Clone(p.Staffed), Window{*r.From, *r.To})
		}
		b, err := Charge(q, Limits{})
		if err != nil {
			t.Fatal(err)
		}
		verifyCharge(t, q, b)
		if !b.Feasible || r.Text == "" {
			t.Errorf("remedy %+v leaves %v unserved", r, b.Unserved)
		}
	}
}

// chance is the chance of one test: small problems of every sort, most of them tight.
type chance struct{ *rand.Rand }

func newChance(seed uint64) chance { return chance{rand.New(rand.NewPCG(seed, 20260302))} }

func (c chance) between(lo, hi int) int { return lo + c.IntN(hi-lo+1) }

func (c chance) charge(jobs, slots int, mixed bool) ChargeProblem {
	slot := []int{15, 20, 30, 60}[c.IntN(4)]
	p := ChargeProblem{Slot: time.Duration(slot) * time.Minute, Positions: c.between(1, 3)}
	end := slot * slots
	kind := c.IntN(2) // half of the problems are easy on their jobs
	for start := 0; start < end; {
		to := min(end, start+slot*c.between(1, slots/2)+c.IntN(3)*5)
		p.Staffed = append(p.Staffed, Window{at(start), at(to)})
		start = to + c.IntN(slot*slots/2+1)
	}
	length := c.between(1, slot*5)
	for k := range c.between(1, jobs) {
		if mixed && c.IntN(2) == 0 {
			length = c.between(1, slot*6)
		}
		release := c.IntN(end)
		deadline := release + length + c.IntN(end)
		if kind == 0 {
			release, deadline = release/2, max(deadline, end/2)+c.IntN(end)
		} else if c.IntN(20) == 0 {
			deadline = release - c.IntN(100)
		}
		p.Jobs = append(p.Jobs, Job{fmt.Sprintf("d%d", k), time.Duration(length) * time.Minute, at(release), at(deadline)})
	}
	for k := range p.Positions {
		if c.IntN(4) == 0 {
			p.Occupied = append(p.Occupied, Occupied{k + 1, at(c.IntN(end))})
		}
	}
	return p
}

func (c chance) placement(units, bookings int) PlacementProblem {
	var p PlacementProblem
	depots := []string{"", "north", "south"}[:c.between(1, 3)]
	for k := range c.between(1, units) {
		u := Unit{ID: fmt.Sprintf("u%d", k), Depot: depots[c.IntN(len(depots))]}
		for range c.IntN(3) {
			from := c.IntN(30)
			u.Blackouts = append(u.Blackouts, Window{at(from), at(from + c.IntN(6))})
		}
		p.Units = append(p.Units, u)
		if c.IntN(4) == 0 {
			from := c.IntN(30)
			p.Held = append(p.Held, Held{u.ID, Window{at(from), at(from + 1 + c.IntN(5))}})
		}
	}
	for k := range c.between(1, bookings) {
		from := c.IntN(28)
		b := Booking{ID: fmt.Sprintf("b%d", k), Span: Window{at(from), at(from + 1 + c.IntN(9))}, Count: c.between(1, 1+len(p.Units)/2)}
		if c.IntN(3) == 0 {
			b.Depot = depots[c.IntN(len(depots))]
		}
		if c.IntN(5) == 0 {
			b.Pinned = append(b.Pinned, p.Units[c.IntN(len(p.Units))].ID)
		}
		p.Bookings = append(p.Bookings, b)
	}
	return p
}

// verifyPlacement checks an answer against the words of the problem alone.
func verifyPlacement(t testing.TB, p PlacementProblem, a PlacementAnswer) {
	t.Helper()
	overlaps := func(x, y Window) bool {
		return x.From.Before(x.To) && y.From.Before(y.To) && x.From.Before(y.To) && y.From.Before(x.To)
	}
	units, taken := map[string]Unit{}, map[string][]Window{}
	for _, u := range p.Units {
		units[u.ID] = u
		taken[u.ID] = append(taken[u.ID], u.Blackouts...)
	}
	for _, h := range p.Held {
		taken[h.Unit] = append(taken[h.Unit], h.Span)
	}
	placed := map[string]Placed{}
	for _, x := range a.Placed {
		placed[x.ID] = x
	}
	refused := map[string]Refused{}
	for _, r := range a.Refused {
		refused[r.ID] = r
	}
	if len(placed) != len(a.Placed) || len(refused) != len(a.Refused) || a.Feasible != (len(refused) == 0) || a.AtMost < len(placed) {
		t.Errorf("placed %d, refused %d, feasible %v, at most %d", len(a.Placed), len(a.Refused), a.Feasible, a.AtMost)
	}
	for _, b := range p.Bookings {
		x, in := placed[b.ID]
		r, out := refused[b.ID]
		if in == out || out && (r.Code == "" || len(r.Reason) < 20) {
			t.Errorf("%s is placed %v, refused %v: %+v", b.ID, in, out, r)
		}
		if !in {
			continue
		}
		if len(x.Units) != b.Count {
			t.Errorf("%s asked for %d and got %v", b.ID, b.Count, x.Units)
		}
		for _, id := range b.Pinned {
			if !slices.Contains(x.Units, id) {
				t.Errorf("%s is pinned to %s and got %v", b.ID, id, x.Units)
			}
		}
		for _, id := range x.Units {
			if b.Depot != "" && units[id].Depot != b.Depot {
				t.Errorf("%s of depot %s got %s of %s", b.ID, b.Depot, id, units[id].Depot)
			}
			for _, w := range taken[id] {
				if overlaps(w, b.Span) {
					t.Errorf("%s got %s, which is not free: %v", b.ID, id, w)
				}
			}
			taken[id] = append(taken[id], b.Span)
		}
	}
}
