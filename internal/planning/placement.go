package planning

import (
	"fmt"
	"slices"
	"time"
)

// Unit is one thing that bookings can be promised.
type Unit struct {
	ID        string
	Depot     string   // empty: none stated
	Blackouts []Window // half-open; may overlap, in any order
}

// Held is a unit promised or held already; nothing moves it. Its interval is half-open.
type Held struct {
	Unit string
	Span Window
}

// Booking asks for Count units over a half-open interval, all or nothing, the same units for the whole of it.
type Booking struct {
	ID     string
	Span   Window
	Count  int
	Depot  string   // only units of this depot; empty: any unit, from any depot
	Pinned []string // units that the answer must contain if the booking is served
}

// PlacementProblem is what units are placed for.
type PlacementProblem struct {
	Units    []Unit
	Held     []Held
	Bookings []Booking
}

// Placed is a booking that is served, and its units in the order of the problem.
type Placed struct {
	ID    string   `json:"id"`
	Units []string `json:"units"`
}

// Refused is a booking that is not served, and why.
type Refused struct {
	ID     string `json:"id"`
	Code   string `json:"code"` // one of the refusal codes
	Reason string `json:"reason"`
}

// The refusal codes.
const (
	TooFewUnits     = "too-few-units"    // its depot, or the pool, never has that many
	PinnedTooMany   = "pinned-too-many"  // it names more units than it asks for
	PinnedElsewhere = "pinned-elsewhere" // a unit it names is in another depot
	PinnedBlocked   = "pinned-blocked"   // a unit it names is held or blacked out meanwhile
	UnitsBlocked    = "units-blocked"    // too many units are held or blacked out meanwhile
	UnitsTaken      = "units-taken"      // other bookings take the units
)

// PlacementAnswer says who gets what. Placed and Refused are in the order of the problem.
type PlacementAnswer struct {
	Feasible bool      `json:"feasible"` // every booking is served
	Placed   []Placed  `json:"placed"`
	Refused  []Refused `json:"refused"`
	Exact    bool      `json:"exact"`          // proved: nobody can serve more bookings
	AtMost   int       `json:"placed_at_most"` // proved upper bound
	Stopped  string    `json:"stopped,omitempty"`
}

// Place places as many bookings as it can, never fewer than first fit in the order of their starts unless the clock ends even
// that. The error is a fault of code
// planning-problem with the JSON pointers of what has to change.
func Place(p PlacementProblem, l Limits) (PlacementAnswer, error) {
	if err := p.check(); err != nil {
		return PlacementAnswer{}, err
	}
	b := newBudget(l)
	pl := newPool(p)
	best, most := pl.solve(b)
	a := PlacementAnswer{Placed: []Placed{}, Refused: []Refused{}, AtMost: most, Exact: best.count() >= most}
	w := pl.load(best)
	for k, units := range best {
		if units == nil {
			code, reason := pl.refusal(w, k)
			a.Refused = append(a.Refused, Refused{p.Bookings[k].ID, code, reason})
			continue
		}
		names := make([]string, 0, len(units))
		for _, u := range slices.Sorted(slices.Values(units)) {
			names = append(names, p.Units[u].ID)
		}
		a.Placed = append(a.Placed, Placed{p.Bookings[k].ID, names})
	}
	a.Feasible = len(a.Refused) == 0
	if !a.Exact {
		b.late()
		b.cut = true
		a.Stopped = b.stopped()
	}
	return a, nil
}

func (p PlacementProblem) check() error {
	var f findings
	if len(p.Units) > limitUnits {
		f.add("/units", fmt.Sprintf("at most %d units are placed at once; plan one depot at a time", limitUnits))
	}
	if len(p.Bookings) > limitBookings {
		f.add("/bookings", fmt.Sprintf("at most %d bookings are placed at once; plan a shorter horizon", limitBookings))
	}
	units := map[string]int{}
	for i, u := range p.Units {
		at := fmt.Sprintf("/units/%d", i)
		f.name(at+"/id", "/units", u.ID, i, units)
		for k, w := range u.Blackouts {
			f.window(fmt.Sprintf("%s/blackouts/%d", at, k), w, true)
		}
	}
	for i, h := range p.Held {
		at := fmt.Sprintf("/held/%d", i)
		f.known(at+"/unit", h.Unit, units)
		f.window(at, h.Span, true)
	}
	bookings := map[string]int{}
	for i, b := range p.Bookings {
		f.booking(fmt.Sprintf("/bookings/%d", i), i, b, bookings, units)
	}
	return f.err()
}

func (f *findings) booking(at string, i int, b Booking, bookings, units map[string]int) {
	f.name(at+"/id", "/bookings", b.ID, i, bookings)
	f.window(at, b.Span, false)
	if b.Count < 1 {
		f.add(at+"/count", "a booking asks for at least 1 unit")
	}
	for k, id := range b.Pinned {
		place := fmt.Sprintf("%s/pinned/%d", at, k)
		f.known(place, id, units)
		if slices.Contains(b.Pinned[:k], id) {
			f.add(place, fmt.Sprintf("%q stands here twice; keep one", short(id)))
		}
	}
}

func (f *findings) known(at, id string, units map[string]int) {
	if _, ok := units[id]; !ok {
		f.add(at, fmt.Sprintf("there is no unit %q in /units", short(id)))
	}
}

// want is a booking on the pool's own time axis.
type want struct {
	from, to int64 // nanoseconds from the pool's base
	count    int
	pinned   []int
}

// block is what a unit's time line holds: a booking, or −1 for what nothing moves.
type block struct {
	from, to int64
	by       int
}

// pool is a placement problem with numbers for names.
type pool struct {
	p     PlacementProblem
	wants []want
	order []int     // bookings by start
	fixed [][]block // by unit, sorted, not overlapping
	depot map[string][]int
	all   []int
}

// placing holds the units of each booking; nil when it is refused.
type placing [][]int

func (a placing) count() int {
	n := 0
	for _, u := range a {
		if u != nil {
			n++
		}
	}
	return n
}

func newPool(p PlacementProblem) *pool {
	pl := &pool{p: p, depot: map[string][]int{}, fixed: make([][]block, len(p.Units))}
	number := map[string]int{}
	base := pl.base()
	axis := func(t time.Time) int64 { return int64(t.Sub(base)) }
	for u, unit := range p.Units {
		number[unit.ID] = u
		pl.all = append(pl.all, u)
		pl.depot[unit.Depot] = append(pl.depot[unit.Depot], u)
		for _, w := range unit.Blackouts {
			pl.fixed[u] = append(pl.fixed[u], block{axis(w.From), axis(w.To), -1})
		}
	}
	for _, h := range p.Held {
		u := number[h.Unit]
		pl.fixed[u] = append(pl.fixed[u], block{axis(h.Span.From), axis(h.Span.To), -1})
	}
	for u := range pl.fixed {
		pl.fixed[u] = joined(pl.fixed[u])
	}
	for k, b := range p.Bookings {
		w := want{from: axis(b.Span.From), to: axis(b.Span.To), count: b.Count}
		for _, id := range b.Pinned {
			w.pinned = append(w.pinned, number[id])
		}
		pl.wants = append(pl.wants, w)
		pl.order = append(pl.order, k)
	}
	slices.SortStableFunc(pl.order, func(a, b int) int { return compare64(pl.wants[a].from, pl.wants[b].from) })
	return pl
}

// base is an instant near all others, so that differences stay within what a duration holds.
func (pl *pool) base() time.Time {
	if len(pl.p.Bookings) > 0 {
		return pl.p.Bookings[0].Span.From
	}
	return time.Unix(0, 0)
}

func compare64(a, b int64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// joined sorts fixed blocks, drops empty ones and joins those that touch.
func joined(in []block) []block {
	slices.SortFunc(in, func(a, b block) int { return compare64(a.from, b.from) })
	out := in[:0]
	for _, x := range in {
		switch n := len(out); {
		case x.from == x.to:
		case n > 0 && x.from <= out[n-1].to:
			out[n-1].to = max(out[n-1].to, x.to)
		default:
			out = append(out, x)
		}
	}
	return out
}

// among are the units that a booking's depot allows.
func (pl *pool) among(k int) []int {
	if d := pl.p.Bookings[k].Depot; d != "" {
		return pl.depot[d]
	}
	return pl.all
}

// allowed says that depot and fixed blocks let a unit serve a booking.
func (pl *pool) allowed(u, k int) bool {
	d := pl.p.Bookings[k].Depot
	if d != "" && pl.p.Units[u].Depot != d {
		return false
	}
	_, blocked := overlap(pl.fixed[u], pl.wants[k].from, pl.wants[k].to)
	return !blocked
}

// overlap finds the first block of a sorted line that overlaps [from, to).
func overlap(line []block, from, to int64) (int, bool) {
	lo, hi := 0, len(line)
	for lo < hi {
		mid := (lo + hi) / 2
		if line[mid].to > from {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo, lo < len(line) && line[lo].from < to
}

// alone says that a booking could be served if it were the only one.
func (pl *pool) alone(k int) bool {
	w := pl.wants[k]
	if len(w.pinned) > w.count {
		return false
	}
	for _, u := range w.pinned {
		if !pl.allowed(u, k) {
			return false
		}
	}
	n := 0
	for _, u := range pl.among(k) {
		if pl.allowed(u, k) {
			if n++; n == w.count {
				return true
			}
		}
	}
	return false
}

// boundCells is the size, units × bookings, up to which the price bound and the search are tried.
const boundCells = 20_000_000

// solve gives the best placing found and a proved upper bound on the bookings served.
func (pl *pool) solve(b *budget) (placing, int) {
	possible, most := pl.possible(b)
	best := pl.firstFit(possible, b)
	for _, rule := range []func([]int) []int{pl.pinnedFirst, pl.shortFirst} {
		if best.count() == most || b.late() {
			return best, most
		}
		if a := pl.firstFit(rule(possible), b); best.count() < a.count() {
			best = a
		}
	}
	best = pl.repair(best, possible, b.part(0, b.work))
	if best.count() == most || b.late() || len(pl.fixed)*len(possible) > boundCells {
		return best, most
	}
	k := newKinds(pl, possible)
	most = k.bound(best.count(), b.part(0, 4*b.work))
	if best.count() == most {
		return best, most
	}
	better, whole := k.search(best.count(), b.part(b.states, 8*b.work))
	if better != nil {
		best = better
	}
	if whole {
		most = best.count()
	}
	return best, most
}

// possible lists, by start, the bookings that could be served if they were alone, and gives their number as a bound. Out of time
// it lists what it has not looked at as well.
func (pl *pool) possible(b *budget) ([]int, int) {
	var list []int
	for _, k := range pl.order {
		if b.late() || pl.alone(k) {
			list = append(list, k)
		}
	}
	return list, len(list)
}
