package store

import (
	"bytes"
	"context"
	"math/rand/v2"
	"runtime"
	"strconv"
	"time"

	"gorm.io/gorm"

	"kitd/internal/access"
	"kitd/internal/fault"
)

// insideKey marks the context that a transaction hands on.
type insideKey struct{}

// Do runs fn in one writing transaction and commits what it wrote, changes in the audit trail included. fn's error or panic
// undoes everything. The work goes on when the caller's request is cancelled, within its own deadline. Where the database asks
// for it (deadlock, serialization) fn runs again from the start: it must only keep what its last run returned. Do and View
// inside fn are refused, they would wait for fn itself. Where who.Once names a call that was done before, fn does not run and
// the fault is "done before". Errors are faults.
func (db *DB) Do(ctx context.Context, who access.Actor, fn func(*Tx) error) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), db.WriteTimeout)
	defer cancel()
	for attempt := 1; ; attempt++ {
		err := db.once(ctx, who, true, fn)
		if err == nil || !repeatable(err) || !pause(ctx, attempt) {
			return translate(err)
		}
	}
}

// View runs fn in a reading transaction that sees one unchanging state; writing in it is refused.
func (db *DB) View(ctx context.Context, who access.Actor, fn func(*Tx) error) error {
	ctx, cancel := context.WithTimeout(ctx, db.ReadTimeout)
	defer cancel()
	return db.look(ctx, who, fn)
}

// look is View bound by the caller's context alone, for checks that read everything.
func (db *DB) look(ctx context.Context, who access.Actor, fn func(*Tx) error) error {
	return translate(db.once(ctx, who, false, fn))
}

// pause waits a little longer after each attempt, unevenly so that two that met do not meet again.
func pause(ctx context.Context, attempt int) bool {
	longest := time.Duration(min(attempt, 20)) * 5 * time.Millisecond
	timer := time.NewTimer(rand.N(longest))
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

func (db *DB) once(ctx context.Context, who access.Actor, write bool, fn func(*Tx) error) (err error) {
	leave, err := db.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	s, err := db.dialect.begin(ctx, write)
	if err != nil {
		return err
	}
	tx := db.newTx(context.WithValue(ctx, insideKey{}, true), who, write, s)
	committing := false
	defer func() {
		tx.over = true
		if !committing { // fn failed or panicked
			s.rollback()
		}
	}()
	if err = tx.onceOnly(); err == nil {
		err = fn(tx)
	}
	if err == nil {
		err = tx.broken
	}
	if err == nil {
		err = tx.markOnce()
	}
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return err
	}
	committing = true
	if err = s.commit(); err == nil && tx.first != nil && who.Once != nil {
		who.Once.Begin()
	}
	return err
}

func (db *DB) newTx(ctx context.Context, who access.Actor, write bool, s *session) *Tx {
	q := db.dialect.gorm().Session(&gorm.Session{NewDB: true, Context: ctx})
	q.Statement.ConnPool = s.pool
	return &Tx{q: q, ctx: ctx, who: who, dialect: db.dialect.name(), db: db, s: s, write: write, at: db.Now().UTC().Truncate(time.Millisecond)}
}

// enter refuses work inside work: by the mark in the context, and by the goroutine where the outer context was used again.
func (db *DB) enter(ctx context.Context) (leave func(), err error) {
	if ctx.Value(insideKey{}) != nil {
		return nil, fault.New(fault.NestedWork)
	}
	me := goroutine()
	if _, inside := db.inside.LoadOrStore(me, true); inside {
		return nil, fault.New(fault.NestedWork)
	}
	return func() { db.inside.Delete(me) }, nil
}

// goroutine reads the number of the running goroutine from the head of its stack: "goroutine 12 [running]:".
func goroutine() uint64 {
	var buf [64]byte
	head := buf[:runtime.Stack(buf[:], false)]
	number, _, _ := bytes.Cut(bytes.TrimPrefix(head, []byte("goroutine ")), []byte(" "))
	n, err := strconv.ParseUint(string(number), 10, 64)
	if err != nil {
		panic("store: the stack does not begin with the goroutine's number: " + string(head))
	}
	return n
}
