package fleet

import (
	"context"

	"kitd/internal/access"
	"kitd/internal/ident"
)

// Everything gives the dossiers of all units that the actor sees, in the order of their tags.
func (k *Keeper) Everything(ctx context.Context, who access.Actor) ([]Dossier, error) {
	var all []Dossier
	err := k.View(ctx, who, func(s Store) error {
		now := k.now()
		pool, err := s.Pool(Span{now, now.AddDate(0, 0, 1)}, now)
		if err != nil {
			return err
		}
		all = make([]Dossier, 0, pool.Len())
		for _, e := range pool.entries {
			all = append(all, e.d.Behind(who.Scope.Sees))
		}
		return nil
	})
	return all, err
}

// Documents gives the certificates that stand, those that were corrected left out, with the lines of the units that the actor
// sees, in the order of the first unit's tag and the day of calibration.
func (k *Keeper) Documents(ctx context.Context, who access.Actor) ([]Certificate, error) {
	var all []Certificate
	err := k.View(ctx, who, func(s Store) error {
		now := k.now()
		pool, err := s.Pool(Span{now, now.AddDate(0, 0, 1)}, now)
		if err != nil {
			return err
		}
		all = nil
		seen := map[ident.ID]bool{}
		for _, e := range pool.entries {
			for _, l := range e.d.Lines {
				if seen[l.Certificate] || !l.Superseded.IsZero() {
					continue
				}
				seen[l.Certificate] = true
				x, err := s.Certificate(l.Certificate)
				if err != nil {
					return err
				}
				all = append(all, x)
			}
		}
		return nil
	})
	return all, err
}
