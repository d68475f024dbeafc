package web

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/when"
)

// timeTeller draws the time line of some days.
type timeTeller struct {
	teller
	first    civil.Date
	n        int
	span     fleet.Span
	depot    ident.ID
	bookings []schedule.Booking
	units    []*timeUnit
	notes    []timeNote
	noted    map[ident.ID]string
}

// timeUnit is one unit over the days shown.
type timeUnit struct {
	d      fleet.Dossier
	usable []bool // by day: fit, work and promises aside; being out on a booking does not count against it
	ends   civil.Date
}

// promised reports whether the unit is promised on a day.
func (u *timeUnit) promised(day fleet.Span) bool {
	return slices.ContainsFunc(u.d.Promises, func(p fleet.Promise) bool { return p.Gone.IsZero() && p.Span.Overlaps(day) })
}

// day is the i-th day shown, from midnight to midnight.
func (l *timeTeller) day(i int) fleet.Span {
	d := l.first.AddDays(i)
	return fleet.Span{From: d.Start(l.loc), To: d.End(l.loc)}
}

// gather reads each unit at home in the depots shown.
func (l *timeTeller) gather(pool *fleet.Pool) {
	l.noted = map[ident.ID]string{}
	for _, id := range pool.Units() {
		d, _ := pool.Dossier(id)
		if !l.depot.IsZero() && d.Unit.Depot != l.depot {
			continue
		}
		v, _ := pool.Verdict(id, fleet.Span{From: l.span.From, To: l.span.From.Add(time.Minute)}, l.now, 0)
		u := &timeUnit{d: d, usable: make([]bool, l.n), ends: v.CertEnds}
		out := fleet.Whereabouts(d, l.now, l.now).State == fleet.Out
		stretches := fleet.Outlook(d, l.span, l.now)
		for i := range l.n {
			noon := l.day(i).From.Add(12 * time.Hour)
			for _, x := range stretches {
				if x.Span.Contains(noon) {
					u.usable[i] = x.Fit || x.Away && out
				}
			}
		}
		l.units = append(l.units, u)
	}
}

// x places an instant, in per cent of the days shown; days are equally wide whatever the clocks do.
func (l *timeTeller) x(t time.Time) float64 {
	d := civil.Of(t.In(l.loc))
	i := l.first.DaysUntil(d)
	start, end := d.Start(l.loc), d.End(l.loc)
	part := float64(t.Sub(start)) / float64(end.Sub(start))
	return min(max((float64(i)+part)/float64(l.n), 0), 1) * 100
}

func percent(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.2f", v), ".00") + "%" }

// row draws what stands on a kit or unit.
func (l *timeTeller) row(r timeRow, in []*timeUnit) timeRow {
	r.Blocks = l.blocks(in)
	r.Lanes = 1
	for _, b := range r.Blocks {
		r.Lanes = max(r.Lanes, b.lane+1)
	}
	r.Height = strconv.Itoa(10 + 24*r.Lanes)
	r.Floor = strconv.Itoa(6 + 24*r.Lanes)
	fit := make([]bool, l.n)
	for i := range l.n {
		fit[i] = len(in) > 0 && !slices.ContainsFunc(in, func(u *timeUnit) bool { return !u.usable[i] })
		day := l.day(i)
		r.Free = append(r.Free, !slices.ContainsFunc(r.Blocks, func(b timeBlock) bool { return b.whole.Overlaps(day) }) && day.To.After(l.now))
	}
	for i := 0; i < l.n; {
		j := i
		for j < l.n && fit[j] == fit[i] {
			j++
		}
		r.Base = append(r.Base, timeBase{percent(100 * float64(i) / float64(l.n)), percent(100 * float64(j) / float64(l.n)), fit[i]})
		i = j
	}
	l.flag(&r, in)
	if !l.now.Before(l.span.From) && l.now.Before(l.span.To) {
		r.Now = percent(l.x(l.now))
	}
	return r
}

// flag marks the first certificate that ends in the days shown.
func (l *timeTeller) flag(r *timeRow, in []*timeUnit) {
	var first *timeUnit
	for _, u := range in {
		if !u.ends.IsZero() && !u.ends.Before(l.first) && u.ends.Before(l.first.AddDays(l.n)) && (first == nil || u.ends.Before(first.ends)) {
			first = u
		}
	}
	if first != nil {
		r.Ends = percent(l.x(first.ends.End(l.loc)))
		r.EndsWords = "Certificate of " + first.d.Unit.Tag + " ends " + when.Day(first.ends, l.today())
	}
}

// blocks are the bookings that hold any of the units, and promises across a wall, each on the first free lane.
func (l *timeTeller) blocks(in []*timeUnit) []timeBlock {
	var all []timeBlock
	holds := func(b schedule.Booking) bool {
		return slices.ContainsFunc(b.Units, func(p schedule.Placed) bool {
			return slices.ContainsFunc(in, func(u *timeUnit) bool { return u.d.Unit.ID == p.Unit })
		})
	}
	for i := range l.bookings {
		if holds(l.bookings[i]) {
			all = append(all, l.bookingBlocks(&l.bookings[i])...)
		}
	}
	var walled []fleet.Span
	for _, u := range in {
		for _, p := range u.d.Promises {
			if p.Gone.IsZero() && p.Label == "" && p.Span.Overlaps(l.span) && !slices.Contains(walled, p.Span) {
				walled = append(walled, p.Span)
				all = append(all, l.block(timeBlock{Text: "promised", Kind: "promised", Words: "Promised " + when.Span(p.Span.From, p.Span.To, l.now, l.loc)}, p.Span, p.Span))
			}
		}
	}
	slices.SortStableFunc(all, func(a, b timeBlock) int {
		return cmp.Or(a.whole.From.Compare(b.whole.From), cmp.Compare(a.Text, b.Text))
	})
	var ends []time.Time
	for i := range all {
		b := &all[i]
		b.lane = slices.IndexFunc(ends, func(t time.Time) bool { return !t.After(b.whole.From) })
		if b.lane < 0 {
			b.lane = len(ends)
			ends = append(ends, time.Time{})
		}
		ends[b.lane] = b.whole.To
		b.Top = strconv.Itoa(4 + 24*b.lane)
	}
	return all
}

// bookingBlocks draws the visits of a booking that are shown.
func (l *timeTeller) bookingBlocks(x *schedule.Booking) []timeBlock {
	var all []timeBlock
	for _, whole := range x.Spans() {
		visit := fleet.Span{From: whole.From.Add(x.Lead), To: whole.To.Add(-x.Lag)}
		b := timeBlock{Kind: "promised", Text: x.Title, Href: bookingPath(x.ID)}
		late := x.State == schedule.OutNow && whole.To.Before(l.now) && !x.Whole().To.After(whole.To)
		if late {
			whole.To, visit.To = l.now, l.now
		}
		if !whole.Overlaps(l.span) {
			continue
		}
		switch {
		case x.State == schedule.AtRisk || late:
			b.Kind = "bad"
			b.Ref = l.note(x, whole, late)
		case x.State == schedule.OutNow:
			b.Kind, b.Text = "away", x.Title+", out"
		}
		b.Words = x.Label() + ", " + x.Title + ", " + when.Span(visit.From, visit.To, l.now, l.loc) + ", " + string(x.State)
		if b.Ref != "" {
			b.Words += ", note " + b.Ref
		}
		all = append(all, l.block(b, whole, visit))
	}
	return all
}

func (l *timeTeller) block(b timeBlock, whole, visit fleet.Span) timeBlock {
	from, to := l.x(visit.From), l.x(visit.To)
	b.X, b.W = percent(from), percent(max(to-from, 0.4))
	b.LeadX, b.LeadW = percent(l.x(whole.From)), percent(from-l.x(whole.From))
	b.LagX, b.LagW = percent(to), percent(l.x(whole.To)-to)
	b.Lead, b.Lag = from > l.x(whole.From), l.x(whole.To) > to
	b.whole = whole
	return b
}

// note explains what will not stand; it gives the letter.
func (l *timeTeller) note(x *schedule.Booking, whole fleet.Span, late bool) string {
	if ref, ok := l.noted[x.ID]; ok {
		return ref
	}
	if len(l.notes) == mostTimeNotes {
		return "+"
	}
	n := timeNote{Ref: string(rune('a' + len(l.notes))), Label: x.Label(), Href: bookingPath(x.ID), booking: x}
	what := askedFor(*x, l.at)
	n.Head = capital(what) + ", " + x.Title + ", " + l.days(whole.From.Add(x.Lead), whole.To.Add(-x.Lag)) + "."
	if late {
		n.Head = capital(what) + ", " + x.Title + "."
		n.Text = "Still out with " + x.OwnerName + ", due back " + l.moment(x.Whole().To) + "."
		n.Remedy = "Ask after it, then check it in."
	}
	for _, u := range x.Risk {
		n.Text = strings.TrimSpace(n.Text + " " + u.Tag + ": " + strings.Join(textsOf(u.Reasons), " "))
	}
	l.notes = append(l.notes, n)
	l.noted[x.ID] = n.Ref
	return n.Ref
}
