package planning

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// refusal says what stands in the way of a booking that is not served, in the placing of l.
func (pl *pool) refusal(l *lines, k int) (code, reason string) {
	b, w := pl.p.Bookings[k], pl.wants[k]
	where := "the pool"
	if b.Depot != "" {
		where = "depot " + b.Depot
	}
	among := pl.among(k)
	switch {
	case len(w.pinned) > w.count:
		return PinnedTooMany, fmt.Sprintf("It names %s but asks for %s; ask for more or name fewer.", units(len(w.pinned)), units(w.count))
	case len(among) < w.count:
		return TooFewUnits, fmt.Sprintf("It asks for %s, and %s has %s in all.", units(w.count), where, units(len(among)))
	}
	for _, u := range w.pinned {
		if code, reason := pl.pinnedRefusal(l, k, u); code != "" {
			return code, reason
		}
	}
	var open, blocked, taken []int
	for _, u := range among {
		switch {
		case !pl.allowed(u, k):
			blocked = append(blocked, u)
		default:
			open = append(open, u)
			if !l.free(u, k) {
				taken = append(taken, u)
			}
		}
	}
	if len(open) < w.count {
		return UnitsBlocked, fmt.Sprintf("It asks for %s, and only %d of the %d in %s are not held or blacked out meanwhile: %s.",
			units(w.count), len(open), len(among), where, some(blocked, func(u int) string { return pl.holder(l, u, k) }))
	}
	free := len(open) - len(taken)
	return UnitsTaken, fmt.Sprintf("It asks for %s, and of the %d that could serve it %d %s left: %s.",
		units(w.count), len(open), free, isAre(free), some(taken, func(u int) string { return pl.holder(l, u, k) }))
}

// pinnedRefusal says why a named unit cannot serve a booking; the code is empty when it can.
func (pl *pool) pinnedRefusal(l *lines, k, u int) (code, reason string) {
	b, unit := pl.p.Bookings[k], pl.p.Units[u]
	switch {
	case b.Depot != "" && unit.Depot != b.Depot:
		at := "no depot"
		if unit.Depot != "" {
			at = "depot " + unit.Depot
		}
		return PinnedElsewhere, fmt.Sprintf("It names %s, which is of %s and not of depot %s.", unit.ID, at, b.Depot)
	case !pl.allowed(u, k):
		return PinnedBlocked, fmt.Sprintf("It names a unit that is not free meanwhile: %s.", pl.holder(l, u, k))
	case !l.free(u, k):
		return UnitsTaken, fmt.Sprintf("It names a unit that another booking has: %s.", pl.holder(l, u, k))
	}
	return "", ""
}

// holder says who has a unit during a booking.
func (pl *pool) holder(l *lines, u, k int) string {
	name, w := pl.p.Units[u].ID, pl.wants[k]
	line := pl.fixed[u]
	at, fixed := overlap(line, w.from, w.to)
	if !fixed {
		line = l.unit[u]
		at, _ = overlap(line, w.from, w.to)
		return fmt.Sprintf("%s serves %s", name, pl.p.Bookings[line[at].by].ID)
	}
	base := pl.base()
	from, to := base.Add(time.Duration(line[at].from)).UTC(), base.Add(time.Duration(line[at].to)).UTC()
	return fmt.Sprintf("%s from %s to %s", name, from.Format(time.RFC3339), to.Format(time.RFC3339))
}

// some lists the first of many.
func some(list []int, say func(int) string) string {
	var parts []string
	for _, u := range list[:min(len(list), 5)] {
		parts = append(parts, say(u))
	}
	parts = slices.Compact(parts)
	if more := len(list) - 5; more > 0 {
		parts = append(parts, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(parts, ", ")
}

func units(n int) string {
	if n == 1 {
		return "1 unit"
	}
	return fmt.Sprintf("%d units", n)
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}
