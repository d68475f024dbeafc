package schedule

import (
	"context"
	"errors"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Reassessed is what reality did to one booking.
type Reassessed struct {
	Booking Booking       // as it stands now
	Was     State         // before
	Moved   []Moved       // units exchanged, its own first
	Reasons []UnitReasons // what still stands against it
}

// Reassess looks at the bookings of the coming days: where a promised unit has turned out not to be fit (still out, held back,
// certificate ended, lost), a unit that was chosen by the desk is exchanged; where that is impossible or the unit was asked for
// by name, the booking is at risk; where the trouble is over, it is promised again. Called each minute; it changes only what
// changed.
func (d *Desk) Reassess(ctx context.Context, who access.Actor) ([]Reassessed, error) {
	ids, err := d.troubled(ctx, who)
	if err != nil {
		return nil, err
	}
	return d.mendAll(ctx, who, ids, false)
}

// mendAll puts the bookings right one by one until the context ends; what fails for one does not keep the others waiting.
func (d *Desk) mendAll(ctx context.Context, who access.Actor, ids []ident.ID, rederive bool) (all []Reassessed, err error) {
	for _, id := range ids {
		if ctx.Err() != nil { // a transaction goes on when its caller is told to stop; the next one need not begin
			return all, errors.Join(err, ctx.Err())
		}
		done, failed := d.mended(ctx, who, id, rederive)
		if done != nil {
			all = append(all, *done)
		}
		err = errors.Join(err, failed)
	}
	return all, err
}

// troubled finds, in reading transactions, the bookings that need a look.
func (d *Desk) troubled(ctx context.Context, who access.Actor) ([]ident.ID, error) {
	var ids []ident.ID
	now := d.Now().UTC()
	q := Query{Span: fleet.Span{From: now, To: now.Add(d.rules().Horizon)}, States: []State{Promised, AtRisk}, Limit: 200}
	for {
		var page Page
		err := d.View(ctx, who, func(s Store) (err error) {
			if page, err = s.Bookings(q); err != nil {
				return err
			}
			more, err := d.suspects(s, page.Bookings)
			ids = append(ids, more...)
			return err
		})
		if err != nil || page.Next == "" {
			return ids, err
		}
		q.After = page.Next
	}
}

// suspects picks the bookings whose state does not fit what is known of their units.
func (d *Desk) suspects(s Store, bookings []Booking) ([]ident.ID, error) {
	var units []ident.ID
	for _, b := range bookings {
		units = append(units, b.UnitIDs()...)
	}
	dossiers, err := s.BareDossiers(sorted(units), d.Now().UTC())
	if err != nil {
		return nil, err
	}
	p := newPool(d.Now().UTC(), d.rules().Margin, dossiers, nil, nil)
	if err := d.chart(s, p, sorted(units)); err != nil {
		return nil, err
	}
	var ids []ident.ID
	for _, b := range bookings {
		packed, err := b.packed(s)
		if err != nil {
			return nil, err
		}
		ill := len(p.ill(b)) > 0 || b.short() || len(packed) > 0
		if ill != (b.State == AtRisk) || ill && b.Ask.Unit.IsZero() {
			ids = append(ids, b.ID)
		}
	}
	return ids, nil
}

// packed lists the units that are in the booking's kit at its start by now, where they are not the ones promised; nil otherwise.
func (b Booking) packed(s Store) ([]ident.ID, error) {
	if b.Ask.Kit.IsZero() {
		return nil, nil
	}
	units, err := s.KitUnits(b.Ask.Kit, b.Occurrences[0].Span.From)
	if err != nil || slices.Equal(sorted(slices.Clone(units)), sorted(b.UnitIDs())) {
		return nil, err
	}
	return units, nil
}

// repack promises the units that are in the kit by now instead of those that were; where that is impossible it tells why.
func (p *pool) repack(b *Booking, r request, sees func(client ident.ID) bool) {
	units, _, ok := p.place(r)
	if !ok {
		for _, id := range r.fixed {
			if p.units[id] == nil {
				continue
			}
			if reasons := p.blocking(id, r, sees); len(reasons) > 0 {
				b.Risk = append(b.Risk, UnitReasons{id, p.units[id].Unit.Tag, reasons})
			}
		}
		return
	}
	b.Units = nil
	for _, id := range units {
		b.Units = append(b.Units, p.placed(id, true))
	}
}

// ill lists the units of a booking that fitness forbids for what is left of it.
func (p *pool) ill(b Booking) []ident.ID {
	r := b.ahead(p.now)
	if len(r.spans) == 0 {
		return nil
	}
	return b.units(func(u Placed) bool {
		return !u.IsOut() && (p.units[u.Unit] == nil || p.judge(u.Unit, r).blocked)
	})
}

// ahead is the booking's request for what is not over.
func (b Booking) ahead(now time.Time) request {
	r := b.request(fleet.Depot{ID: b.StartDepot})
	r.spans = slices.DeleteFunc(r.spans, func(s fleet.Span) bool { return !s.To.After(now) })
	return r
}

// short reports whether fewer units are placed than asked for.
func (b Booking) short() bool {
	dosimeters, calibrators := b.tally()
	return b.Ask.Dosimeters > dosimeters || b.Ask.Calibrator && calibrators == 0
}

func (b Booking) tally() (dosimeters, calibrators int) {
	for _, u := range b.Units {
		switch u.Kind {
		case fleet.Dosimeter:
			dosimeters++
		case fleet.Calibrator:
			calibrators++
		}
	}
	return dosimeters, calibrators
}

// mended puts one booking right as far as possible. With rederive its instants are first derived from its local times anew.
func (d *Desk) mended(ctx context.Context, who access.Actor, id ident.ID, rederive bool) (*Reassessed, error) {
	var done *Reassessed
	for try := 0; ; try++ {
		err := d.Do(ctx, who, func(s Store) (err error) {
			done, err = d.mend(s, id, rederive)
			return err
		})
		switch {
		case fault.Is(err, fault.PromiseTaken) && try < retries:
			continue
		case err != nil:
			return nil, err
		}
		return done, nil
	}
}

func (d *Desk) mend(s Store, id ident.ID, rederive bool) (*Reassessed, error) {
	read, err := s.Booking(id)
	if err != nil {
		return nil, err
	}
	depots, err := s.Depots()
	if err != nil {
		return nil, err
	}
	r := read.request(depotOf(depots, read.StartDepot))
	if r.fixed, err = read.packed(s); err != nil {
		return nil, err
	}
	ids, err := d.within(s, r, true)
	if err != nil {
		return nil, err
	}
	if err := s.LockUnits(ids); err != nil {
		return nil, err
	}
	old, err := s.Booking(id)
	if err != nil {
		return nil, err
	}
	if old.Version != read.Version || !old.Live() || old.State == OutNow && !rederive {
		return nil, nil // somebody was faster; the next look sees it
	}
	b := old
	if rederive && !b.rederive(d.Now()) {
		return nil, nil
	}
	r.spans = b.Spans()
	p, err := d.gatherDeep(s, ids, r)
	if err == nil {
		err = p.names(s)
	}
	if err != nil {
		return nil, err
	}
	return d.mendIn(s, p, old, b, r)
}

// mendIn exchanges what is ill or in the way and writes the booking when that changed it.
func (d *Desk) mendIn(s Store, p *pool, old, b Booking, r request) (*Reassessed, error) {
	b.Units = slices.Clone(b.Units)
	now := r
	if ahead := b.ahead(p.now); len(ahead.spans) > 0 {
		now.spans = ahead.spans
	}
	b.Risk = nil
	p.budget = exchanges
	own, gone := p.exchangeIll(&b, r, now)
	p.fill(&b, r, gone)
	sees := func(client ident.ID) bool { return client.IsZero() || client == b.Client }
	if len(r.fixed) > 0 && b.State != OutNow {
		p.repack(&b, r, sees)
	}
	for _, u := range b.Units {
		if reasons := p.against(u, r, now, sees); len(reasons) > 0 {
			b.Risk = append(b.Risk, UnitReasons{u.Unit, u.Tag, reasons})
		}
	}
	if b.State != OutNow {
		b.State = Promised
		if len(b.Risk) > 0 || b.short() {
			b.State = AtRisk
		}
	}
	b.Units = slices.DeleteFunc(b.Units, func(u Placed) bool { return !p.free(u.Unit, r) })
	if b.State == old.State && slices.Equal(b.Units, old.Units) && sameSpans(b, old) {
		return nil, nil
	}
	b.Version, b.Changed = old.Version+1, d.Now().UTC()
	for i := range own {
		own[i].Booking = b
	}
	moved := p.movedBookings(d.Now().UTC())
	out := &Reassessed{Booking: b, Was: old.State, Moved: slices.Concat(own, moved), Reasons: b.Risk}
	return out, d.write(s, "reassess", &old, Outcome{Booking: b}, moved)
}

// exchangeIll replaces units that the desk chose and that cannot serve any more. It gives the units no longer wanted.
func (p *pool) exchangeIll(b *Booking, r, now request) (own []Moved, gone []ident.ID) {
	for _, u := range b.Units {
		if p.units[u.Unit] != nil && p.free(u.Unit, r) {
			p.give(u.Unit, r)
		}
	}
	for i, u := range b.Units {
		ill := p.units[u.Unit] == nil || p.judge(u.Unit, now).blocked || !p.free(u.Unit, r)
		if u.Pinned || u.IsOut() || !ill {
			continue
		}
		if to, ok := p.another(u.Kind, r, append(b.UnitIDs(), gone...)); ok {
			b.Units[i] = p.placed(to, false)
			gone = append(gone, u.Unit)
			own = append(own, Moved{From: u, To: b.Units[i]})
		}
	}
	return own, gone
}

// another finds one more unit of a kind: a free one, else one that exchanges can free.
func (p *pool) another(kind fleet.Kind, r request, but []ident.ID) (ident.ID, bool) {
	all := p.candidates(kind, r, but)
	for _, exchange := range []bool{false, true} {
		for _, id := range all {
			if p.free(id, r) == !exchange && p.take(id, r, depth) {
				return id, true
			}
		}
	}
	return ident.ID{}, false
}

// fill adds units where fewer are placed than asked for.
func (p *pool) fill(b *Booking, r request, but []ident.ID) {
	for b.short() {
		kind := fleet.Dosimeter
		if dosimeters, _ := b.tally(); dosimeters >= b.Ask.Dosimeters {
			kind = fleet.Calibrator
		}
		id, ok := p.another(kind, r, append(b.UnitIDs(), but...))
		if !ok {
			return
		}
		b.Units = append(b.Units, p.placed(id, false))
	}
}

// against lists what stands against a unit of a booking: what fitness says of what is left of it, and promises in the way of
// any of it.
func (p *pool) against(u Placed, r, now request, sees func(client ident.ID) bool) []fleet.Reason {
	switch {
	case p.units[u.Unit] == nil:
		return nil
	case !p.free(u.Unit, r):
		return p.blocking(u.Unit, r, sees)
	case u.IsOut():
		return nil
	}
	return p.blocking(u.Unit, now, sees)
}

func depotOf(depots []fleet.Depot, id ident.ID) fleet.Depot {
	for _, d := range depots {
		if d.ID == id {
			return d
		}
	}
	return fleet.Depot{ID: id, Zone: "UTC"}
}

// rederive derives the instants of visits to come from their local times; it reports whether any moved.
func (b *Booking) rederive(now time.Time) bool {
	moved := false
	b.Occurrences = slices.Clone(b.Occurrences)
	for i, o := range b.Occurrences {
		if !o.Span.From.After(now) {
			continue
		}
		if fresh, changed := o.rederived(); changed {
			b.Occurrences[i], moved = fresh, true
		}
	}
	return moved
}

// Rederive derives the instants of every visit to come from its local times and zone anew, after zone data have changed.
// Bookings keep their local times; where the moved instants meet another booking, units are exchanged or the booking is at risk.
func (d *Desk) Rederive(ctx context.Context, who access.Actor) ([]Reassessed, error) {
	now := d.Now().UTC()
	q := Query{Span: fleet.Span{From: now, To: now.Add(2 * d.rules().Limits.Ahead)}, States: []State{Promised, AtRisk, OutNow}, Limit: 500}
	var ids []ident.ID
	for {
		page, err := d.List(ctx, who, q)
		if err != nil {
			return nil, err
		}
		for _, b := range page.Bookings {
			if b.rederive(now) {
				ids = append(ids, b.ID)
			}
		}
		if q.After = page.Next; q.After == "" {
			break
		}
	}
	return d.mendAll(ctx, who, ids, true)
}
