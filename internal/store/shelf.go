package store

import (
	"maps"
	"sync"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// poolCache is the pool as last read, with the epoch of every unit it was read at. It is never the authority: each question
// compares the epochs in its own transaction first and reads again what differs.
type poolCache struct {
	mu   sync.Mutex
	kept poolCopy
}

// poolCopy is a pool and what it was made from; it never changes.
type poolCopy struct {
	pool   *fleet.Pool
	epochs map[ident.ID]int64
	sum    int64
	since  time.Time              // holds the promises that end later
	next   map[ident.ID]time.Time // units whose kit changes by itself then
}

// poolBack is how far back the kept pool knows promises; questions about older days, or as known earlier, read for themselves.
const poolBack = 60 * 24 * time.Hour

// Pool implements fleet.Store.
func (tx *Tx) Pool(span fleet.Span, at time.Time) (*fleet.Pool, error) {
	if at.IsZero() {
		at = tx.now()
	}
	if at.Before(tx.now()) || span.From.Before(tx.now().Add(-poolBack)) {
		l := dossierLoad{tx: tx, known: at}
		if err := l.run(); err != nil {
			return nil, err
		}
		return fleet.NewPool(l.all, at).View(tx.who.Scope.Sees), nil
	}
	c := &tx.db.pool
	c.mu.Lock()
	kept := c.kept
	c.mu.Unlock()
	fresh, err := tx.refresh(kept)
	if err != nil {
		return nil, err
	}
	if !tx.write {
		c.mu.Lock()
		if fresh.sum >= c.kept.sum {
			c.kept = fresh
		}
		c.mu.Unlock()
	}
	return fresh.pool.View(tx.who.Scope.Sees), nil
}

// refresh gives the copy as of this transaction: itself where no epoch differs.
func (tx *Tx) refresh(kept poolCopy) (poolCopy, error) {
	var sum int64
	var count int
	if _, err := tx.row("SELECT CAST(COALESCE(SUM(epoch), 0) AS BIGINT), COUNT(*) FROM unit_epoch", nil, &sum, &count); err != nil {
		return kept, err
	}
	overdue := kept.pool == nil || tx.now().Add(-poolBack).Before(kept.since)
	for _, t := range kept.next {
		overdue = overdue || !t.After(tx.now())
	}
	if !overdue && sum == kept.sum && count == len(kept.epochs) {
		return kept, nil
	}
	epochs := make(map[ident.ID]int64, count)
	err := tx.each("SELECT unit_id, epoch FROM unit_epoch", nil, func(s scanner) error {
		var id key
		var n int64
		err := s(&id, &n)
		epochs[ident.ID(id)] = n
		return err
	})
	if err != nil {
		return kept, err
	}
	if kept.pool == nil || kept.since.After(tx.now().Add(-poolBack)) {
		return tx.readPool(epochs, sum)
	}
	return tx.readChanges(kept, epochs, sum)
}

func (tx *Tx) readPool(epochs map[ident.ID]int64, sum int64) (poolCopy, error) {
	// A day more than is asked for, so that the copy serves for a day.
	l := dossierLoad{tx: tx, since: tx.now().Add(-poolBack - 24*time.Hour)}
	if err := l.run(); err != nil {
		return poolCopy{}, err
	}
	return poolCopy{pool: fleet.NewPool(l.all, tx.now()), epochs: epochs, sum: sum, since: l.since, next: l.next}, nil
}

// readChanges reads the units whose epoch differs, those whose kit changed by the passing of time, and those that stood on a
// charger of which something new is known.
func (tx *Tx) readChanges(kept poolCopy, epochs map[ident.ID]int64, sum int64) (poolCopy, error) {
	var changed []ident.ID
	for id, n := range epochs {
		if kept.epochs[id] != n {
			changed = append(changed, id)
			changed = append(changed, kept.pool.OnCharger(id)...)
		}
	}
	for id, t := range kept.next {
		if !t.After(tx.now()) {
			changed = append(changed, id)
		}
	}
	var gone []ident.ID
	for id := range kept.epochs {
		if _, ok := epochs[id]; !ok {
			gone = append(gone, id) // written by a transaction this one does not see
		}
	}
	l := dossierLoad{tx: tx, ids: sortedIDs(changed), since: kept.since}
	if err := l.run(); err != nil {
		return kept, err
	}
	next := maps.Clone(kept.next)
	for _, id := range l.ids {
		delete(next, id)
	}
	maps.Copy(next, l.next)
	return poolCopy{pool: kept.pool.With(l.all, gone, tx.now()), epochs: epochs, sum: sum, since: kept.since, next: next}, nil
}
