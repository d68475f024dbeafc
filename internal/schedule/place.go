package schedule

import (
	"cmp"
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// place finds units for the request in the pool as it stands, exchanging units of others where needed. On success the pool
// holds the request's claims and p.moves says who was moved. Otherwise got tells how many dosimeters could be had, and the
// pool is as before.
func (p *pool) place(r request) (units []ident.ID, got int, ok bool) {
	mark := p.mark()
	p.budget = exchanges
	if len(r.fixed) > 0 {
		units, ok = p.placeFixed(r)
	} else {
		units, got, ok = p.placeAny(r)
	}
	if !ok {
		p.back(mark)
	}
	return units, got, ok
}

func (p *pool) placeFixed(r request) ([]ident.ID, bool) {
	for _, id := range r.fixed {
		if d := p.units[id]; d == nil || !suits(d.Unit, r.client) || p.judge(id, r).blocked {
			return nil, false
		}
		p.give(id, r) // all of them before any exchange, so that none is given away again
	}
	for _, id := range r.fixed {
		if !p.clear(id, r, depth) {
			return nil, false
		}
	}
	return r.fixed, true
}

func (p *pool) placeAny(r request) (units []ident.ID, got int, ok bool) {
	units = p.chooseDosimeters(r)
	if len(units) < r.dosimeters {
		return nil, len(units), false
	}
	got = len(units)
	if !r.calibrator {
		return units, got, true
	}
	calibrator, ok := p.chooseCalibrator(r, units)
	return append(units, calibrator), got, ok
}

// chooseDosimeters takes what is kept already, then free units by kits, then units that exchanges can free.
func (p *pool) chooseDosimeters(r request) []ident.ID {
	all := p.candidates(fleet.Dosimeter, r, nil)
	var free, taken, chosen []ident.ID
	for _, id := range all {
		if p.free(id, r) {
			free = append(free, id)
		} else {
			taken = append(taken, id)
		}
	}
	for _, id := range r.keep {
		if len(chosen) < r.dosimeters && slices.Contains(free, id) {
			chosen = append(chosen, id)
		}
	}
	free = slices.DeleteFunc(free, func(id ident.ID) bool { return slices.Contains(r.keep, id) })
	chosen = append(chosen, p.byKits(free, r.dosimeters-len(chosen))...)
	for _, id := range chosen {
		p.give(id, r)
	}
	for _, id := range taken {
		if len(chosen) == r.dosimeters {
			break
		}
		if p.take(id, r, depth) {
			chosen = append(chosen, id)
		}
	}
	return chosen
}

// chooseCalibrator prefers the kept one, then one out of the kits of the chosen dosimeters, then a loose one.
func (p *pool) chooseCalibrator(r request, dosimeters []ident.ID) (ident.ID, bool) {
	beside := map[ident.ID]bool{}
	for _, id := range dosimeters {
		beside[p.units[id].Kit] = true
	}
	preference := func(id ident.ID) int {
		kit := p.units[id].Kit
		switch {
		case slices.Contains(r.keep, id):
			return 0
		case !kit.IsZero() && beside[kit]:
			return 1
		case kit.IsZero():
			return 2
		}
		return 3
	}
	all := p.candidates(fleet.Calibrator, r, nil)
	slices.SortStableFunc(all, func(a, b ident.ID) int { return cmp.Compare(preference(a), preference(b)) })
	for _, exchange := range []bool{false, true} {
		for _, id := range all {
			if p.free(id, r) == !exchange && p.take(id, r, depth) {
				return id, true
			}
		}
	}
	return ident.ID{}, false
}

// rank orders units for a request: without open work where none can be planned any more; a certificate that outlasts the
// booking by the margin, the shortest such first, so that long ones stay for later bookings; the least used; by tag.
func (p *pool) rank(ids []ident.ID, r request) {
	beyond := lastDay(r).AddDays(p.margin)
	slices.SortStableFunc(ids, func(a, b ident.ID) int {
		ja, jb := p.judge(a, r), p.judge(b, r)
		if c := compareBools(ja.open, jb.open); c != 0 {
			return c
		}
		longA, longB := outlasts(ja.ends, beyond), outlasts(jb.ends, beyond)
		if c := compareBools(!longA, !longB); c != 0 {
			return c
		}
		if c := compareEnds(ja.ends, jb.ends); c != 0 {
			if longA {
				return c
			}
			return -c
		}
		if c := cmp.Compare(p.used[a], p.used[b]); c != 0 {
			return c
		}
		return compareTags(p.units[a], p.units[b])
	})
}

// lastDay is the last civil day the request touches, in its depot's zone.
func lastDay(r request) civil.Date {
	loc, err := zone(r.depot.Zone)
	if err != nil {
		loc = time.UTC
	}
	return civil.Of(r.whole().To.Add(-time.Millisecond).In(loc))
}

// outlasts: no end at all outlasts everything.
func outlasts(ends, day civil.Date) bool { return ends.IsZero() || !ends.Before(day) }

// compareEnds puts "no end" last.
func compareEnds(a, b civil.Date) int {
	if a.IsZero() || b.IsZero() {
		return compareBools(a.IsZero(), b.IsZero())
	}
	return a.Compare(b)
}

// compareBools puts false first.
func compareBools(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// compareTags puts equal tags, which differ in case only, in a stable order.
func compareTags(a, b *fleet.Dossier) int {
	if c := fleet.CompareTags(a.Unit.Tag, b.Unit.Tag); c != 0 {
		return c
	}
	return slices.Compare(a.Unit.ID[:], b.Unit.ID[:])
}

// byKits takes n of the free dosimeters, ranked best first, with whole kits before broken ones: the whole kits that together
// come nearest to n without passing it; then units of no kit; then what is left of kits that miss a unit anyway; and only
// then a whole kit is broken, the smallest first.
func (p *pool) byKits(free []ident.ID, n int) []ident.ID {
	if n <= 0 {
		return nil
	}
	if len(free) <= n {
		return free
	}
	groups, loose, broken := p.cases(free)
	var chosen, rest []ident.ID
	picked := nearest(groups, n)
	slices.SortStableFunc(groups, func(a, b kitCase) int { return cmp.Compare(len(a.units), len(b.units)) })
	for _, g := range groups {
		if picked[g.kit] {
			chosen = append(chosen, g.units...)
		} else {
			rest = append(rest, g.units...)
		}
	}
	return slices.Concat(chosen, loose, broken, rest)[:n]
}

type kitCase struct {
	kit   ident.ID
	units []ident.ID
}

// cases sorts free dosimeters into whole kits (in order of their best unit), units of no kit, and units of broken kits.
func (p *pool) cases(free []ident.ID) (whole []kitCase, loose, broken []ident.ID) {
	size := map[ident.ID]int{}
	for _, d := range p.units {
		if d.Model.Kind == fleet.Dosimeter {
			size[d.Kit]++
		}
	}
	at := map[ident.ID]int{}
	var groups []kitCase
	for _, id := range free {
		kit := p.units[id].Kit
		if kit.IsZero() {
			loose = append(loose, id)
			continue
		}
		i, ok := at[kit]
		if !ok {
			i = len(groups)
			at[kit], groups = i, append(groups, kitCase{kit: kit})
		}
		groups[i].units = append(groups[i].units, id)
	}
	for _, g := range groups {
		if len(g.units) == size[g.kit] {
			whole = append(whole, g)
		} else {
			broken = append(broken, g.units...)
		}
	}
	return whole, loose, broken
}

// nearest picks the kits whose sizes add up to the largest sum not above n; of several ways the one met first in the order
// given.
func nearest(groups []kitCase, n int) map[ident.ID]bool {
	last := make([]int, n+1) // 1 + index of the kit that completed the sum; 0: not reached
	for i, g := range groups {
		for sum := n; sum >= len(g.units); sum-- {
			before := sum - len(g.units)
			if last[sum] == 0 && (before == 0 || last[before] != 0 && last[before] <= i) {
				last[sum] = i + 1
			}
		}
	}
	sum := n
	for sum > 0 && last[sum] == 0 {
		sum--
	}
	picked := map[ident.ID]bool{}
	for sum > 0 {
		g := groups[last[sum]-1]
		picked[g.kit] = true
		sum -= len(g.units)
	}
	return picked
}
