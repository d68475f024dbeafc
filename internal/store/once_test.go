package store_test

import (
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// caller makes the actor of one call with an idempotency key.
func caller(account ident.ID, key string, request byte) access.Actor {
	return access.Actor{Account: account, Name: "mira", Role: access.Surveyor, Once: &access.Once{Key: key, Request: [32]byte{request}}}
}

// labour counts one piece of work and records it.
func labour(h *storetest.House, who access.Actor, id ident.ID) error {
	return h.Do(ctx, who, func(tx *store.Tx) error {
		if _, err := tx.Next("work"); err != nil {
			return err
		}
		if err := tx.Record(trail.Change{Noun: "booking", ID: id, Verb: "book"}); err != nil {
			return err
		}
		return tx.Record(trail.Change{Noun: "booking", ID: h.NewID(), Verb: "exchange unit"})
	})
}

func worked(t *testing.T, h *storetest.House) (n int64) {
	t.Helper()
	err := h.View(ctx, who, func(tx *store.Tx) (err error) { n, err = tx.Counter("work"); return err })
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func doneBefore(t *testing.T, err error) *access.Done {
	t.Helper()
	var done *access.Done
	if !fault.Is(err, fault.DoneBefore) || fault.KindOf(err) != fault.Conflict || !errors.As(err, &done) {
		t.Fatalf("got %v, want the fault done-before", err)
	}
	return done
}

// A program ends between the work and its answer: the call that is made again learns what was done and does nothing.
func TestCallWithoutAnswerIsNotDoneAgain(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		mira, booking, r := h.NewID(), h.NewID(), store.Repeats{DB: h.DB}
		if err := labour(h, caller(mira, "k", 1), booking); err != nil {
			t.Fatal(err)
		}
		done := doneBefore(t, labour(h, caller(mira, "k", 1), h.NewID()))
		if done.Status != 0 || done.Noun != "booking" || done.ID != booking {
			t.Errorf("got %+v, want the booking that was made", done)
		}
		_, _, found, err := r.Answered(ctx, caller(mira, "k", 1), "k", [32]byte{1})
		if done := doneBefore(t, err); found || done.ID != booking {
			t.Errorf("asked for the answer: %v, %+v", found, done)
		}
		if err := labour(h, caller(mira, "k", 2), booking); !fault.Is(err, fault.KeyReused) {
			t.Errorf("another request: got %v", err)
		}
		if n := worked(t, h); n != 1 {
			t.Errorf("the work was done %d times", n)
		}
	})
}

func TestAnswerCompletesTheMark(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		mira, r := h.NewID(), store.Repeats{DB: h.DB}
		call := caller(mira, "k", 1)
		if err := labour(h, call, h.NewID()); err != nil {
			t.Fatal(err)
		}
		for _, body := range []string{"first", "second"} { // the second comes too late
			if err := r.Answer(ctx, call, "k", [32]byte{1}, 201, []byte(body)); err != nil {
				t.Fatal(err)
			}
		}
		status, body, found, err := r.Answered(ctx, call, "k", [32]byte{1})
		if err != nil || !found || status != 201 || string(body) != "first" {
			t.Errorf("got %d %q %v, %v", status, body, found, err)
		}
		if done := doneBefore(t, labour(h, caller(mira, "k", 1), h.NewID())); done.Status != 201 || string(done.Body) != "first" {
			t.Errorf("got %+v, want the kept answer", done)
		}
		h.Clock.Add(store.AnswerLife)
		if err := labour(h, caller(mira, "k", 2), h.NewID()); err != nil {
			t.Errorf("after its time: %v", err)
		}
		if n := worked(t, h); n != 2 {
			t.Errorf("the work was done %d times, want 2", n)
		}
	})
}

// Work that is undone, or that changes nothing, leaves no mark; the works of one call follow each other.
func TestOnlyChangesLeaveAMark(t *testing.T) {
	boom := errors.New("boom")
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		mira := h.NewID()
		err := h.Do(ctx, caller(mira, "k", 1), func(tx *store.Tx) error {
			return errors.Join(tx.Record(trail.Change{Noun: "unit", ID: mira, Verb: "add"}), boom)
		})
		if !errors.Is(err, boom) || count(t, h, "answer") != 0 {
			t.Errorf("undone work: %v, %d marks", err, count(t, h, "answer"))
		}
		call := caller(mira, "k", 1)
		if err := h.Do(ctx, call, func(*store.Tx) error { return nil }); err != nil || count(t, h, "answer") != 0 {
			t.Errorf("idle work: %v, %d marks", err, count(t, h, "answer"))
		}
		for range 2 {
			if err := labour(h, call, mira); err != nil {
				t.Fatal(err)
			}
		}
		doneBefore(t, labour(h, caller(mira, "k", 1), mira))
		if err := labour(h, caller(h.NewID(), "k", 1), mira); err != nil {
			t.Errorf("the key of somebody else: %v", err)
		}
	})
}

func TestCallsAtOnceAreDoneOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		mira := h.NewID()
		var wait sync.WaitGroup
		var passed atomic.Int64
		for range 8 {
			wait.Go(func() {
				switch err := labour(h, caller(mira, "k", 1), mira); {
				case err == nil:
					passed.Add(1)
				case !fault.Is(err, fault.DoneBefore):
					t.Error(err)
				}
			})
		}
		wait.Wait()
		if passed.Load() != 1 || worked(t, h) != 1 {
			t.Errorf("%d calls passed, %d pieces of work were done", passed.Load(), worked(t, h))
		}
		h.Clock.Add(store.AnswerLife + time.Millisecond)
		if n, err := h.SweepAnswers(ctx); n != 1 || err != nil {
			t.Errorf("swept %d, %v", n, err)
		}
	})
}
