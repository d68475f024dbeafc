package store_test

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func TestCountersNeitherSkipNorRepeat(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		const writers, each = 8, 25
		var mu sync.Mutex
		var got []int64
		var group sync.WaitGroup
		undo := errors.New("undo")
		for range writers {
			group.Go(func() {
				for i := range each {
					var n int64
					err := h.Do(ctx, who, func(tx *store.Tx) (err error) {
						if n, err = tx.Next("calendar"); err == nil && i%5 == 0 {
							err = undo
						}
						return err
					})
					if errors.Is(err, undo) {
						continue
					}
					if err != nil {
						t.Error(err)
					}
					mu.Lock()
					got = append(got, n)
					mu.Unlock()
				}
			})
		}
		group.Wait()
		slices.Sort(got)
		for i, n := range got {
			if n != int64(i+1) {
				t.Fatalf("value %d stands in place %d of %v", n, i+1, got)
			}
		}
		err := h.View(ctx, who, func(tx *store.Tx) error {
			last, err := tx.Counter("calendar")
			none, err2 := tx.Counter("other")
			if last != int64(len(got)) || none != 0 {
				t.Errorf("counters read %d and %d, want %d and 0", last, none, len(got))
			}
			return errors.Join(err, err2)
		})
		if err != nil {
			t.Error(err)
		}
	})
}

func TestCounterIsNotMovedInAView(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		err := h.View(ctx, who, func(tx *store.Tx) error { _, err := tx.Next("calendar"); return err })
		if !fault.Is(err, fault.ReadOnlyWork) {
			t.Errorf("got %v", err)
		}
	})
}

// call does some work once for a key and gives the answer, as an interface that repeats calls would.
func call(h *storetest.House, who access.Actor, key string, request byte) (status int, body string, err error) {
	err = h.Do(ctx, who, func(tx *store.Tx) error {
		s, b, found, err := tx.Answered(key, [32]byte{request})
		if err != nil || found {
			status, body = s, string(b)
			return err
		}
		n, err := tx.Next("work")
		if err != nil {
			return err
		}
		status, body = 201, fmt.Sprint(n)
		return tx.Answer(key, [32]byte{request}, status, []byte(body))
	})
	return status, body, err
}

func TestIdempotencyKeys(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		mira := access.Actor{Account: h.NewID(), Name: "mira"}
		jon := access.Actor{Account: h.NewID(), Name: "jon"}
		want := func(who access.Actor, key string, request byte, body string) {
			t.Helper()
			if s, b, err := call(h, who, key, request); s != 201 || b != body || err != nil {
				t.Errorf("got %d %q %v, want %q", s, b, err, body)
			}
		}
		want(mira, "k", 1, "1")
		want(mira, "k", 1, "1")
		want(jon, "k", 1, "2")
		want(mira, "other", 2, "3")
		if _, _, err := call(h, mira, "k", 2); !fault.Is(err, fault.KeyReused) || fault.KindOf(err) != fault.Conflict {
			t.Errorf("another request under the same key: %v", err)
		}
		h.Clock.Add(store.AnswerLife - time.Millisecond)
		want(mira, "k", 1, "1")
		h.Clock.Add(time.Millisecond)
		want(mira, "k", 2, "4") // the old answer's time is over
		if n, err := h.SweepAnswers(ctx); n != 2 || err != nil {
			t.Errorf("swept %d, %v; want 2", n, err)
		}
		want(mira, "k", 2, "4")
	})
}

func TestRepeatedCallsAtOnceWorkOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		var group sync.WaitGroup
		for range 12 {
			group.Go(func() {
				if s, b, err := call(h, access.Actor{Account: ident.ID{1}}, "k", 1); s != 201 || b != "1" || err != nil {
					t.Errorf("got %d %q %v", s, b, err)
				}
			})
		}
		group.Wait()
	})
}

// A check that no constraint repeats holds on both databases when it takes a lock first.
func TestLockMakesCheckAndWriteOne(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		var group sync.WaitGroup
		for i := range 12 {
			group.Go(func() {
				err := h.Do(ctx, who, func(tx *store.Tx) error {
					if err := tx.Lock("only one"); err != nil {
						return err
					}
					n := 0
					if _, err := tx.Row("SELECT COUNT(*) FROM counter", nil, &n); err != nil || n > 0 {
						return err
					}
					return put(tx, fmt.Sprint(i))
				})
				if err != nil {
					t.Error(err)
				}
			})
		}
		group.Wait()
		if n := count(t, h, "counter"); n != 1 {
			t.Errorf("%d rows, want 1", n)
		}
	})
}
