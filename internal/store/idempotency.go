package store

import (
	"context"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// AnswerLife is how long the answer to a call with an idempotency key is kept.
const AnswerLife = 48 * time.Hour

// keptAnswer is what is known of an earlier call: its answer, or with status zero only what its work changed first.
type keptAnswer struct {
	status int
	body   []byte
	noun   string
	id     key
}

// fault tells a caller that the work was done before.
func (k keptAnswer) fault() error {
	return fault.New(fault.DoneBefore, "noun", k.noun, "id", ident.ID(k.id)).Because(&access.Done{Status: k.status, Body: k.body, Noun: k.noun, ID: ident.ID(k.id)})
}

// answered looks for what is known of this actor's earlier call with the key. The same key with another request is the fault
// "key reused". In a writing transaction it also makes a second call with the key wait for the first.
func (tx *Tx) answered(key string, request [32]byte) (k keptAnswer, found bool, err error) {
	if tx.write {
		if err := tx.lock("answer " + tx.actorKey() + " " + key); err != nil {
			return k, false, err
		}
	}
	var hash []byte
	found, err = tx.row("SELECT request_hash, status, body, noun, noun_id FROM answer WHERE actor = ? AND key = ? AND expires > ?",
		[]any{tx.actorKey(), key, tx.at}, &hash, &k.status, &k.body, &k.noun, &k.id)
	if err == nil && found && string(hash) != string(request[:]) {
		err = fault.New(fault.KeyReused, "key", key)
	}
	if err != nil {
		return keptAnswer{}, false, err
	}
	return k, found, nil
}

// Answered looks for the answer that this actor's call with the key got before. The same key with another request is the
// fault "key reused"; a call whose work was done but whose answer was never kept is the fault "done before". In a writing
// transaction it also makes a second call with the key wait for the first.
func (tx *Tx) Answered(key string, request [32]byte) (status int, body []byte, found bool, err error) {
	k, found, err := tx.answered(key, request)
	if err == nil && found && k.status == 0 {
		return 0, nil, false, k.fault()
	}
	return k.status, k.body, found, err
}

// Answer keeps the answer to a call, in the transaction that did its work or later; an answer that is kept already stays.
func (tx *Tx) Answer(key string, request [32]byte, status int, body []byte) error {
	return tx.keepAnswer(key, request, keptAnswer{status: status, body: body})
}

func (tx *Tx) keepAnswer(key string, request [32]byte, k keptAnswer) error {
	if _, err := tx.exec("DELETE FROM answer WHERE actor = ? AND key = ? AND expires <= ?", tx.actorKey(), key, tx.at); err != nil {
		return err
	}
	if k.body == nil {
		k.body = []byte{}
	}
	_, err := tx.exec(`INSERT INTO answer (actor, key, request_hash, status, body, noun, noun_id, expires) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (actor, key) DO UPDATE SET status = excluded.status, body = excluded.body WHERE answer.status = 0`,
		tx.actorKey(), key, request[:], k.status, k.body, k.noun, k.id, tx.at.Add(AnswerLife))
	return err
}

// onceOnly refuses the work of a call that an earlier call with the same key did already.
func (tx *Tx) onceOnly() error {
	once := tx.who.Once
	if once == nil || !tx.write || once.Begun() {
		return nil
	}
	k, found, err := tx.answered(once.Key, once.Request)
	if err == nil && found {
		err = k.fault()
	}
	return err
}

// markOnce leaves the mark of a call in the transaction of its first work that recorded a change, so that the two are stored
// together or not at all.
func (tx *Tx) markOnce() error {
	once := tx.who.Once
	if once == nil || once.Begun() || tx.first == nil {
		return nil
	}
	return tx.keepAnswer(once.Key, once.Request, keptAnswer{noun: tx.first.Noun, id: key(tx.first.ID)})
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
