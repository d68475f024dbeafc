package schedule

import (
	"slices"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// question is a wish that cannot be met, with the picture on which that was found.
type question struct {
	desk    *Desk
	s       Store
	who     access.Actor
	wish    Wish
	booking Booking
	request request
	pool    *pool
	got     int
}

// nearDates, nearDepots and nearKits bound how many alternatives of each sort are offered.
const (
	nearDates  = 2
	nearDepots = 2
	nearKits   = 2
)

// refusal says why, unit by unit, and what could be had instead.
func (q *question) refusal() (*Refusal, error) {
	b, r := q.booking, q.request
	span := fleet.Span{From: b.Occurrences[0].Span.From, To: b.Occurrences[len(b.Occurrences)-1].Span.To}
	name, err := q.name(b.Ask)
	if err == nil {
		err = q.pool.names(q.s)
	}
	if err != nil {
		return nil, err
	}
	out := &Refusal{
		Code: fault.BookingRefused, Asked: name, Free: q.got, Wanted: b.Ask.Dosimeters, Clashes: q.pool.clashDays(b, r),
		Reasons: q.reasons(), when: " " + between(span, len(b.Occurrences), r.depot.Zone),
	}
	for _, seek := range []func() ([]Alternative, error){q.otherDates, q.otherDepots, q.otherKits, q.otherUnits, q.fewer} {
		found, err := seek()
		if err != nil {
			return nil, err
		}
		out.Alternatives = append(out.Alternatives, found...)
	}
	return out, nil
}

func (q *question) name(a Ask) (string, error) {
	var kit, tag string
	if !a.Kit.IsZero() {
		k, err := q.s.Kit(a.Kit)
		if err != nil {
			return "", err
		}
		kit = k.Code
	}
	if d := q.pool.units[a.Unit]; d != nil {
		tag = d.Unit.Tag
	}
	return asked(a, kit, tag), nil
}

// reasons asks fitness about every unit that was in question, promises as the actor may see them.
func (q *question) reasons() []UnitReasons {
	ids := q.request.fixed
	if len(ids) == 0 {
		ids = q.pool.order
	}
	var all []UnitReasons
	for _, id := range ids {
		d, ok := q.pool.units[id]
		if !ok || !q.asksFor(*d) {
			continue
		}
		if reasons := q.pool.blocking(id, q.request, q.who.Scope.Sees); len(reasons) > 0 {
			all = append(all, UnitReasons{id, d.Unit.Tag, reasons})
		}
	}
	return all
}

func (q *question) asksFor(d fleet.Dossier) bool {
	if len(q.request.fixed) > 0 {
		return true
	}
	return q.pool.where(d.Unit.ID, q.request.whole().From, q.booking.ID) == q.request.depot.ID && suits(d.Unit, q.request.client) &&
		(d.Model.Kind == fleet.Dosimeter || d.Model.Kind == fleet.Calibrator && q.request.calibrator)
}

// blocking lists the blocking reasons of a unit over all spans, promises included.
func (p *pool) blocking(id ident.ID, r request, sees func(client ident.ID) bool) []fleet.Reason {
	d := *p.units[id]
	d.For, d.Promises = r.booking, p.promises(id, r)
	d = d.Behind(sees)
	found := p.told(id, r, sees)
	for _, span := range r.spans {
		for _, reason := range fleet.Assess(d, clip(span, p.now), p.now).Reasons {
			repeats := func(x fleet.Reason) bool { return x.Code == reason.Code && x.Text() == reason.Text() }
			if reason.Kind == fleet.Blocking && !slices.ContainsFunc(found, repeats) {
				found = append(found, reason)
			}
		}
	}
	return found
}

// trial reports whether the pool could serve the request, and leaves the pool as it was.
func trial(p *pool, r request) (got int, ok bool) {
	mark := p.mark()
	_, got, ok = p.place(r)
	p.back(mark)
	return got, ok
}

// otherDates shifts all visits by whole days, on the wall clock, nearest first.
func (q *question) otherDates() ([]Alternative, error) {
	var found []Alternative
	for days := 1; days <= q.desk.rules().Nearby && len(found) < nearDates; days++ {
		for _, shift := range []int{-days, days} {
			w := q.wish
			w.Occurrences = make([]Occurrence, len(q.booking.Occurrences))
			for i, o := range q.booking.Occurrences {
				w.Occurrences[i] = Occurrence{FromCivil: o.FromCivil.shift(shift), ToCivil: o.ToCivil.shift(shift)}
			}
			b := q.booking
			b.Occurrences = nil
			bad := &complaint{}
			q.desk.settleVisits(&b, w, nil, bad)
			if len(bad.fields) > 0 || len(found) == nearDates || b.Occurrences[0].Span.From.Before(q.pool.now) {
				continue
			}
			r := q.request
			r.spans = b.Spans()
			if same, err := q.sameKit(b); err != nil {
				return nil, err
			} else if !same {
				continue
			}
			if _, ok := trial(q.pool, r); ok {
				found = append(found, q.alternative(w, b, r.depot, ""))
			}
		}
	}
	return found, nil
}

// sameKit reports whether a kit holds the same units at the shifted start, so that the picture at hand answers for it.
func (q *question) sameKit(b Booking) (bool, error) {
	if b.Ask.Kit.IsZero() {
		return true, nil
	}
	units, err := q.s.KitUnits(b.Ask.Kit, b.Occurrences[0].Span.From)
	return slices.Equal(sorted(units), sorted(slices.Clone(q.request.fixed))), err
}

// otherDepots asks the other depots for the same number at the same time.
func (q *question) otherDepots() ([]Alternative, error) {
	if q.booking.Ask.Dosimeters == 0 {
		return nil, nil
	}
	depots, err := q.s.Depots()
	if err != nil {
		return nil, err
	}
	var found []Alternative
	for _, depot := range depots {
		if depot.ID == q.request.depot.ID || len(found) == nearDepots {
			continue
		}
		r := q.request
		r.depot, r.keep = depot, nil
		if r.end == q.request.depot.ID {
			r.end = depot.ID
		}
		ids, err := q.desk.within(q.s, r, true)
		if err != nil {
			return nil, err
		}
		p, err := q.desk.gatherDeep(q.s, ids, r)
		if err != nil {
			return nil, err
		}
		if _, ok := trial(p, r); ok {
			w, b := q.wish, q.booking
			if w.EndDepot.IsZero() || w.EndDepot == q.request.depot.ID {
				w.EndDepot = depot.ID
			}
			w.StartDepot, b.StartDepot = depot.ID, depot.ID
			w.Lead, w.Lag = &b.Lead, &b.Lag
			found = append(found, q.alternative(w, b, depot, "from depot "+depot.Name+" "))
		}
	}
	return found, nil
}

// otherKits looks for kits of the depot that bring at least as many dosimeters.
func (q *question) otherKits() ([]Alternative, error) {
	if q.booking.Ask.Kit.IsZero() {
		return nil, nil
	}
	kits, err := q.s.Kits(q.request.depot.ID)
	if err != nil {
		return nil, err
	}
	var found []Alternative
	for _, kit := range kits {
		if kit.ID == q.booking.Ask.Kit || len(found) == nearKits {
			continue
		}
		r := q.request
		if r.fixed, err = q.s.KitUnits(kit.ID, q.booking.Occurrences[0].Span.From); err != nil {
			return nil, err
		}
		if len(r.fixed) == 0 || q.dosimeters(r.fixed) < q.dosimeters(q.request.fixed) {
			continue
		}
		if _, ok := trial(q.pool, r); ok {
			w, b := q.wish, q.booking
			w.Ask, b.Ask = Ask{Kit: kit.ID}, Ask{Kit: kit.ID}
			found = append(found, q.alternative(w, b, q.request.depot, "kit "+kit.Code+" "))
		}
	}
	return found, nil
}

func (q *question) dosimeters(ids []ident.ID) int {
	n := 0
	for _, id := range ids {
		if d := q.pool.units[id]; d != nil && d.Model.Kind == fleet.Dosimeter {
			n++
		}
	}
	return n
}

// otherUnits looks for another unit of the same kind in the depot.
func (q *question) otherUnits() ([]Alternative, error) {
	d, ok := q.pool.units[q.booking.Ask.Unit]
	if !ok {
		return nil, nil
	}
	for _, id := range q.pool.candidates(d.Model.Kind, q.request, q.request.fixed) {
		r := q.request
		r.fixed = []ident.ID{id}
		if _, ok := trial(q.pool, r); ok {
			w, b := q.wish, q.booking
			w.Ask, b.Ask = Ask{Unit: id}, Ask{Unit: id}
			return []Alternative{q.alternative(w, b, q.request.depot, "unit "+q.pool.units[id].Unit.Tag+" ")}, nil
		}
	}
	return nil, nil
}

// fewer offers as many dosimeters as can be had, without the calibrator when it is what is missing.
func (q *question) fewer() ([]Alternative, error) {
	if q.booking.Ask.Dosimeters == 0 {
		return nil, nil
	}
	for n := min(q.got, q.booking.Ask.Dosimeters); n > 0; n-- {
		for _, calibrator := range slices.Compact([]bool{q.booking.Ask.Calibrator, false}) {
			r := q.request
			r.dosimeters, r.calibrator = n, calibrator
			ask := Ask{Dosimeters: n, Calibrator: calibrator}
			if ask == q.booking.Ask {
				continue
			}
			if _, ok := trial(q.pool, r); ok {
				w, b := q.wish, q.booking
				w.Ask, b.Ask = ask, ask
				return []Alternative{q.alternative(w, b, q.request.depot, asked(ask, "", "")+" ")}, nil
			}
		}
	}
	return nil, nil
}

// alternative words one possibility; its wish books it.
func (q *question) alternative(w Wish, b Booking, depot fleet.Depot, what string) Alternative {
	first, last := b.Occurrences[0], b.Occurrences[len(b.Occurrences)-1]
	span := fleet.Span{From: first.Span.From, To: last.Span.To}
	w.Calendar.Raw = nil
	return Alternative{
		From: span.From, To: span.To, Depot: depot.ID, Kit: b.Ask.Kit, Unit: b.Ask.Unit, Dosimeters: b.Ask.Dosimeters,
		Text: what + between(span, len(b.Occurrences), depot.Zone), Wish: w,
	}
}
