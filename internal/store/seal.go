package store

import (
	"context"
	"errors"
	"time"

	"kitd/internal/ident"
	"kitd/internal/trail"
)

const (
	sealLease = "audit seal"
	sealTerm  = time.Minute
	sealBatch = 1000
)

// Seal chains the changes that are not sealed yet, in the order of their identifiers, and tells how many. One process seals
// at a time: where another holds the lease nothing is done.
func (db *DB) Seal(ctx context.Context, holder string) (int, error) {
	total := 0
	for {
		n := 0
		err := db.Do(ctx, house("seal"), func(tx *Tx) (err error) {
			n, err = tx.seal(holder)
			return err
		})
		total += n
		if err != nil || n < sealBatch {
			return total, err
		}
	}
}

func (tx *Tx) seal(holder string) (int, error) {
	held, err := tx.lease(sealLease, holder, sealTerm)
	if err != nil || !held {
		return 0, err
	}
	head, err := tx.head()
	if err != nil {
		return 0, err
	}
	entries, err := list(tx, "SELECT "+auditColumns+" FROM audit WHERE seq IS NULL ORDER BY id LIMIT ?", []any{sealBatch}, scanSealed)
	if err != nil || len(entries) == 0 {
		return 0, err
	}
	for _, e := range entries {
		e.Seq = head.Seq + 1
		head = trail.Head{Seq: e.Seq, Hash: trail.Seal(head.Hash, e.Entry)}
		if err := tx.execOne("audit entry", "UPDATE audit SET seq = ?, hash = ? WHERE id = ? AND seq IS NULL", head.Seq, head.Hash[:], e.ID); err != nil {
			return 0, err
		}
	}
	return len(entries), tx.execOne("audit head", "UPDATE meta SET value = ? WHERE name = 'audit_head'", head.String())
}

func (tx *Tx) head() (trail.Head, error) {
	var stored string
	if _, err := tx.row("SELECT value FROM meta WHERE name = 'audit_head'", nil, &stored); err != nil {
		return trail.Head{}, err
	}
	return trail.ParseHead(stored)
}

// scanSealed reads the columns of auditColumns.
func scanSealed(s scanner, e *trail.Sealed) error {
	var seq *int64
	var hash []byte
	var occurred, entered int64
	err := s((*key)(&e.ID), &seq, (*key)(&e.Account), &e.Job, &e.Role, &e.Via, &e.Request, &e.Noun, (*key)(&e.NounID), &e.Verb,
		(*key)(&e.Client), &occurred, &entered, &e.Before, &e.After, &e.Private, &e.Salt, &e.PrivateHash, &hash)
	if seq != nil {
		e.Seq = *seq
	}
	e.Occurred, e.Entered = occurred, entered
	copy(e.Hash[:], hash)
	return err
}

// VerifyTrail checks the whole sealed chain and gives its end. A chain that does not hold is an error that is a *trail.Break
// and names the first entry concerned.
func (db *DB) VerifyTrail(ctx context.Context) (trail.Head, error) {
	var head trail.Head
	var last int64
	err := db.View(ctx, house("verify"), func(tx *Tx) (err error) {
		if head, err = tx.head(); err != nil {
			return &trail.Break{What: err.Error()}
		}
		_, err = tx.row("SELECT COALESCE(MAX(seq), 0) FROM audit", nil, &last)
		return err
	})
	if err != nil {
		return head, breakOf(err)
	}
	var v trail.Verifier
	for from := int64(0); from < last; from += sealBatch {
		if err := db.verifyPart(ctx, &v, from, min(from+sealBatch, last)); err != nil {
			return head, breakOf(err)
		}
	}
	return head, v.End(head)
}

// verifyPart checks the entries after from up to and including to; parts keep each view short.
func (db *DB) verifyPart(ctx context.Context, v *trail.Verifier, from, to int64) error {
	return db.View(ctx, house("verify"), func(tx *Tx) error {
		return tx.each("SELECT "+auditColumns+" FROM audit WHERE seq > ? AND seq <= ? ORDER BY seq", []any{from, to}, func(s scanner) error {
			var e trail.Sealed
			if err := scanSealed(s, &e); err != nil {
				return err
			}
			return v.Next(e)
		})
	})
}

// breakOf takes a *trail.Break out of the fault that wraps it.
func breakOf(err error) error {
	var b *trail.Break
	if errors.As(err, &b) {
		return b
	}
	return err
}

// EraseTrail removes the private payloads of everything that was recorded of a noun, and tells how many. The chain stays
// valid; what is left of a payload is a salted hash whose salt is gone too.
func (tx *Tx) EraseTrail(noun ident.ID) (int64, error) {
	return tx.exec("UPDATE audit SET private = NULL, salt = NULL WHERE noun_id = ? AND private IS NOT NULL", noun)
}

// Trail lists what was recorded of a noun, the newest first, as far as the actor may see it.
func (tx *Tx) Trail(noun ident.ID, limit int) ([]trail.Sealed, error) {
	condition, args := tx.scope("client_id")
	args = append(append([]any{noun}, args...), limit)
	return list(tx, "SELECT "+auditColumns+" FROM audit WHERE noun_id = ? AND "+condition+" ORDER BY entered DESC, id DESC LIMIT ?", args, scanSealed)
}
