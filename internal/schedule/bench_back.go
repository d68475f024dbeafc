package schedule

import (
	"context"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// TakeBack withdraws a hand-out or a check-in of a booking that was recorded by mistake: at is the moment at which it was said to
// have happened. The records of the units stay and are marked as taken back; the booking stands as the others leave it. Units
// that were promised to somebody else since are fault.PromiseTaken, and nothing is withdrawn.
func (d *Desk) TakeBack(ctx context.Context, who access.Actor, id ident.ID, at time.Time, reason string) (Outcome, error) {
	var out Outcome
	at = at.UTC().Truncate(time.Millisecond)
	err := d.Do(ctx, who, func(s Store) error {
		old, err := d.locked(s, id)
		if err != nil {
			return err
		}
		if err := allowed(who, old, "take back what happened to"); err != nil {
			return err
		}
		now := d.Now().UTC().Truncate(time.Millisecond)
		dossiers, err := s.BareDossiers(old.UnitIDs(), now)
		if err != nil {
			return err
		}
		b, facts := old.without(dossiers, at, now)
		if len(facts) == 0 {
			return fault.New(fault.NotThere, "noun", "record of "+old.Label())
		}
		for i := range facts {
			facts[i].ID, facts[i].Entered, facts[i].Occurred, facts[i].By = d.NewID(), now, now, who.Name
			facts[i].Body = fleet.Retracted{Fact: facts[i].Body.(fleet.Retracted).Fact, Reason: reason}
		}
		if err := s.AppendFacts(facts); err != nil {
			return err
		}
		out, err = d.happenedTo(s, "take back", old, b, at, reason)
		return err
	})
	return out, err
}

// without gives the booking as it would stand had nothing happened to its units at the moment, and what withdraws the records.
func (b Booking) without(dossiers []fleet.Dossier, at, now time.Time) (Booking, []fleet.Fact) {
	var facts []fleet.Fact
	left := b
	left.Units = slices.Clone(b.Units)
	for _, d := range dossiers {
		i := slices.IndexFunc(left.Units, func(u Placed) bool { return u.Unit == d.Unit.ID })
		if i < 0 {
			continue
		}
		u := &left.Units[i]
		if !u.Out.Equal(at) && !u.In.Equal(at) {
			continue
		}
		var rest []fleet.Fact
		for _, f := range d.Standing(now) {
			if c, ok := f.Body.(fleet.Custody); ok && f.Occurred.Equal(at) && (c.Booking == b.ID || c.State == fleet.InDepot) {
				facts = append(facts, fleet.Fact{Unit: f.Unit, Body: fleet.Retracted{Fact: f.ID}})
				continue
			}
			rest = append(rest, f)
		}
		u.Out, u.In = b.tour(rest)
	}
	left.revive()
	return left, facts
}

// tour reads from the records when a unit last went out on the booking and when it came back from that.
func (b Booking) tour(facts []fleet.Fact) (out, in time.Time) {
	for _, f := range facts {
		c, ok := f.Body.(fleet.Custody)
		switch {
		case !ok:
		case c.State == fleet.Out && c.Booking == b.ID:
			out, in = f.Occurred, time.Time{}
		case c.State == fleet.InDepot && !out.IsZero() && in.IsZero():
			in = f.Occurred
		}
	}
	return out, in
}

// revive sets the state after something was withdrawn: promised where nothing has gone out, else what follows from the units.
func (b *Booking) revive() {
	if b.State != OutNow && b.State != Back {
		return
	}
	b.State = Promised
	b.follow()
}
