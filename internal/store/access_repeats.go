package store

import (
	"context"

	"kitd/internal/access"
)

// Repeats keeps the answers to calls that carried an idempotency key, in transactions of their own: the calls it serves must
// be safe to repeat by themselves when kitd ends between doing the work and keeping the answer.
type Repeats struct{ *DB }

// Answered looks for the answer to an earlier call of this actor with the key. The same key with another request is
// fault.KeyReused.
func (r Repeats) Answered(ctx context.Context, who access.Actor, key string, request [32]byte) (status int, body []byte, found bool, err error) {
	err = r.View(ctx, who, func(tx *Tx) error {
		status, body, found, err = tx.Answered(key, request)
		return err
	})
	return status, body, found, err
}

// Answer keeps an answer. Where a call at the same moment kept one first, that one stays.
func (r Repeats) Answer(ctx context.Context, who access.Actor, key string, request [32]byte, status int, body []byte) error {
	return r.Do(ctx, who, func(tx *Tx) error {
		if _, _, found, err := tx.Answered(key, request); err != nil || found {
			return err
		}
		return tx.Answer(key, request, status, body)
	})
}
