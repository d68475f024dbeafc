package fleet

import (
	"context"
	"time"

	"kitd/internal/access"
)

// AllUnits gives every unit the actor sees as known now, with the promises that overlap the span, for answers that need the pool
// as a whole.
func (k *Keeper) AllUnits(ctx context.Context, who access.Actor, span Span) (*Pool, error) {
	if _, _, err := k.ask(ShelfQuery{Span: span}); err != nil {
		return nil, err
	}
	return look(ctx, k, who, func(s Store) (*Pool, error) { return s.Pool(span, time.Time{}) })
}

// Standing gives the facts that count at the moment, ordered by when they happened: entered by then and not taken back.
func (d Dossier) Standing(at time.Time) []Fact {
	facts, _ := known(d.Facts, at.UnixMilli())
	return facts
}
