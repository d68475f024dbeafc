package store_test

import (
	"sync"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func TestRepeatsKeepOneAnswerForEachActorAndKey(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := store.Repeats{DB: h.DB}
		mira := access.Actor{Account: h.NewID(), Name: "mira", Role: access.Surveyor}
		otto := access.Actor{Account: h.NewID(), Name: "otto", Role: access.Surveyor}
		one, two := [32]byte{1}, [32]byte{2}
		if _, _, found, err := r.Answered(ctx, mira, "k", one); found || err != nil {
			t.Fatalf("got %v, %v before any call", found, err)
		}
		for _, body := range []string{"first", "second"} { // the second comes too late
			if err := r.Answer(ctx, mira, "k", one, 201, []byte(body)); err != nil {
				t.Fatal(err)
			}
		}
		status, body, found, err := r.Answered(ctx, mira, "k", one)
		if err != nil || !found || status != 201 || string(body) != "first" {
			t.Errorf("got %d %q %v, %v", status, body, found, err)
		}
		if _, _, _, err := r.Answered(ctx, mira, "k", two); !fault.Is(err, fault.KeyReused) {
			t.Errorf("another request with the key: got %v", err)
		}
		if _, _, found, err := r.Answered(ctx, otto, "k", two); found || err != nil {
			t.Errorf("the key of somebody else: got %v, %v", found, err)
		}
		h.Clock.Add(store.AnswerLife)
		if _, _, found, err := r.Answered(ctx, mira, "k", two); found || err != nil {
			t.Errorf("after its time: got %v, %v", found, err)
		}
	})
}

func TestRepeatsAtOnceKeepOne(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := store.Repeats{DB: h.DB}
		who := access.Actor{Account: h.NewID(), Name: "mira", Role: access.Surveyor}
		var wait sync.WaitGroup
		errs := make([]error, 8)
		for i := range errs {
			wait.Go(func() { errs[i] = r.Answer(ctx, who, "k", [32]byte{1}, 201, []byte{byte('a' + i)}) })
		}
		wait.Wait()
		for _, err := range errs {
			if err != nil {
				t.Error(err)
			}
		}
		if n := count(t, h, "answer"); n != 1 {
			t.Errorf("%d answers are kept, want 1", n)
		}
	})
}
