package schedule

import (
	"context"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Desk promises units, moves and cancels bookings, hands units out and takes them back. The zero Rules stand for Standard.
type Desk struct {
	Do, View func(context.Context, access.Actor, func(Store) error) error
	Now      func() time.Time
	NewID    ident.Source
	Rules    Rules
}

// Outcome is what a call at the desk led to.
type Outcome struct {
	Booking
	Unchanged bool          // the call asked for what stands already
	Moved     []Moved       // other bookings that got other units to make room; those behind a wall are left out
	Notes     []UnitReasons // what is not known of the promised units: somebody should look
}

// Moved is an exchange of one unit of a booking.
type Moved struct {
	Booking Booking // after the exchange
	From    Placed
	To      Placed
}

// Answer is what the desk would say to a wish.
type Answer struct {
	Serve   []Placed
	Moved   []Moved
	Notes   []UnitReasons
	Refusal *Refusal // nil: it can be booked
}

func (d *Desk) rules() Rules {
	if d.Rules.Limits == (Limits{}) {
		return Standard()
	}
	return d.Rules
}

// retries bounds how often a call is repeated when somebody else took a unit between looking and promising.
const retries = 3

// Book promises what is wished for or refuses with a *Refusal. Repeated with the same calendar UID and content it answers
// with the booking that stands.
func (d *Desk) Book(ctx context.Context, who access.Actor, w Wish) (Outcome, error) {
	if !who.Books() {
		return Outcome{}, fault.New(fault.NotAllowed, "what", "book")
	}
	id := d.NewID()
	return d.settled(ctx, who, w, ident.ID{}, func(s Store, wide bool) (turn, error) { return d.book(s, who, w, id, wide) })
}

func (d *Desk) book(s Store, who access.Actor, w Wish, id ident.ID, wide bool) (turn, error) {
	b, r, err := d.draft(s, who, w, nil)
	if err != nil {
		return turn{}, err
	}
	b.ID, b.Version, b.Changed = id, 1, b.Entered
	r.booking = id
	if b.Calendar.UID != "" {
		old, found, err := s.BookingByUID(b.Collection(), b.Calendar.UID)
		if err != nil {
			return turn{}, err
		}
		if found {
			return repeated(who, old, b)
		}
	}
	t, err := d.settle(s, who, b, r, wide)
	if err != nil || t.again || t.refused {
		return t, err
	}
	b = t.out.Booking
	if b.Number, err = s.NextBookingNumber(); err != nil {
		return turn{}, err
	}
	if b.Calendar.UID == "" {
		b.Calendar.UID = b.ID.String() + "@kitd"
	}
	if b.Calendar.Name == "" {
		b.Calendar.Name = b.ID.String() + ".ics"
	}
	t.out.Booking = b
	return t, d.write(s, "book", nil, t.out, t.moved)
}

// repeated answers a call that names a calendar object that exists.
func repeated(who access.Actor, old, asked Booking) (turn, error) {
	if who.Scope.Sees(old.Client) && MayChange(who, old) && same(old, asked) {
		return turn{out: Outcome{Booking: old, Unchanged: true}}, nil
	}
	return turn{}, fault.New(fault.AlreadyUsed, "noun", "calendar entry", "value", asked.Calendar.UID)
}

// Move changes a booking to the wish: other times, another number or kit, another title. It keeps the units that still fit.
func (d *Desk) Move(ctx context.Context, who access.Actor, id ident.ID, version int, w Wish) (Outcome, error) {
	return d.settled(ctx, who, w, id, func(s Store, wide bool) (turn, error) { return d.move(s, who, id, version, w, wide) })
}

func (d *Desk) move(s Store, who access.Actor, id ident.ID, version int, w Wish, wide bool) (turn, error) {
	old, err := d.open(s, who, id, version, "move")
	if err != nil {
		return turn{}, err
	}
	b, r, err := d.draft(s, who, w, &old)
	if err != nil {
		return turn{}, err
	}
	if b.Calendar.UID != old.Calendar.UID {
		return turn{}, fault.New(fault.BadInput, "what", "a calendar entry keeps its UID when it is changed").At("/calendar/uid", "differs")
	}
	if same(old, b) {
		return turn{out: Outcome{Booking: old, Unchanged: true}}, nil
	}
	if err := stillOut(old, b, &r); err != nil {
		return turn{}, err
	}
	r.keep = old.UnitIDs()
	b.Units, b.Risk = old.Units, old.Risk
	b.Version, b.Changed = old.Version+1, d.Now().UTC()
	t := turn{out: Outcome{Booking: b}}
	if samePlace(old, b) {
		err = s.LockUnits(sorted(old.UnitIDs()))
	} else {
		t, err = d.settle(s, who, b, r, wide)
	}
	if err != nil || t.again || t.refused {
		return t, err
	}
	if err := d.unmoved(s, old); err != nil {
		return turn{}, err
	}
	t.out.Units = old.alreadyIn(t.out.Units)
	return t, d.write(s, "move", &old, t.out, t.moved)
}

// stillOut: once units are out, only the end and the words of a booking can change.
func stillOut(old, b Booking, r *request) error {
	if old.State != OutNow {
		return nil
	}
	if b.Ask != old.Ask || b.StartDepot != old.StartDepot || !b.Occurrences[0].Span.From.Equal(old.Occurrences[0].Span.From) {
		return fault.New(fault.BookingOut, "number", old.Label(), "what", "only its end, title and client can change until they are back")
	}
	r.fixed, r.dosimeters, r.calibrator = old.units(func(u Placed) bool { return u.IsOut() || u.Out.IsZero() }), 0, false
	return nil
}

// alreadyIn adds the units that are out no more, which a booking that is out keeps on record, to those placed anew.
func (b Booking) alreadyIn(placed []Placed) []Placed {
	for _, u := range b.Units {
		same := func(p Placed) bool { return p.Unit == u.Unit }
		if b.State == OutNow && !slices.ContainsFunc(placed, same) {
			placed = append(placed, u)
		}
	}
	return placed
}

// open reads a booking that is to be changed and checks who asks and what they know of it.
func (d *Desk) open(s Store, who access.Actor, id ident.ID, version int, what string) (Booking, error) {
	b, err := s.Booking(id)
	if err != nil {
		return b, err
	}
	if err := allowed(who, b, what); err != nil {
		return b, err
	}
	if b.Version != version {
		return b, fault.New(fault.Changed, "noun", "booking")
	}
	if b.State == Cancelled || b.State == Back {
		return b, fault.New(fault.BookingClosed, "number", b.Label(), "state", string(b.State))
	}
	return b, nil
}

// unmoved makes sure, once the units are locked, that nobody changed the booking since it was read.
func (d *Desk) unmoved(s Store, read Booking) error {
	now, err := s.Booking(read.ID)
	if err == nil && now.Version != read.Version {
		err = fault.New(fault.Changed, "noun", "booking")
	}
	return err
}

// locked reads a booking, locks its units and makes sure that nothing changed in between.
func (d *Desk) locked(s Store, id ident.ID) (Booking, error) {
	for range retries {
		b, err := s.Booking(id)
		if err != nil {
			return b, err
		}
		if err := s.LockUnits(b.UnitIDs()); err != nil {
			return b, err
		}
		now, err := s.Booking(id)
		if err != nil || now.Version == b.Version {
			return now, err
		}
	}
	return Booking{}, fault.New(fault.Busy)
}

// Cancel gives a booking up. Cancelling what is cancelled changes nothing.
func (d *Desk) Cancel(ctx context.Context, who access.Actor, id ident.ID, version int, reason string) (Outcome, error) {
	var out Outcome
	err := d.Do(ctx, who, func(s Store) error {
		old, err := d.locked(s, id)
		if err != nil {
			return err
		}
		if err := allowed(who, old, "cancel"); err != nil {
			return err
		}
		if old.State == Cancelled {
			out = Outcome{Booking: old, Unchanged: true}
			return nil
		}
		if old, err = d.open(s, who, id, version, "cancel"); err != nil {
			return err
		}
		if slices.ContainsFunc(old.Units, Placed.IsOut) {
			return fault.New(fault.BookingOut, "number", old.Label(), "what", "check them in, then cancel")
		}
		b := old
		b.State, b.Risk, b.Version, b.Changed = Cancelled, nil, old.Version+1, d.Now().UTC()
		out = Outcome{Booking: b}
		if err := s.SaveBookings([]Booking{b}); err != nil {
			return err
		}
		return s.Record(change("cancel", &old, b, time.Time{}, reason))
	})
	return out, err
}

// Get gives one booking.
func (d *Desk) Get(ctx context.Context, who access.Actor, id ident.ID) (Booking, error) {
	var b Booking
	err := d.View(ctx, who, func(s Store) (err error) { b, err = s.Booking(id); return err })
	return b, err
}

// List gives one page of the bookings the actor sees.
func (d *Desk) List(ctx context.Context, who access.Actor, q Query) (Page, error) {
	var p Page
	err := d.View(ctx, who, func(s Store) (err error) { p, err = s.Bookings(q); return err })
	return p, err
}

// Block is a stretch for which a unit is promised. Across a client wall the booking is zero.
type Block struct {
	Unit    ident.ID
	Span    fleet.Span
	Booking ident.ID
	Label   string
}

// Busy lists when units are promised, for drawing time lines.
func (d *Desk) Busy(ctx context.Context, who access.Actor, units []ident.ID, span fleet.Span) ([]Block, error) {
	var blocks []Block
	err := d.View(ctx, who, func(s Store) error {
		claims, err := s.Claims(units, span)
		for _, c := range claims {
			b := Block{Unit: c.Unit, Span: c.Span}
			if who.Scope.Sees(c.Client) {
				b.Booking, b.Label = c.Booking, Label(c.Number)
			}
			blocks = append(blocks, b)
		}
		return err
	})
	return blocks, err
}

// record is what the audit trail keeps of a booking: no free text, no names.
type record struct {
	Version    int          `json:"version"`
	Number     int          `json:"number"`
	State      State        `json:"state"`
	Owner      ident.ID     `json:"owner"`
	Survey     ident.ID     `json:"survey,omitzero"`
	Ask        Ask          `json:"ask"`
	StartDepot ident.ID     `json:"start_depot"`
	EndDepot   ident.ID     `json:"end_depot"`
	Spans      []fleet.Span `json:"spans"` // lead and lag included
	Units      []ident.ID   `json:"units"`
}

type private struct {
	Title  string `json:"title,omitempty"`
	Reason string `json:"reason,omitempty"`
}

func recordOf(b Booking) record {
	return record{b.Version, b.Number, b.State, b.Owner, b.Survey, b.Ask, b.StartDepot, b.EndDepot, b.Spans(), b.UnitIDs()}
}

// change makes the audit entry of one step of a booking.
func change(verb string, before *Booking, after Booking, occurred time.Time, reason string) trail.Change {
	c := trail.Change{Noun: "booking", ID: after.ID, Verb: verb, Client: after.Client, Occurred: occurred, After: recordOf(after)}
	if before != nil {
		c.Before = recordOf(*before)
	}
	if p := (private{after.Title, reason}); p != (private{}) {
		c.Private = p
	}
	return c
}

// trailOf makes the audit entry of an exchange.
func trailOf(m Moved, before, after any) trail.Change {
	return trail.Change{Noun: "booking", ID: m.Booking.ID, Verb: "exchange unit", Client: m.Booking.Client, Before: before, After: after}
}
