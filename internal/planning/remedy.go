package planning

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// The kinds of remedies.
const (
	LaterDeadlines = "later-deadlines"
	MorePositions  = "more-positions"
	StaffedWindow  = "staffed-window"
)

// NewDeadline moves one job's deadline.
type NewDeadline struct {
	ID       string    `json:"id"`
	Deadline time.Time `json:"deadline"`
}

// Remedy is one change with which every job is served; it was checked by solving the changed problem.
type Remedy struct {
	Kind      string        `json:"kind"`
	Text      string        `json:"text"`
	Deadlines []NewDeadline `json:"deadlines,omitempty"`
	Positions int           `json:"positions,omitzero"` // new number
	From      *time.Time    `json:"from,omitempty"`     // of the staffed window
	To        *time.Time    `json:"to,omitempty"`
}

// remedies looks for the smallest change of each kind: later deadlines of the units that are left out, more positions, and one
// more staffed window.
func remedies(p ChargeProblem, g *grid, served plan, b *budget) []Remedy {
	d := &doctor{p: p, b: b.part(0, 0), out: g.outside(served)}
	var list []Remedy
	for _, find := range []func() (Remedy, bool){d.deadlines, d.positions, d.window} {
		d.b.work = defaultWork / 2
		if r, ok := find(); ok {
			list = append(list, r)
		}
	}
	return list
}

// outside lists the jobs that a plan leaves out, by index in the problem.
func (g *grid) outside(served plan) []int {
	out := slices.Clone(g.alone)
	for k, i := range served {
		if i < 0 {
			out = append(out, g.tasks[k].index)
		}
	}
	slices.Sort(out)
	return out
}

// doctor tries changed problems.
type doctor struct {
	p   ChargeProblem
	b   *budget
	out []int
}

// cures says whether a changed problem was shown to serve everything.
func (d *doctor) cures(p ChargeProblem) bool {
	if d.b.work <= 0 || d.b.late() {
		return false
	}
	g := newGrid(p)
	d.b.work -= len(g.at)
	if len(g.alone) > 0 {
		return false
	}
	if g.equal() {
		return len(g.tasks) == 0 || newStarts(g, g.tasks).fits(d.b)
	}
	if g.squeaky(d.b, 60, len(g.tasks)).served() == len(g.tasks) {
		return true
	}
	if len(g.tasks) > 60 {
		return false
	}
	states := d.b.part(20_000, 0)
	s := newSweep(g, states, 1<<30)
	s.served = len(g.tasks)
	found, _ := s.run()
	d.b.work -= 50 * (20_000 - max(states.states, 0))
	return found != nil
}

// without is the problem with only the jobs that are kept.
func (d *doctor) without(left []int) ChargeProblem {
	p := d.p
	p.Jobs = nil
	for i, j := range d.p.Jobs {
		if !slices.Contains(left, i) {
			p.Jobs = append(p.Jobs, j)
		}
	}
	return p
}

// mostMoved is the largest number of units whose deadlines a remedy moves; more is no small change any more.
const mostMoved = 12

// deadlines adds the units that are left out one after the other, each with the least delay that serves it too.
func (d *doctor) deadlines() (Remedy, bool) {
	if len(d.out) > mostMoved {
		return Remedy{}, false
	}
	p := d.without(d.out)
	moments := newMoments(d.p)
	r := Remedy{Kind: LaterDeadlines}
	var parts []string
	for _, i := range d.out {
		j := d.p.Jobs[i]
		p.Jobs = append(slices.Clip(p.Jobs), j)
		low := moments.from(max(j.Deadline.Sub(moments.base), 0))
		at := low + leastTrue(len(moments.at)-low, func(k int) bool {
			p.Jobs[len(p.Jobs)-1].Deadline = moments.base.Add(moments.at[low+k])
			return d.cures(p)
		})
		if at >= len(moments.at) {
			return Remedy{}, false
		}
		to := moments.base.Add(moments.at[at]).UTC()
		p.Jobs[len(p.Jobs)-1].Deadline = to
		if !to.After(j.Deadline) {
			continue // it fits as it is once the others are moved
		}
		r.Deadlines = append(r.Deadlines, NewDeadline{j.ID, to})
		parts = append(parts, fmt.Sprintf("%s has time until %s (%s more)", j.ID, to.Format(time.RFC3339), span(to.Sub(j.Deadline))))
	}
	if len(parts) == 0 || !d.cures(p) {
		return Remedy{}, false
	}
	r.Text = "Everything is served when " + strings.Join(parts, ", and ") + "."
	return r, true
}

// leastTrue is the first k in [0, n) with f, tried by halving; n when none was found. The last call of f need not be that k.
func leastTrue(n int, f func(int) bool) int {
	lo, hi := 0, n
	if n == 0 || !f(n-1) {
		return n
	}
	hi = n - 1
	for lo < hi {
		mid := (lo + hi) / 2
		if f(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// positions finds the least number of positions that serves everything.
func (d *doctor) positions() (Remedy, bool) {
	p := d.p
	more := 1 + leastTrue(min(len(p.Jobs), limitPositions-p.Positions), func(k int) bool {
		p.Positions = d.p.Positions + k + 1
		return d.cures(p)
	})
	p.Positions = d.p.Positions + more
	if p.Positions > limitPositions || !d.cures(p) {
		return Remedy{}, false
	}
	word := "positions"
	if more == 1 {
		word = "position"
	}
	text := fmt.Sprintf("Everything is served with %d more charger %s, %d in all.", more, word, p.Positions)
	return Remedy{Kind: MorePositions, Text: text, Positions: p.Positions}, true
}

// window finds one more staffed window that serves everything, the shortest first.
func (d *doctor) window() (Remedy, bool) {
	for _, w := range d.windows() {
		p := d.p
		p.Staffed = append(slices.Clone(p.Staffed), w)
		if newGridTooLarge(p) || !d.cures(p) {
			continue
		}
		from, to := w.From.UTC(), w.To.UTC()
		text := fmt.Sprintf("Everything is served when somebody is there from %s to %s as well.", from.Format(time.RFC3339), to.Format(time.RFC3339))
		if from.Equal(to) {
			text = fmt.Sprintf("Everything is served when somebody is there at %s as well.", from.Format(time.RFC3339))
		}
		return Remedy{Kind: StaffedWindow, Text: text, From: &from, To: &to}, true
	}
	return Remedy{}, false
}

// windows are the candidates: an hour, two or four before and after each window near the units that are left out, then the time
// from the first release to the last deadline among them. All lie on the slots of the problem.
func (d *doctor) windows() []Window {
	lo, hi := d.p.Jobs[d.out[0]].Release, d.p.Jobs[d.out[0]].Deadline
	for _, i := range d.out {
		lo, hi = earlier(lo, d.p.Jobs[i].Release), later(hi, d.p.Jobs[i].Deadline)
	}
	var list []Window
	staffed := merged(d.p.Staffed)
	for _, hours := range []time.Duration{1, 2, 4} {
		length := max(hours*time.Hour/d.p.Slot, 1) * d.p.Slot
		for _, w := range staffed {
			for _, c := range []Window{{w.To, w.To.Add(length)}, {w.From.Add(-length), w.From}} {
				if !c.To.Before(lo) && !c.From.After(hi) && len(list) < 90 {
					list = append(list, c)
				}
			}
		}
	}
	if lo.Before(hi) {
		if len(staffed) > 0 && lo.Before(staffed[0].From) { // an earlier window must not shift the slots
			k := staffed[0].From.Sub(lo) / d.p.Slot
			lo = staffed[0].From.Add(-k * d.p.Slot)
		}
		list = append(list, Window{lo, hi})
	}
	return list
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// span writes a duration as people say it.
func span(d time.Duration) string {
	switch {
	case d%time.Minute != 0:
		return d.String()
	case d >= 48*time.Hour:
		return strings.TrimSpace(fmt.Sprintf("%d days %s", d/(24*time.Hour), clock(d%(24*time.Hour))))
	}
	return clock(d)
}

func clock(d time.Duration) string {
	h, m := d/time.Hour, d%time.Hour/time.Minute
	switch {
	case h == 0 && m == 0:
		return ""
	case m == 0:
		return fmt.Sprintf("%d h", h)
	case h == 0:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}
