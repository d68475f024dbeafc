package schedule

import (
	"context"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// turn is what one attempt at placing led to.
type turn struct {
	out     Outcome
	moved   []Moved // all of them, across walls
	again   bool    // more units must be locked first
	refused bool
}

// settled runs attempts until one stands or the answer is no. A first attempt for a kit or unit locks only that; when others
// are in the way that could be moved, the next one locks the whole depot. A unit taken meanwhile is looked at anew.
func (d *Desk) settled(ctx context.Context, who access.Actor, w Wish, moving ident.ID, attempt func(Store, bool) (turn, error)) (Outcome, error) {
	wide := false
	for try := 0; ; try++ {
		var t turn
		err := d.Do(ctx, who, func(s Store) (err error) {
			t, err = attempt(s, wide)
			return err
		})
		switch {
		case fault.Is(err, fault.PromiseTaken) && try < retries, fault.Is(err, fault.AlreadyUsed) && try == 0:
			continue // a UID used meanwhile is found at the next look
		case err != nil:
			return Outcome{}, err
		case t.again:
			wide = true
			continue
		case t.refused:
			return Outcome{}, d.refuse(ctx, who, w, moving)
		}
		return t.out, nil
	}
}

// settle finds units for b and puts them into the outcome; nothing is written.
func (d *Desk) settle(s Store, who access.Actor, b Booking, r request, wide bool) (turn, error) {
	wide = wide || len(r.fixed) == 0
	ids, err := d.within(s, r, wide)
	if err != nil {
		return turn{}, err
	}
	if err := s.LockUnits(ids); err != nil {
		return turn{}, err
	}
	p, err := d.gather(s, ids, r.booking, r.window(d.rules()))
	if err != nil {
		return turn{}, err
	}
	units, _, ok := p.place(r)
	if !ok && !wide {
		return turn{again: p.onlyTaken(r), refused: !p.onlyTaken(r)}, nil
	}
	if !ok {
		if p, err = d.gatherDeep(s, ids, r); err != nil {
			return turn{}, err
		}
		if units, _, ok = p.place(r); !ok {
			return turn{refused: true}, nil
		}
	}
	return d.outcome(p, who, b, r, units), nil
}

// onlyTaken reports whether fitness allows the named units, so that only promises are in the way.
func (p *pool) onlyTaken(r request) bool {
	return !slices.ContainsFunc(r.fixed, func(id ident.ID) bool {
		return p.units[id] == nil || !suits(p.units[id].Unit, r.client) || p.judge(id, r).blocked
	})
}

// within lists the units an attempt may touch.
func (d *Desk) within(s Store, r request, wide bool) ([]ident.ID, error) {
	ids := slices.Concat(r.fixed, r.keep)
	if wide {
		kinds := []fleet.Kind{fleet.Dosimeter, fleet.Calibrator}
		if len(r.fixed) > 0 {
			kinds = nil // other kits and units may be offered instead
		}
		more, err := s.UnitsInDepot(r.depot.ID, kinds...)
		if err != nil {
			return nil, err
		}
		guests, err := s.Visitors(r.depot.ID, kinds...)
		if err != nil {
			return nil, err
		}
		ids = slices.Concat(ids, more, guests)
	}
	return sorted(ids), nil
}

// sorted gives each identifier once, in the order in which locks are taken.
func sorted(ids []ident.ID) []ident.ID {
	slices.SortFunc(ids, func(a, b ident.ID) int { return slices.Compare(a[:], b[:]) })
	return slices.Compact(ids)
}

// window is the time whose promises first fit has to see. A unit that is taken to another depot must be where its next promise
// starts, however late that is.
func (r request) window(rules Rules) fleet.Span {
	span := r.whole()
	if r.end != r.depot.ID {
		span.To = span.To.Add(2 * rules.Limits.Ahead)
	}
	return span
}

// recent is how far back promised time counts for even use.
const recent = 90 * 24 * time.Hour

// gather reads what first fit needs: the units and the promises that overlap the span, those of the booking in question left
// out.
func (d *Desk) gather(s Store, ids []ident.ID, booking ident.ID, span fleet.Span) (*pool, error) {
	now := d.Now().UTC()
	dossiers, err := s.BareDossiers(ids, now)
	if err != nil {
		return nil, err
	}
	claims, err := s.Claims(ids, span)
	if err != nil {
		return nil, err
	}
	claims = slices.DeleteFunc(claims, func(c Claim) bool { return c.Booking == booking })
	var used map[ident.ID]time.Duration
	if len(ids) > 1 {
		if used, err = s.PromisedSince(ids, now.Add(-recent)); err != nil {
			return nil, err
		}
	}
	p := newPool(now, d.rules().Margin, dossiers, claims, used)
	return p, d.chart(s, p, ids)
}

// chart tells the pool where its units travel.
func (d *Desk) chart(s Store, p *pool, ids []ident.ID) error {
	trips, err := s.Trips(ids, p.now)
	p.travels(trips)
	return err
}

// gatherDeep reads every promise of the units from now on and the bookings behind them, so that units can be exchanged.
func (d *Desk) gatherDeep(s Store, ids []ident.ID, r request) (*pool, error) {
	now := d.Now().UTC()
	from := now
	if first := r.whole().From; first.Before(from) {
		from = first
	}
	p, err := d.gather(s, ids, r.booking, fleet.Span{From: from, To: now.Add(2 * d.rules().Limits.Ahead)})
	if err != nil {
		return nil, err
	}
	var others []ident.ID
	for _, claims := range p.claims {
		for _, c := range claims {
			if !c.Pinned && c.Span.From.After(now) {
				others = append(others, c.Booking)
			}
		}
	}
	if len(others) == 0 {
		return p, nil
	}
	bookings, err := s.BookingsAcross(sorted(others))
	p.mayMove(bookings)
	return p, err
}

// outcome turns found units into the booking, the exchanges and the notes.
func (d *Desk) outcome(p *pool, who access.Actor, b Booking, r request, units []ident.ID) turn {
	pinned := b.Ask.Dosimeters == 0
	placed := make([]Placed, len(units))
	t := turn{}
	for i, id := range units {
		placed[i] = p.placed(id, pinned)
		if j := slices.IndexFunc(b.Units, func(u Placed) bool { return u.Unit == id }); j >= 0 {
			placed[i].Out, placed[i].In = b.Units[j].Out, b.Units[j].In
		}
		if notes := p.judge(id, r).notes; len(notes) > 0 {
			t.out.Notes = append(t.out.Notes, UnitReasons{id, placed[i].Tag, notes})
		}
	}
	b.Units, b.Risk = placed, nil
	if b.State == AtRisk {
		b.State = Promised
	}
	t.out.Booking = b
	t.moved = p.movedBookings(d.Now().UTC())
	for _, m := range t.moved {
		if who.Scope.Sees(m.Booking.Client) {
			t.out.Moved = append(t.out.Moved, m)
		}
	}
	return t
}

func (p *pool) placed(id ident.ID, pinned bool) Placed {
	d := p.units[id]
	return Placed{Unit: id, Tag: d.Unit.Tag, Kind: d.Model.Kind, Pinned: pinned}
}

// movedBookings gives the exchanges; of a booking that gave several units each entry shows its final state.
func (p *pool) movedBookings(now time.Time) []Moved {
	after := map[ident.ID]Booking{}
	var moved []Moved
	for _, m := range p.moves {
		b, ok := after[m.booking]
		if !ok {
			b = p.movers[m.booking]
			b.Units = slices.Clone(b.Units)
			b.Version, b.Changed = b.Version+1, now
		}
		i := slices.IndexFunc(b.Units, func(u Placed) bool { return u.Unit == m.from })
		from, to := b.Units[i], p.placed(m.to, false)
		b.Units[i] = to
		after[m.booking] = b
		moved = append(moved, Moved{Booking: b, From: from, To: to})
	}
	for i := range moved {
		moved[i].Booking = after[moved[i].Booking.ID]
	}
	return moved
}

// write stores the booking with everybody who was moved, and tells the audit trail.
func (d *Desk) write(s Store, verb string, old *Booking, out Outcome, moved []Moved) error {
	all := []Booking{out.Booking}
	for i, m := range moved {
		if i == slices.IndexFunc(moved, func(x Moved) bool { return x.Booking.ID == m.Booking.ID }) {
			all = append(all, m.Booking)
		}
	}
	err := s.SaveBookings(all)
	if fault.Is(err, fault.Changed) {
		return fault.New(fault.PromiseTaken).Because(err) // one that was to make room was changed meanwhile: look again
	}
	if err != nil {
		return err
	}
	if err := s.Record(change(verb, old, out.Booking, time.Time{}, "")); err != nil {
		return err
	}
	return recordMoves(s, moved)
}

// recordMoves writes one audit entry for each exchange.
func recordMoves(s Store, moved []Moved) error {
	type units struct {
		Version int      `json:"version"`
		Unit    ident.ID `json:"unit"`
	}
	for _, m := range moved {
		err := s.Record(trailOf(m, units{m.Booking.Version - 1, m.From.Unit}, units{m.Booking.Version, m.To.Unit}))
		if err != nil {
			return err
		}
	}
	return nil
}

// Answer tells what Book would do, and stores nothing.
func (d *Desk) Answer(ctx context.Context, who access.Actor, w Wish) (Answer, error) {
	var a Answer
	if !who.Books() {
		return a, fault.New(fault.NotAllowed, "what", "book")
	}
	err := d.View(ctx, who, func(s Store) (err error) { a, err = d.answer(s, who, w, nil); return err })
	return a, err
}

// AnswerMove tells what Move would do to the present version, and stores nothing.
func (d *Desk) AnswerMove(ctx context.Context, who access.Actor, id ident.ID, w Wish) (Answer, error) {
	var a Answer
	err := d.View(ctx, who, func(s Store) error {
		old, err := s.Booking(id)
		if err == nil {
			_, err = d.open(s, who, id, old.Version, "move")
		}
		if err == nil {
			a, err = d.answer(s, who, w, &old)
		}
		return err
	})
	return a, err
}

// refuse looks at everything in a reading transaction and makes the refusal. When the wish could be served by now, it asks
// for another try.
func (d *Desk) refuse(ctx context.Context, who access.Actor, w Wish, moving ident.ID) error {
	var a Answer
	err := d.View(ctx, who, func(s Store) (err error) {
		var old *Booking
		if !moving.IsZero() {
			b, err := s.Booking(moving)
			if err != nil {
				return err
			}
			old = &b
		}
		a, err = d.answer(s, who, w, old)
		return err
	})
	switch {
	case err != nil:
		return err
	case a.Refusal == nil:
		return fault.New(fault.Busy)
	}
	return a.Refusal
}

// answer plays a wish through on a picture of the pool; old is the booking that is to be moved.
func (d *Desk) answer(s Store, who access.Actor, w Wish, old *Booking) (Answer, error) {
	b, r, err := d.draft(s, who, w, old)
	if err != nil {
		return Answer{}, err
	}
	if old != nil {
		if err := stillOut(*old, b, &r); err != nil {
			return Answer{}, err
		}
		r.keep, b.Units = old.UnitIDs(), old.Units
	} else {
		b.ID = d.NewID()
		r.booking = b.ID
	}
	ids, err := d.within(s, r, true)
	if err != nil {
		return Answer{}, err
	}
	p, err := d.gatherDeep(s, ids, r)
	if err != nil {
		return Answer{}, err
	}
	mark := p.mark()
	units, got, ok := p.place(r)
	if ok {
		t := d.outcome(p, who, b, r, units)
		return Answer{Serve: t.out.Units, Moved: t.out.Moved, Notes: t.out.Notes}, nil
	}
	p.back(mark)
	q := question{desk: d, s: s, who: who, wish: w, booking: b, request: r, pool: p, got: got}
	refusal, err := q.refusal()
	return Answer{Refusal: refusal}, err
}

// clashDays names the visits of a series that cannot be served even alone.
func (p *pool) clashDays(b Booking, r request) []civil.Date {
	if len(b.Occurrences) == 1 {
		return nil
	}
	loc, err := zone(r.depot.Zone)
	if err != nil {
		loc = time.UTC
	}
	var days []civil.Date
	for _, o := range b.Occurrences {
		alone := r
		alone.spans = []fleet.Span{{From: o.Span.From.Add(-b.Lead), To: o.Span.To.Add(b.Lag)}}
		mark := p.mark()
		if _, _, ok := p.place(alone); !ok {
			days = append(days, civil.Of(o.Span.From.In(loc)))
		}
		p.back(mark)
	}
	return days
}
