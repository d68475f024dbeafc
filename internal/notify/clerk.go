package notify

import (
	"context"
	"slices"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Store is what the clerk and the post office need kept. Implementations write in the transaction they were handed in.
type Store interface {
	// Lapses gives every unit in service whose certificate coverage ends on or before until, as known now. Units whose
	// coverage was renewed, and retired or lost ones, are not among them.
	Lapses(until civil.Date) ([]Lapse, error)
	// Told gives the occasions of these units that were announced already.
	Told(units []ident.ID) (map[Occasion]bool, error)
	// ToRemind gives the coordinators with an address who keep their account.
	ToRemind() ([]Recipient, error)
	// AddOccasions records occasions as announced by messages; an occasion that is there already is a conflict.
	AddOccasions(o []Occasion, messages []ident.ID) error
	// Queue puts messages into the outbox.
	Queue(m []Message) error
	// Claim takes at most limit messages to send: queued ones whose time has come, and those whose claim ran out before
	// stale. They are marked as being sent, with one attempt more.
	Claim(now, stale time.Time, limit int) ([]Message, error)
	// Settle stores a message after an attempt, if it is still claimed by that attempt.
	Settle(m Message) error
	// Record adds to the audit trail.
	Record(c trail.Change) error
}

// Do runs fn in one transaction.
type Do func(ctx context.Context, who access.Actor, fn func(Store) error) error

// Clerk finds what has to be announced and writes it into the outbox.
type Clerk struct {
	Do     Do
	Now    func() time.Time // stamps messages; what is due is decided by the moment given to Sweep
	NewID  ident.Source
	Rule   Rule
	Also   []Recipient // told beside the coordinators
	Domain string      // right side of Message-IDs
	URL    string      // public address, for links; may be empty
}

// Swept is what a sweep did.
type Swept struct {
	Occasions int // announced now
	Messages  int // mails written
}

// Sweep announces everything that is due by now and was not announced. It may run as often as wanted and after any downtime:
// occasions are unique, and several steps of one lapse that were missed are announced together. Where nobody can be told,
// occasions stay open until there is somebody.
func (c *Clerk) Sweep(ctx context.Context, who access.Actor, now time.Time) (Swept, error) {
	var swept Swept
	err := c.Do(ctx, who, func(s Store) error {
		swept = Swept{}
		notices, err := c.pending(s, now)
		if err != nil || len(notices) == 0 {
			return err
		}
		to, err := c.recipients(s)
		if err != nil || len(to) == 0 {
			return err
		}
		for _, depot := range byDepot(notices) {
			if err := c.announce(s, depot, to, now, &swept); err != nil {
				return err
			}
		}
		return nil
	})
	return swept, err
}

// notice is a lapse with those of its occasions that nobody was told of.
type notice struct {
	lapse Lapse
	open  []Occasion
}

func (c *Clerk) pending(s Store, now time.Time) ([]notice, error) {
	lapses, err := s.Lapses(c.Rule.horizon(now))
	if err != nil {
		return nil, err
	}
	units := make([]ident.ID, len(lapses))
	for i, l := range lapses {
		units[i] = l.Unit
	}
	told, err := s.Told(units)
	if err != nil {
		return nil, err
	}
	var notices []notice
	for _, l := range lapses {
		open := slices.DeleteFunc(c.Rule.Due(l, now), func(o Occasion) bool { return told[o] })
		if len(open) > 0 {
			notices = append(notices, notice{l, open})
		}
	}
	return notices, nil
}

func (c *Clerk) recipients(s Store) ([]Recipient, error) {
	to, err := s.ToRemind()
	if err != nil {
		return nil, err
	}
	return joined(to, c.Also), nil
}

// joined adds those whose address is not among the first.
func joined(to, also []Recipient) []Recipient {
	for _, a := range also {
		if !slices.ContainsFunc(to, func(r Recipient) bool { return strings.EqualFold(r.Address, a.Address) }) {
			to = append(to, a)
		}
	}
	return to
}

// byDepot groups notices by depot, soonest end first, so that people get one mail a depot and not one a unit.
func byDepot(all []notice) [][]notice {
	slices.SortStableFunc(all, func(a, b notice) int {
		return cmpOr(strings.Compare(a.lapse.DepotName, b.lapse.DepotName), strings.Compare(a.lapse.Depot.String(), b.lapse.Depot.String()),
			a.lapse.Due.Compare(b.lapse.Due), strings.Compare(a.lapse.Tag, b.lapse.Tag))
	})
	var groups [][]notice
	for i, n := range all {
		if i == 0 || n.lapse.Depot != all[i-1].lapse.Depot {
			groups = append(groups, nil)
		}
		groups[len(groups)-1] = append(groups[len(groups)-1], n)
	}
	return groups
}

func cmpOr(orders ...int) int {
	for _, o := range orders {
		if o != 0 {
			return o
		}
	}
	return 0
}

// elsewhere stands for a booking across a client wall.
const elsewhere = "a booking of another client"

// told is what a recipient may be told: units of clients it does not see are left out, their bookings lose their names.
func (r Recipient) told(depot []notice) []notice {
	var seen []notice
	for _, n := range depot {
		if !r.sees(n.lapse.Owner) {
			continue
		}
		n.lapse.Breaks = slices.Clone(n.lapse.Breaks)
		for i, b := range n.lapse.Breaks {
			if !r.sees(b.Client) {
				n.lapse.Breaks[i] = Broken{Label: elsewhere, Span: b.Span}
			}
		}
		seen = append(seen, n)
	}
	return seen
}

// announce writes one mail to each recipient about what it may see. What nobody may see stays open.
func (c *Clerk) announce(s Store, depot []notice, to []Recipient, now time.Time, swept *Swept) error {
	about := map[Occasion][]ident.ID{}
	for _, r := range to {
		seen := r.told(depot)
		if len(seen) == 0 {
			continue
		}
		m, err := c.write(s, r, seen, now)
		if err != nil {
			return err
		}
		swept.Messages++
		for _, n := range seen {
			for _, o := range n.open {
				about[o] = append(about[o], m)
			}
		}
	}
	for _, n := range depot {
		for _, o := range n.open {
			if len(about[o]) == 0 {
				continue
			}
			if err := s.AddOccasions([]Occasion{o}, about[o]); err != nil {
				return err
			}
			swept.Occasions++
		}
	}
	return nil
}

// write queues the mail to one recipient.
func (c *Clerk) write(s Store, r Recipient, seen []notice, now time.Time) (ident.ID, error) {
	subject, body := wording(seen, now, c.URL)
	written, id := c.Now(), c.NewID()
	m := Message{ID: id, MessageID: id.String() + "@" + c.Domain, To: r.Address, ToName: r.Name,
		Subject: subject, Body: body, Created: written, NotBefore: written, State: Queued}
	if err := s.Queue([]Message{m}); err != nil {
		return id, err
	}
	return id, s.Record(trail.Change{Noun: "message", ID: id, Verb: "queue", Occurred: written,
		After: map[string]any{"message_id": m.MessageID, "units": len(seen)}, Private: map[string]string{"to": r.Address, "subject": subject}})
}
