package store

import (
	"context"

	"kitd/internal/access"
)

// Repeats keeps the answers to calls that carried an idempotency key. The work of such a call carries access.Once, whose mark is
// stored with it; the answer follows in a transaction of its own.
type Repeats struct{ *DB }

// Answered looks for the answer to an earlier call of this actor with the key. The same key with another request is
// fault.KeyReused; a call that was done and whose answer was never kept is fault.DoneBefore, with an *access.Done as its cause.
func (r Repeats) Answered(ctx context.Context, who access.Actor, key string, request [32]byte) (status int, body []byte, found bool, err error) {
	err = r.View(ctx, who, func(tx *Tx) error {
		status, body, found, err = tx.Answered(key, request)
		return err
	})
	return status, body, found, err
}

// Answer keeps an answer. Where a call at the same moment kept one first, that one stays.
func (r Repeats) Answer(ctx context.Context, who access.Actor, key string, request [32]byte, status int, body []byte) error {
	who.Once = nil
	return r.Do(ctx, who, func(tx *Tx) error {
		if k, found, err := tx.answered(key, request); err != nil || found && k.status != 0 {
			return err
		}
		return tx.Answer(key, request, status, body)
	})
}
