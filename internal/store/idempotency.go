package store

import (
	"context"
	"time"

	"kitd/internal/fault"
)

// AnswerLife is how long the answer to a call with an idempotency key is kept.
const AnswerLife = 48 * time.Hour

// Answered looks for the answer that this actor's call with the key got before. The same key with another request is the
// fault "key reused". In a writing transaction it also makes a second call with the key wait for the first.
func (tx *Tx) Answered(key string, request [32]byte) (status int, body []byte, found bool, err error) {
	if tx.write {
		if err := tx.lock("answer " + tx.actorKey() + " " + key); err != nil {
			return 0, nil, false, err
		}
	}
	var hash []byte
	found, err = tx.row("SELECT request_hash, status, body FROM answer WHERE actor = ? AND key = ? AND expires > ?",
		[]any{tx.actorKey(), key, tx.at}, &hash, &status, &body)
	if err == nil && found && string(hash) != string(request[:]) {
		err = fault.New(fault.KeyReused, "key", key)
	}
	if err != nil {
		return 0, nil, false, err
	}
	return status, body, found, nil
}

// Answer keeps the answer to a call in the transaction that did its work.
func (tx *Tx) Answer(key string, request [32]byte, status int, body []byte) error {
	if _, err := tx.exec("DELETE FROM answer WHERE actor = ? AND key = ? AND expires <= ?", tx.actorKey(), key, tx.at); err != nil {
		return err
	}
	if body == nil {
		body = []byte{}
	}
	_, err := tx.exec("INSERT INTO answer (actor, key, request_hash, status, body, expires) VALUES (?, ?, ?, ?, ?, ?)",
		tx.actorKey(), key, request[:], status, body, tx.at.Add(AnswerLife))
	return err
}

// actorKey tells actors apart: accounts by identifier, jobs and commands by name.
func (tx *Tx) actorKey() string {
	if tx.who.Account.IsZero() {
		return "job " + tx.who.Name
	}
	return tx.who.Account.String()
}

// SweepAnswers removes answers whose time is over and tells how many.
func (db *DB) SweepAnswers(ctx context.Context) (int64, error) {
	var n int64
	err := db.Do(ctx, house("sweep answers"), func(tx *Tx) (err error) {
		n, err = tx.exec("DELETE FROM answer WHERE expires <= ?", tx.at)
		return err
	})
	return n, err
}
