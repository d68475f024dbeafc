package fleet

import (
	"context"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Keeper keeps the pool: it enters models, depots, laboratories, units, kits and certificates, records facts, guards
// intentions, and answers what is fit. Every write happens in one transaction with its audit.
type Keeper struct {
	Do, View func(context.Context, access.Actor, func(Store) error) error
	Now      func() time.Time
	NewID    ident.Source
}

// Store is what the keeper needs of the transaction it works in. Reads answer within the actor's walls; what is absent or
// behind a wall is fault.NotThere. A Save… of version 1 adds; of a higher version it replaces the version before, and one that is
// no longer the present one is fault.Changed. A tag, code or name in use is fault.AlreadyUsed.
type Store interface {
	SaveModel(m Model) error
	SaveDepot(d Depot) error
	SaveLaboratory(l Laboratory) error
	SaveUnit(u Unit) error
	SaveKit(k Kit) error
	// LockKit lets only one transaction at a time pack the kit.
	LockKit(kit ident.ID) error
	// OpenMemberships puts units into kits; a unit in two kits at a time is fault.UnitInTwoKits. CloseMembership tells the end.
	OpenMemberships(ms []Membership) error
	CloseMembership(m Membership) error
	// SaveCertificate adds a certificate with its lines; correcting one that was corrected already is fault.Changed, one that
	// covers units behind a wall as well is fault.NotAllowed.
	SaveCertificate(x Certificate) error
	// AppendFacts adds facts of units with their audit; a fact of a unit that is unknown or behind a wall is fault.NotThere.
	AppendFacts(facts []Fact) error
	// LockUnits lets only one transaction at a time write facts of the units.
	LockUnits(units []ident.ID) error

	Models() ([]Model, error)
	Model(id ident.ID) (Model, error)
	Depots() ([]Depot, error)
	Depot(id ident.ID) (Depot, error)
	Laboratories() ([]Laboratory, error)
	Laboratory(id ident.ID) (Laboratory, error)
	// Kits lists the kits of a depot (zero: of all) in order of their codes.
	Kits(depot ident.ID) ([]Kit, error)
	Kit(id ident.ID) (Kit, error)
	KitByCode(code string) (Kit, error)
	UnitByID(id ident.ID) (Unit, error)
	UnitByTag(tag string) (Unit, error)
	// Memberships lists every stay of any unit in the kit, MembershipsOf every stay of the units in any kit, by their start.
	Memberships(kit ident.ID) ([]Membership, error)
	MembershipsOf(units []ident.ID) ([]Membership, error)
	// KitUnits lists the units in the kit at a moment; UnitsInDepot those whose home the depot is, of the kinds (none: all).
	KitUnits(kit ident.ID, at time.Time) ([]ident.ID, error)
	UnitsInDepot(depot ident.ID, kinds ...Kind) ([]ident.ID, error)
	// Dossiers gives what the rules need of the units, in their order, as known at a moment; units behind a wall are left out.
	Dossiers(ids []ident.ID, at time.Time) ([]Dossier, error)
	// Pool gives all units the actor sees, ready to answer about the span as known at the moment (zero: now).
	Pool(span Span, at time.Time) (*Pool, error)
	Certificate(id ident.ID) (Certificate, error)
	// HasFile reports whether the archive holds the file of that SHA-256.
	HasFile(hash string) (bool, error)
	Record(c trail.Change) error
}

// now is the present in whole milliseconds, as everything is stored.
func (k *Keeper) now() time.Time { return k.Now().UTC().Truncate(time.Millisecond) }

func keeps(who access.Actor, what string) error {
	if !who.Keeps() {
		return fault.New(fault.NotAllowed, "what", what)
	}
	return nil
}

// edit is what the edits of all nouns share: check the version that was looked at, save the next one, write the audit.
type edit[T any] struct {
	noun   string
	id     ident.ID
	client ident.ID
	seen   int // version looked at; 0: new
	load   func() (T, int, error)
	keep   func(before T) // carries over what an edit cannot change
	save   func() error
	after  *T
}

func (e edit[T]) apply(s Store) error {
	change := trail.Change{Noun: e.noun, ID: e.id, Verb: "add", Client: e.client}
	if e.seen > 0 {
		before, version, err := e.load()
		if err != nil {
			return err
		}
		if version != e.seen {
			return fault.New(fault.Changed, "noun", e.noun)
		}
		if e.keep != nil {
			e.keep(before)
		}
		change.Verb, change.Before = "change", before
	}
	if err := e.save(); err != nil {
		return err
	}
	change.After = *e.after
	return s.Record(change)
}

// AddModel enters a model.
func (k *Keeper) AddModel(ctx context.Context, who access.Actor, m Model) (Model, error) {
	m.ID, m.Version, m.Entered = k.NewID(), 0, k.now()
	return k.saveModel(ctx, who, m)
}

// ChangeModel replaces a model; m.Version is the version that was looked at. What was known before keeps the old rules.
func (k *Keeper) ChangeModel(ctx context.Context, who access.Actor, m Model) (Model, error) {
	return k.saveModel(ctx, who, m)
}

func (k *Keeper) saveModel(ctx context.Context, who access.Actor, m Model) (Model, error) {
	if err := keeps(who, "change models"); err != nil {
		return Model{}, err
	}
	if err := m.check(); err != nil {
		return Model{}, err
	}
	seen := m.Version
	m.Version++
	err := k.Do(ctx, who, func(s Store) error {
		return edit[Model]{noun: "model", id: m.ID, seen: seen, after: &m, save: func() error { return s.SaveModel(m) },
			keep: func(b Model) { m.Entered = b.Entered },
			load: func() (Model, int, error) { b, err := s.Model(m.ID); return b, b.Version, err }}.apply(s)
	})
	return m, err
}

// AddDepot enters a depot.
func (k *Keeper) AddDepot(ctx context.Context, who access.Actor, d Depot) (Depot, error) {
	d.ID, d.Version = k.NewID(), 0
	return k.ChangeDepot(ctx, who, d)
}

// ChangeDepot replaces a depot; d.Version is the version that was looked at.
func (k *Keeper) ChangeDepot(ctx context.Context, who access.Actor, d Depot) (Depot, error) {
	if err := keeps(who, "change depots"); err != nil {
		return Depot{}, err
	}
	if err := d.check(); err != nil {
		return Depot{}, err
	}
	seen := d.Version
	d.Version++
	err := k.Do(ctx, who, func(s Store) error {
		return edit[Depot]{noun: "depot", id: d.ID, seen: seen, after: &d, save: func() error { return s.SaveDepot(d) },
			load: func() (Depot, int, error) { b, err := s.Depot(d.ID); return b, b.Version, err }}.apply(s)
	})
	return d, err
}

// AddLaboratory enters a laboratory.
func (k *Keeper) AddLaboratory(ctx context.Context, who access.Actor, l Laboratory) (Laboratory, error) {
	l.ID, l.Version = k.NewID(), 0
	return k.ChangeLaboratory(ctx, who, l)
}

// ChangeLaboratory replaces a laboratory; l.Version is the version that was looked at. Due dates that were counted stay.
func (k *Keeper) ChangeLaboratory(ctx context.Context, who access.Actor, l Laboratory) (Laboratory, error) {
	if err := keeps(who, "change laboratories"); err != nil {
		return Laboratory{}, err
	}
	if err := l.check(); err != nil {
		return Laboratory{}, err
	}
	seen := l.Version
	l.Version++
	err := k.Do(ctx, who, func(s Store) error {
		return edit[Laboratory]{noun: "laboratory", id: l.ID, seen: seen, after: &l, save: func() error { return s.SaveLaboratory(l) },
			load: func() (Laboratory, int, error) { b, err := s.Laboratory(l.ID); return b, b.Version, err }}.apply(s)
	})
	return l, err
}

// AddUnit enters a unit.
func (k *Keeper) AddUnit(ctx context.Context, who access.Actor, u Unit) (Unit, error) {
	u.ID, u.Version, u.Entered = k.NewID(), 0, k.now()
	return k.saveUnit(ctx, who, u)
}

// ChangeUnit replaces what is written of a unit; u.Version is the version that was looked at. What happens to a unit is told by
// facts, not by changing it.
func (k *Keeper) ChangeUnit(ctx context.Context, who access.Actor, u Unit) (Unit, error) {
	return k.saveUnit(ctx, who, u)
}

func (k *Keeper) saveUnit(ctx context.Context, who access.Actor, u Unit) (Unit, error) {
	if err := keeps(who, "change units"); err != nil {
		return Unit{}, err
	}
	if err := u.check(); err != nil {
		return Unit{}, err
	}
	if !who.Scope.Sees(u.Client) {
		return Unit{}, fault.New(fault.NotThere, "noun", "client")
	}
	seen := u.Version
	u.Version++
	err := k.Do(ctx, who, func(s Store) error {
		if _, err := s.Model(u.Model); err != nil {
			return err
		}
		if _, err := s.Depot(u.Depot); err != nil {
			return err
		}
		return edit[Unit]{noun: "unit", id: u.ID, client: u.Client, seen: seen, after: &u, save: func() error { return s.SaveUnit(u) },
			keep: func(b Unit) { u.Entered = b.Entered },
			load: func() (Unit, int, error) { b, err := s.UnitByID(u.ID); return b, b.Version, err }}.apply(s)
	})
	return u, err
}
