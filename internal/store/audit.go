package store

import (
	"encoding/json"
	"time"

	"kitd/internal/fault"
	"kitd/internal/trail"
)

const auditColumns = `id, seq, account_id, job, role, via, request, noun, noun_id, verb, client_id, occurred, entered,
	before_state, after_state, private, salt, private_hash, hash`

// Record writes a change into the audit trail of this transaction. A state that cannot be encoded as JSON fails the
// transaction, whether or not the caller looks at the error.
func (tx *Tx) Record(c trail.Change) error {
	err := tx.record(c)
	if err != nil && tx.broken == nil {
		tx.broken = err
	}
	if tx.first == nil {
		tx.first = &c
	}
	return err
}

func (tx *Tx) record(c trail.Change) error {
	before, err := stateText(c.Before)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	after, err := stateText(c.After)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	private, salt, hash, err := tx.seclude(c.Private)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	job := ""
	if tx.who.Account.IsZero() {
		job = tx.who.Name
	}
	_, err = tx.exec(`INSERT INTO audit (id, account_id, job, role, via, request, noun, noun_id, verb, client_id, occurred, entered,
		before_state, after_state, private, salt, private_hash) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		tx.newID(), tx.who.Account, job, tx.who.Role, tx.who.Via, tx.who.Request, c.Noun, c.ID, c.Verb, c.Client,
		orNow(c.Occurred, tx.at), tx.at, before, after, private, salt, hash)
	return err
}

func orNow(t, now time.Time) time.Time {
	if t.IsZero() {
		return now
	}
	return t
}

// stateText gives the JSON of a state, nil for an absent one.
func stateText(v any) (any, error) {
	if v == nil {
		return nil, nil
	}
	b, err := json.Marshal(v)
	return string(b), err
}

// seclude prepares a private payload: its text, a fresh salt and the hash of both. All are nil without a payload.
func (tx *Tx) seclude(v any) (payload, salt, hash any, err error) {
	if v == nil {
		return nil, nil, nil, nil
	}
	b, err := json.Marshal(v)
	if err != nil {
		return nil, nil, nil, err
	}
	s := make([]byte, 16)
	if err := tx.random(s); err != nil {
		return nil, nil, nil, err
	}
	h := trail.PrivateHash(s, b)
	return string(b), s, h[:], nil
}
