package store_test

import (
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func queued(h *storetest.House, n int) []notify.Message {
	now := h.Clock.Now()
	all := make([]notify.Message, n)
	for i := range all {
		id := h.NewID()
		all[i] = notify.Message{ID: id, MessageID: id.String() + "@example.org", To: "ida@example.org", ToName: "<script>Ída", Subject: "=cmd()",
			Body: "مرحبا 🔊\n", Created: now, NotBefore: now, State: notify.Queued}
	}
	return all
}

func TestOutboxClaimsEachMessageOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		who := access.System("post", access.ViaJob)
		do(t, h, who, func(tx *store.Tx) error { return tx.Queue(queued(h, 5)) })
		now := h.Clock.Now()
		claim := func(at time.Time, limit int) (got []notify.Message) {
			do(t, h, who, func(tx *store.Tx) (err error) { got, err = tx.Claim(at, at.Add(-10*time.Minute), limit); return err })
			return got
		}
		first, second := claim(now, 3), claim(now, 3)
		if len(first) != 3 || len(second) != 2 || len(claim(now, 3)) != 0 {
			t.Fatalf("claimed %d and %d of five", len(first), len(second))
		}
		if m := first[0]; m.Attempts != 1 || m.State != notify.Sending || m.ToName != "<script>Ída" || m.Body != "مرحبا 🔊\n" || m.Subject != "=cmd()" {
			t.Errorf("claimed %+v", m)
		}
		// The process dies with all five in hand: after the claim ran out they come back, their first outcome unknown.
		again := claim(now.Add(10*time.Minute), 9)
		if len(again) != 5 || again[0].Attempts != 2 || again[0].Unknown != 1 {
			t.Fatalf("after the claim ran out: %d messages, first %+v", len(again), again)
		}
		late := first[0]
		late.State = notify.Dead
		do(t, h, who, func(tx *store.Tx) error { return tx.Settle(late) })
		done := again[0]
		done.State, done.Settled = notify.Sent, now
		do(t, h, who, func(tx *store.Tx) error { return tx.Settle(done) })
		see(t, h, who, func(tx *store.Tx) error {
			all, err := tx.Outbox(10)
			sent := 0
			for _, m := range all {
				if m.State == notify.Dead {
					t.Error("an attempt that had lost its claim settled the message")
				}
				if m.State == notify.Sent {
					sent++
				}
			}
			if sent != 1 {
				t.Errorf("%d messages are sent, want 1", sent)
			}
			return err
		})
	})
}

func TestAnOccasionIsAnnouncedOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		who := access.System("reminders", access.ViaJob)
		o := notify.Occasion{Unit: h.NewID(), Due: civil.Date{Year: 2026, Month: 4, Day: 10}, Step: -7}
		m := queued(h, 1)
		do(t, h, who, func(tx *store.Tx) error {
			if err := tx.Queue(m); err != nil {
				return err
			}
			return tx.AddOccasions([]notify.Occasion{o}, []ident.ID{m[0].ID})
		})
		err := h.DB.Do(t.Context(), who, func(tx *store.Tx) error {
			if err := tx.Queue(queued(h, 1)); err != nil {
				return err
			}
			return tx.AddOccasions([]notify.Occasion{o}, nil)
		})
		if fault.KindOf(err) != fault.Conflict {
			t.Errorf("a second announcement: %v, want a conflict", err)
		}
		see(t, h, who, func(tx *store.Tx) error {
			told, err := tx.Told([]ident.ID{o.Unit, h.NewID()})
			if len(told) != 1 || !told[o] {
				t.Errorf("told %v", told)
			}
			all, err2 := tx.Outbox(10)
			if len(all) != 1 {
				t.Errorf("%d messages in the outbox: the refused transaction left something", len(all))
			}
			if err == nil {
				err = err2
			}
			return err
		})
	})
}

func TestDeadLettersAreQueuedAgain(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		who := access.System("post", access.ViaJob)
		m := queued(h, 2)
		m[0].State, m[0].Settled, m[0].Attempts, m[0].LastError = notify.Dead, h.Clock.Now(), 3, "no route"
		do(t, h, who, func(tx *store.Tx) error { return tx.Queue(m) })
		at := h.Clock.Now().Add(time.Hour)
		do(t, h, who, func(tx *store.Tx) error { return tx.Requeue(m[0].ID, at) })
		for _, id := range []ident.ID{m[0].ID, m[1].ID, h.NewID()} {
			if err := h.Do(t.Context(), who, func(tx *store.Tx) error { return tx.Requeue(id, at) }); !fault.Is(err, fault.Changed) {
				t.Errorf("one that is not dead: %v", err)
			}
		}
		for _, narrow := range []access.Actor{{Name: "n"}, {Name: "n", Scope: access.Scope{Clients: []ident.ID{h.NewID()}}}} {
			see(t, h, narrow, func(tx *store.Tx) error {
				all, err := tx.Outbox(10)
				if len(all) != 2 {
					t.Errorf("%d messages that speak of no client's unit, want both", len(all))
				}
				return err
			})
		}
		see(t, h, who, func(tx *store.Tx) error {
			got, err := tx.MessageOf(m[0].ID)
			if got.State != notify.Queued || !got.Again.Equal(at) || !got.NotBefore.Equal(at) || !got.Settled.IsZero() || got.MessageID != m[0].MessageID || got.Attempts != 3 {
				t.Errorf("queued again: %+v", got)
			}
			return err
		})
	})
}

func do(t *testing.T, h *storetest.House, who access.Actor, fn func(*store.Tx) error) {
	t.Helper()
	if err := h.DB.Do(t.Context(), who, fn); err != nil {
		t.Fatal(err)
	}
}

func see(t *testing.T, h *storetest.House, who access.Actor, fn func(*store.Tx) error) {
	t.Helper()
	if err := h.DB.View(t.Context(), who, fn); err != nil {
		t.Fatal(err)
	}
}
