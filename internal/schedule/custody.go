package schedule

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// HandOut says that units go out on a booking.
type HandOut struct {
	At       time.Time  // zero: now
	Units    []ident.ID // empty: all of the booking that are not out
	Holder   string     // who has them; empty: the owner
	Override string     // reason to hand out although something is open
}

// CheckIn says that units came back.
type CheckIn struct {
	At    time.Time  // zero: now
	Units []ident.ID // empty: all of the booking that are out
	Depot ident.ID   // zero: the booking's end depot
	Note  string
}

// early is how far a clock may run ahead before "it happened" is doubted.
const early = 5 * time.Minute

// HandOut hands units out. Open work, anything unknown and anything blocking stops it with a *Refusal unless there is an
// override with a reason, which is recorded.
func (d *Desk) HandOut(ctx context.Context, who access.Actor, id ident.ID, h HandOut) (Outcome, error) {
	return d.handOut(ctx, who, id, h, true)
}

// RecordHandOut records a hand-out that happened. It asks for no override: facts are never refused.
func (d *Desk) RecordHandOut(ctx context.Context, who access.Actor, id ident.ID, h HandOut) (Outcome, error) {
	return d.handOut(ctx, who, id, h, false)
}

func (d *Desk) handOut(ctx context.Context, who access.Actor, id ident.ID, h HandOut, guarded bool) (Outcome, error) {
	var out Outcome
	asked := h
	err := d.Do(ctx, who, func(s Store) error {
		h := asked // the work may run again from the start
		old, err := d.locked(s, id)
		if err != nil {
			return err
		}
		if err := allowed(who, old, "hand out"); err != nil {
			return err
		}
		if h.At, err = d.happened(h.At); err != nil {
			return err
		}
		if len(h.Units) == 0 {
			h.Units = old.units(func(u Placed) bool { return !u.IsOut() })
		}
		if len(h.Units) == 0 {
			out = Outcome{Booking: old, Unchanged: true}
			return nil
		}
		if guarded {
			if err := d.guard(s, who, old, h); err != nil {
				return err
			}
		}
		out, err = d.letOut(s, who, old, h)
		return err
	})
	return out, err
}

// happened settles the moment of something that happened; only the future is impossible.
func (d *Desk) happened(at time.Time) (time.Time, error) {
	now := d.Now().UTC().Truncate(time.Millisecond)
	if at.IsZero() {
		return now, nil
	}
	if at.After(now.Add(early)) {
		return at, fault.New(fault.BadInput, "what", "what happened cannot lie in the future; give the time at which it happened").
			At("/at", "lies in the future")
	}
	return at.UTC().Truncate(time.Millisecond), nil
}

// units lists the booking's units for which keep holds.
func (b Booking) units(keep func(Placed) bool) []ident.ID {
	var ids []ident.ID
	for _, u := range b.Units {
		if keep(u) {
			ids = append(ids, u.Unit)
		}
	}
	return ids
}

// dueBack is the end of the promise that is running or next at t, the last one when all are over.
func (b Booking) dueBack(t time.Time) time.Time {
	spans := b.Spans()
	for _, span := range spans {
		if t.Before(span.To) {
			return span.To
		}
	}
	return spans[len(spans)-1].To
}

// guard refuses a hand-out that is not ready and has no reason to go ahead.
func (d *Desk) guard(s Store, who access.Actor, b Booking, h HandOut) error {
	if b.State == Cancelled || b.State == Back {
		return fault.New(fault.BookingClosed, "number", b.Label(), "state", string(b.State))
	}
	if strings.TrimSpace(h.Override) != "" {
		return nil
	}
	span := fleet.Span{From: h.At, To: b.dueBack(h.At)}
	if !span.Valid() {
		return fault.New(fault.BookingClosed, "number", b.Label(), "state", "over")
	}
	dossiers, err := s.BareDossiers(h.Units, d.Now().UTC())
	if err != nil {
		return err
	}
	claims, err := s.Claims(h.Units, span)
	if err != nil {
		return err
	}
	p := newPool(d.Now().UTC(), 0, dossiers, claims, nil)
	if err := errors.Join(d.chart(s, p, h.Units), p.names(s)); err != nil {
		return err
	}
	now := request{booking: b.ID, spans: []fleet.Span{span}, depot: fleet.Depot{ID: b.StartDepot}, end: b.StartDepot}
	refusal := &Refusal{Code: fault.HandOutRefused, Asked: "booking " + b.Label()}
	for _, id := range p.order {
		x := *p.units[id]
		x.For, x.Promises = b.ID, p.promises(id, now)
		reasons := append(p.astray(id, now), fleet.Assess(x.Behind(who.Scope.Sees), span, p.now).Reasons...)
		if len(reasons) > 0 {
			refusal.Reasons = append(refusal.Reasons, UnitReasons{id, x.Unit.Tag, reasons})
		}
	}
	if len(refusal.Reasons) > 0 {
		return refusal
	}
	return nil
}

// letOut writes what happened: a custody fact for each unit, and the booking's state where it still has one to change.
func (d *Desk) letOut(s Store, who access.Actor, old Booking, h HandOut) (Outcome, error) {
	holder := h.Holder
	if holder == "" {
		holder = old.OwnerName
	}
	custody := fleet.Custody{State: fleet.Out, Depot: old.EndDepot, Booking: old.ID, Client: old.Client, Holder: holder, Due: old.dueBack(h.At)}
	if err := d.facts(s, who, h.Units, h.At, strings.TrimSpace(h.Override), custody); err != nil {
		return Outcome{}, err
	}
	b := old
	b.Units = slices.Clone(old.Units)
	for i := range b.Units {
		if slices.Contains(h.Units, b.Units[i].Unit) {
			b.Units[i].Out = h.At
		}
	}
	b.follow()
	return d.happenedTo(s, "hand out", old, b, h.At, h.Override)
}

func (d *Desk) facts(s Store, who access.Actor, units []ident.ID, at time.Time, note string, body fleet.Body) error {
	now := d.Now().UTC().Truncate(time.Millisecond)
	facts := make([]fleet.Fact, len(units))
	for i, u := range units {
		facts[i] = fleet.Fact{ID: d.NewID(), Unit: u, Occurred: at, Entered: now, By: who.Name, Note: note, Body: body}
	}
	return s.AppendFacts(facts)
}

func (d *Desk) happenedTo(s Store, verb string, old, b Booking, at time.Time, reason string) (Outcome, error) {
	b.Version, b.Changed = old.Version+1, d.Now().UTC()
	if err := s.SaveBookings([]Booking{b}); err != nil {
		return Outcome{}, err
	}
	return Outcome{Booking: b}, s.Record(change(verb, &old, b, at, strings.TrimSpace(reason)))
}

// CheckIn records that units came back, whatever the booking's state. When all are in, the booking is back; a series with
// visits to come is promised again.
func (d *Desk) CheckIn(ctx context.Context, who access.Actor, id ident.ID, c CheckIn) (Outcome, error) {
	var out Outcome
	asked := c
	err := d.Do(ctx, who, func(s Store) error {
		c := asked // the work may run again from the start
		old, err := d.locked(s, id)
		if err != nil {
			return err
		}
		if err := allowed(who, old, "check in"); err != nil {
			return err
		}
		if c.At, err = d.happened(c.At); err != nil {
			return err
		}
		if len(c.Units) == 0 {
			c.Units = old.units(Placed.IsOut)
		}
		if len(c.Units) == 0 {
			out = Outcome{Booking: old, Unchanged: true}
			return nil
		}
		out, err = d.letIn(s, who, old, c)
		return err
	})
	return out, err
}

func (d *Desk) letIn(s Store, who access.Actor, old Booking, c CheckIn) (Outcome, error) {
	if c.Depot.IsZero() {
		c.Depot = old.EndDepot
	}
	custody := fleet.Custody{State: fleet.InDepot, Depot: c.Depot, Client: old.Client}
	if err := d.facts(s, who, c.Units, c.At, c.Note, custody); err != nil {
		return Outcome{}, err
	}
	b := old
	b.Units = slices.Clone(old.Units)
	for i := range b.Units {
		if slices.Contains(c.Units, b.Units[i].Unit) {
			b.Units[i].In = c.At
		}
	}
	b.follow()
	return d.happenedTo(s, "check in", old, b, c.At, c.Note)
}

// follow sets the state to what happened to the units: out while one is out, back when none is and no visit is to come.
func (b *Booking) follow() {
	var last time.Time // of what happened
	for _, u := range b.Units {
		for _, t := range []time.Time{u.Out, u.In} {
			if t.After(last) {
				last = t
			}
		}
	}
	spans := b.Spans()
	taken := slices.ContainsFunc(b.Units, func(u Placed) bool { return !u.Out.IsZero() })
	switch {
	case !b.Live() || !taken:
	case slices.ContainsFunc(b.Units, Placed.IsOut):
		b.State, b.Risk = OutNow, nil
	case last.Before(spans[len(spans)-1].From):
		b.State = Promised
	default:
		b.State, b.Risk = Back, nil
	}
}
