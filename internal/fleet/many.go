package fleet

import (
	"context"
	"fmt"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// MaxUnits is how many units are entered at once.
const MaxUnits = 500

// AddUnits enters several units, all or none. Faults name the unit by its place in the list: "units/3/tag".
func (k *Keeper) AddUnits(ctx context.Context, who access.Actor, units []Unit) ([]Unit, error) {
	if err := keeps(who, "change units"); err != nil {
		return nil, err
	}
	entered := make([]Unit, len(units))
	for i, u := range units {
		u.ID, u.Version, u.Entered = k.NewID(), 1, k.now()
		entered[i] = u
	}
	if err := checkUnits(entered); err != nil {
		return nil, err
	}
	return entered, k.Do(ctx, who, func(s Store) error {
		for i := range entered {
			if err := addOne(s, who, &entered[i]); err != nil {
				return inUnit(i, err)
			}
		}
		return nil
	})
}

// checkUnits looks at each unit by itself and for tags that stand twice.
func checkUnits(units []Unit) error {
	all := checker{what: "the units"}
	if len(units) == 0 || len(units) > MaxUnits {
		all.bad("units", "are %d; from 1 to %d are entered at once", len(units), MaxUnits)
	}
	seen := map[string]string{}
	for i := range units {
		u := &units[i]
		at := fmt.Sprintf("units/%d/", i)
		if err := u.check(); err != nil {
			for _, f := range fault.Of(err).Fields {
				all.bad(at+f.Path, "%s", f.Text)
			}
		}
		folded := FoldTag(u.Tag)
		if first, twice := seen[folded]; twice {
			all.bad(at+"tag", "is %s, which is the same tag as %s, named before", u.Tag, first)
		}
		seen[folded] = u.Tag
	}
	return all.err()
}

func addOne(s Store, who access.Actor, u *Unit) error {
	if !who.Scope.Sees(u.Client) {
		return fault.New(fault.NotThere, "noun", "client")
	}
	if _, err := s.Model(u.Model); err != nil {
		return err
	}
	if _, err := s.Depot(u.Depot); err != nil {
		return err
	}
	return edit[Unit]{noun: "unit", id: u.ID, client: u.Client, after: u, save: func() error { return s.SaveUnit(*u) }}.apply(s)
}

// inUnit adds to a tag in use which unit of the list it is.
func inUnit(i int, err error) error {
	if fault.Is(err, fault.AlreadyUsed) {
		return fault.Of(err).At(fmt.Sprintf("units/%d/tag", i), "is in use already; choose another")
	}
	return err
}

// UnitOf gives what is written of a unit now.
func (k *Keeper) UnitOf(ctx context.Context, who access.Actor, id ident.ID) (u Unit, err error) {
	err = k.View(ctx, who, func(s Store) (err error) {
		u, err = s.UnitByID(id)
		return err
	})
	return u, err
}

// Tagged gives the units of the tags, in their order. Tags that name no unit the actor sees are faults by their place in the
// list, "tags/3", all of them at once.
func (k *Keeper) Tagged(ctx context.Context, who access.Actor, tags []string) ([]Unit, error) {
	var units []Unit
	err := k.View(ctx, who, func(s Store) error {
		c := checker{what: "the tags"}
		units = make([]Unit, 0, len(tags))
		for i, tag := range tags {
			u, err := s.UnitByTag(tag)
			if fault.Is(err, fault.NotThere) {
				c.bad(fmt.Sprintf("tags/%d", i), "there is no unit %s", tag)
				continue
			}
			if err != nil {
				return err
			}
			units = append(units, u)
		}
		return c.err()
	})
	return units, err
}

// AddPackedKit enters a kit together with the units that are in it from now on, all or nothing.
func (k *Keeper) AddPackedKit(ctx context.Context, who access.Actor, kit Kit, units []ident.ID) (Kit, error) {
	if err := keeps(who, "change kits"); err != nil {
		return Kit{}, err
	}
	if err := kit.check(); err != nil {
		return Kit{}, err
	}
	now := k.now()
	kit.ID, kit.Version = k.NewID(), 1
	return kit, k.Do(ctx, who, func(s Store) error {
		if _, err := s.Depot(kit.Depot); err != nil {
			return err
		}
		if err := (edit[Kit]{noun: "kit", id: kit.ID, after: &kit, save: func() error { return s.SaveKit(kit) }}).apply(s); err != nil || len(units) == 0 {
			return err
		}
		p := packing{s: s, kit: kit.ID, units: units, from: now, now: now}
		return p.apply()
	})
}
