package notify

import (
	"context"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Ledger answers what lapses and what was told of it, and puts dead letters back into the queue.
type Ledger struct {
	Do, View func(ctx context.Context, who access.Actor, fn func(LedgerStore) error) error
	Now      func() time.Time
	Rule     Rule
	Also     []Recipient // told beside the coordinators
}

// LedgerStore is what the ledger needs kept. Reads answer within the actor's walls.
type LedgerStore interface {
	Lapses(until civil.Date) ([]Lapse, error)
	Told(units []ident.ID) (map[Occasion]bool, error)
	ToRemind() ([]Recipient, error)
	// Outbox lists the newest messages, at most limit, those that need a person first.
	Outbox(limit int) ([]Message, error)
	MessageOf(id ident.ID) (Message, error)
	// Requeue puts a dead letter back into the queue; one that is not dead any more is fault.Changed.
	Requeue(id ident.ID, at time.Time) error
	Record(c trail.Change) error
}

// Standing is a lapse with what was announced of it.
type Standing struct {
	Lapse
	Told []int     // steps that were announced, in days relative to the last covered day, earliest first
	Next time.Time // when the next announcement comes; zero: none is to come
}

// Lapsing lists the units in service whose certificate ends on or before until, soonest first.
func (l *Ledger) Lapsing(ctx context.Context, who access.Actor, until civil.Date) ([]Standing, error) {
	var all []Standing
	err := l.View(ctx, who, func(s LedgerStore) error {
		lapses, err := s.Lapses(until)
		if err != nil {
			return err
		}
		units := make([]ident.ID, len(lapses))
		for i, x := range lapses {
			units[i] = x.Unit
		}
		told, err := s.Told(units)
		all = l.standing(lapses, told)
		return err
	})
	return all, err
}

func (l *Ledger) standing(lapses []Lapse, told map[Occasion]bool) []Standing {
	steps := map[ident.ID][]Occasion{}
	for o := range told {
		steps[o.Unit] = append(steps[o.Unit], o)
	}
	now := l.Now()
	all := make([]Standing, 0, len(lapses))
	for _, x := range lapses {
		one := Standing{Lapse: x, Next: l.Rule.next(x, now)}
		for _, o := range steps[x.Unit] {
			if o.Due == x.Due {
				one.Told = append(one.Told, o.Step)
			}
		}
		slices.Sort(one.Told)
		all = append(all, one)
	}
	slices.SortStableFunc(all, func(a, b Standing) int {
		return cmpOr(a.Due.Compare(b.Due), slices.Compare([]byte(a.Tag), []byte(b.Tag)))
	})
	return all
}

// next is when the first step after now fires; zero when none is left.
func (r Rule) next(l Lapse, now time.Time) time.Time {
	steps := slices.Sorted(slices.Values(r.Steps))
	for _, step := range steps {
		if at := r.fires(l, step); at.After(now) {
			return at
		}
	}
	if r.Repeat <= 0 || len(steps) == 0 {
		return time.Time{}
	}
	step := steps[len(steps)-1] + r.Repeat
	for !r.fires(l, step).After(now) {
		step += r.Repeat
	}
	return r.fires(l, step)
}

// Outbox lists the newest messages, those that need a person first, for those who keep the pool.
func (l *Ledger) Outbox(ctx context.Context, who access.Actor, limit int) ([]Message, error) {
	if !who.Keeps() {
		return nil, fault.New(fault.NotAllowed, "what", "see what was sent")
	}
	var all []Message
	err := l.View(ctx, who, func(s LedgerStore) (err error) {
		all, err = s.Outbox(limit)
		return err
	})
	return all, err
}

// Listeners lists who is told of what lapses, for those who keep the pool.
func (l *Ledger) Listeners(ctx context.Context, who access.Actor) ([]Recipient, error) {
	if !who.Keeps() {
		return nil, fault.New(fault.NotAllowed, "what", "see who is told")
	}
	var all []Recipient
	err := l.View(ctx, who, func(s LedgerStore) error {
		to, err := s.ToRemind()
		all = joined(to, l.Also)
		return err
	})
	return all, err
}

// Requeue puts a dead letter back into the queue: it goes out at the next round, under the same Message-ID, and is tried for
// another five days. One that is not dead any more is fault.Changed.
func (l *Ledger) Requeue(ctx context.Context, who access.Actor, id ident.ID) (Message, error) {
	if !who.Keeps() {
		return Message{}, fault.New(fault.NotAllowed, "what", "queue messages again")
	}
	now := l.Now().UTC().Truncate(time.Millisecond)
	var m Message
	err := l.Do(ctx, who, func(s LedgerStore) (err error) {
		if m, err = s.MessageOf(id); err != nil {
			return err
		}
		if m.State != Dead {
			return fault.New(fault.Changed, "noun", "message")
		}
		if err := s.Requeue(id, now); err != nil {
			return err
		}
		return s.Record(trail.Change{Noun: "message", ID: id, Verb: "queue again", Occurred: now, Before: map[string]any{"state": Dead, "attempts": m.Attempts},
			After: map[string]any{"state": Queued, "message_id": m.MessageID}})
	})
	m.State, m.Again, m.NotBefore = Queued, now, now
	return m, err
}
