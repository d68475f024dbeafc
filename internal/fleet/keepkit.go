package fleet

import (
	"context"
	"fmt"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// AddKit enters a kit, empty for now.
func (k *Keeper) AddKit(ctx context.Context, who access.Actor, kit Kit) (Kit, error) {
	kit.ID, kit.Version = k.NewID(), 0
	return k.ChangeKit(ctx, who, kit)
}

// ChangeKit replaces what is written of a kit; kit.Version is the version that was looked at. See SetKit for what is in it.
func (k *Keeper) ChangeKit(ctx context.Context, who access.Actor, kit Kit) (Kit, error) {
	if err := keeps(who, "change kits"); err != nil {
		return Kit{}, err
	}
	if err := kit.check(); err != nil {
		return Kit{}, err
	}
	seen := kit.Version
	kit.Version++
	err := k.Do(ctx, who, func(s Store) error {
		if _, err := s.Depot(kit.Depot); err != nil {
			return err
		}
		return edit[Kit]{noun: "kit", id: kit.ID, seen: seen, after: &kit, save: func() error { return s.SaveKit(kit) },
			load: func() (Kit, int, error) { b, err := s.Kit(kit.ID); return b, b.Version, err }}.apply(s)
	})
	return kit, err
}

// SetKit says which units are in the kit from a moment on (zero: from now). Units that were in it and are not named leave it
// then; what was in it before stays on record. A unit that is in another kit then is fault.UnitInTwoKits: take it out there
// first. The moment cannot lie before a later change of the kit that is on record already (fault.BadInput).
func (k *Keeper) SetKit(ctx context.Context, who access.Actor, kit ident.ID, units []ident.ID, from time.Time) error {
	if err := keeps(who, "pack kits"); err != nil {
		return err
	}
	now := k.now()
	if from.IsZero() {
		from = now
	}
	from = from.UTC().Truncate(time.Millisecond)
	return k.Do(ctx, who, func(s Store) error {
		p := packing{s: s, kit: kit, units: units, from: from, now: now}
		return p.apply()
	})
}

// packing is one change of a kit's composition.
type packing struct {
	s     Store
	kit   ident.ID
	units []ident.ID
	from  time.Time
	now   time.Time
}

func (p *packing) apply() error {
	kit, err := p.s.Kit(p.kit)
	if err != nil {
		return err
	}
	if err := p.s.LockKit(p.kit); err != nil {
		return err
	}
	before, err := p.s.Memberships(p.kit)
	if err != nil {
		return err
	}
	if err := p.check(before); err != nil {
		return err
	}
	stay, err := p.close(before)
	if err != nil {
		return err
	}
	var opened []Membership
	for _, u := range p.units {
		if !stay[u] {
			opened = append(opened, Membership{Kit: p.kit, Unit: u, From: p.from, Entered: p.now})
		}
	}
	if err := p.s.OpenMemberships(opened); err != nil {
		return err
	}
	return p.s.Record(trail.Change{Noun: "kit", ID: kit.ID, Verb: "pack", Occurred: p.from, Before: present(before), After: p.units})
}

func (p *packing) check(before []Membership) error {
	for i, u := range p.units {
		if slices.Index(p.units, u) < i {
			return fault.New(fault.BadInput, "what", "a unit is named twice for the kit").At(fmt.Sprintf("units/%d", i), "is named before")
		}
		if _, err := p.s.UnitByID(u); err != nil {
			return err
		}
	}
	for _, m := range before {
		planned := m.To.IsZero() || m.To.After(m.From)
		if planned && m.From.After(p.from) || !m.To.IsZero() && m.To.After(p.from) {
			return fault.New(fault.BadInput, "what", "the kit was packed anew later than that; give a moment after it").At("from", "lies before the last change of the kit")
		}
	}
	return nil
}

// close ends the stays of units that leave and tells which units stay.
func (p *packing) close(before []Membership) (stay map[ident.ID]bool, err error) {
	stay = map[ident.ID]bool{}
	for _, m := range before {
		switch {
		case !m.To.IsZero():
		case slices.Contains(p.units, m.Unit):
			stay[m.Unit] = true
		default:
			m.To, m.Ended = p.from, p.now
			if err := p.s.CloseMembership(m); err != nil {
				return nil, err
			}
		}
	}
	return stay, nil
}

// present lists the units whose stay has no end.
func present(ms []Membership) []ident.ID {
	units := []ident.ID{}
	for _, m := range ms {
		if m.To.IsZero() {
			units = append(units, m.Unit)
		}
	}
	return units
}
