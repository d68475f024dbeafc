package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// record writes n changes of one noun, each with a private payload.
func record(t *testing.T, h *storetest.House, noun ident.ID, n int) {
	t.Helper()
	for i := range n {
		h.Clock.Add(time.Second)
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			return tx.Record(trail.Change{Noun: "unit", ID: noun, Verb: "enter", After: map[string]int{"n": i}, Private: fmt.Sprintf("person %d", i)})
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func seal(t *testing.T, h *storetest.House, want int) {
	t.Helper()
	if n, err := h.Seal(ctx, "one"); n != want || err != nil {
		t.Fatalf("sealed %d, %v; want %d", n, err, want)
	}
}

func broken(t *testing.T, h *storetest.House) *trail.Break {
	t.Helper()
	_, err := h.VerifyTrail(ctx)
	var b *trail.Break
	if err != nil && !errors.As(err, &b) {
		t.Fatal(err)
	}
	return b
}

// behind runs statements past the store, as somebody with the database's password would.
func behind(t *testing.T, h *storetest.House, statements ...string) {
	t.Helper()
	raw := h.SQL(t)
	for _, s := range statements {
		if _, err := raw.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

func unguard(t *testing.T, h *storetest.House) {
	t.Helper()
	tail := ""
	if h.Dialect() == "postgres" {
		tail = " ON audit"
	}
	behind(t, h, "DROP TRIGGER audit_frozen"+tail, "DROP TRIGGER audit_kept"+tail)
}

func TestTrailKeepsWhatItWasTold(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		account, noun, client := h.NewID(), h.NewID(), h.NewID()
		actor := access.Actor{Account: account, Name: "mira", Role: access.Surveyor, Scope: access.Scope{All: true}, Via: access.ViaPage, Request: "r-1"}
		occurred := h.Clock.Now().Add(-time.Hour)
		err := h.Do(ctx, actor, func(tx *store.Tx) error {
			return tx.Record(trail.Change{Noun: "booking", ID: noun, Verb: "move", Client: client, Occurred: occurred,
				Before: map[string]int{"n": 1}, After: map[string]int{"n": 2}, Private: "call <Jo>"})
		})
		if err != nil {
			t.Fatal(err)
		}
		var got []trail.Sealed
		read := func(scope access.Scope) {
			err := h.View(ctx, access.Actor{Scope: scope}, func(tx *store.Tx) (err error) { got, err = tx.Trail(noun, 10); return err })
			if err != nil {
				t.Fatal(err)
			}
		}
		if read(access.Scope{}); len(got) != 0 {
			t.Errorf("another client's change is seen: %+v", got)
		}
		read(access.Scope{Clients: []ident.ID{client}})
		if len(got) != 1 {
			t.Fatalf("got %d changes", len(got))
		}
		e := got[0]
		if e.Account != account || e.Job != "" || e.Role != "surveyor" || e.Via != "page" || e.Request != "r-1" || e.Noun != "booking" || e.NounID != noun ||
			e.Verb != "move" || e.Client != client || e.Occurred != occurred.UnixMilli() || e.Entered != h.Clock.Now().UnixMilli() ||
			string(e.Before) != `{"n":1}` || string(e.After) != `{"n":2}` || e.Seq != 0 {
			t.Errorf("got %+v", e)
		}
		var text string
		if err := json.Unmarshal(e.Private, &text); err != nil || text != "call <Jo>" {
			t.Errorf("private payload %q, %v", e.Private, err)
		}
		if h := trail.PrivateHash(e.Salt, e.Private); string(h[:]) != string(e.PrivateHash) || len(e.Salt) != 16 {
			t.Error("the private hash is not that of the payload")
		}
	})
}

func TestTamperingIsNamed(t *testing.T) {
	const n = 6
	at := func(seq int) string { return fmt.Sprintf("seq = %d", seq) }
	cases := []struct {
		name       string
		statements []string
		seq        int64
		what       string
	}{
		{"tampered", []string{`UPDATE audit SET after_state = '{"n":99}' WHERE ` + at(4)}, 4, "altered"},
		{"tampered time", []string{`UPDATE audit SET occurred = occurred - 1 WHERE ` + at(2)}, 2, "altered"},
		{"tampered payload", []string{`UPDATE audit SET private = '"nobody"' WHERE ` + at(3)}, 3, "private"},
		{"deleted", []string{"DELETE FROM audit WHERE " + at(3)}, 3, "missing"},
		{"reordered", []string{"UPDATE audit SET seq = 100 WHERE " + at(3), "UPDATE audit SET seq = 3 WHERE " + at(4), "UPDATE audit SET seq = 4 WHERE seq = 100"}, 3, "altered or moved"},
		{"cut", []string{"DELETE FROM audit WHERE seq >= 5"}, 5, "missing"},
		{"cut, head moved back without its hash", []string{"DELETE FROM audit WHERE seq >= 5", "UPDATE meta SET value = '4 " + strings.Repeat("0", 64) + "' WHERE name = 'audit_head'"}, 4, "stored end"},
		{"emptied", []string{"DELETE FROM audit"}, 1, "missing"},
		{"head gone bad", []string{"UPDATE meta SET value = 'x' WHERE name = 'audit_head'"}, 0, "not the head"},
	}
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		t.Run("untouched", func(t *testing.T) {
			record(t, h, h.NewID(), n)
			seal(t, h, n)
			if b := broken(t, h); b != nil {
				t.Error(b)
			}
		})
	})
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			storetest.Each(t, func(t *testing.T, h *storetest.House) {
				record(t, h, h.NewID(), n)
				seal(t, h, n)
				unguard(t, h)
				behind(t, h, c.statements...)
				b := broken(t, h)
				if b == nil || b.Seq != c.seq || !strings.Contains(b.What, c.what) {
					t.Errorf("got %v, want entry %d: …%s…", b, c.seq, c.what)
				}
				findings, err := h.Check(ctx)
				if err != nil || len(findings) != 1 || findings[0].Check != "audit chain" {
					t.Errorf("the check finds %v, %v", findings, err)
				}
			})
		})
	}
}

func TestTrailIsFrozen(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		noun := h.NewID()
		record(t, h, noun, 2)
		seal(t, h, 2)
		record(t, h, noun, 1)
		statements := map[string]string{
			"delete": "DELETE FROM audit", "delete unsealed": "DELETE FROM audit WHERE seq IS NULL", "reseal": "UPDATE audit SET seq = seq + 10 WHERE seq IS NOT NULL",
			"unseal": "UPDATE audit SET seq = NULL, hash = NULL WHERE seq = 1", "payload": "UPDATE audit SET private = 'x' WHERE private IS NOT NULL",
		}
		for _, column := range []string{"job", "role", "via", "request", "noun", "verb", "before_state", "after_state"} {
			statements[column] = "UPDATE audit SET " + column + " = 'x'"
		}
		for _, column := range []string{"occurred", "entered"} {
			statements[column] = "UPDATE audit SET " + column + " = 5"
		}
		for _, column := range []string{"id", "account_id", "noun_id", "client_id"} {
			statements[column] = "UPDATE audit SET " + column + " = " + literal(h, 16) + " WHERE seq = 1"
		}
		statements["private_hash"] = "UPDATE audit SET private_hash = NULL"
		for name, s := range statements {
			err := h.Do(ctx, who, func(tx *store.Tx) error { _, err := tx.Exec(s); return err })
			if !fault.Is(err, fault.Frozen) {
				t.Errorf("%s: got %v", name, err)
			}
		}
		if b := broken(t, h); b != nil {
			t.Error(b)
		}
	})
}

// literal is a constant of n bytes that no row has.
func literal(h *storetest.House, n int) string {
	if h.Dialect() == "postgres" {
		return "'" + ident.ID{0: 9}.String() + "'"
	}
	return "x'" + strings.Repeat("09", n) + "'"
}

func TestErasedPersonLeavesChainValid(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		gone, stays := h.NewID(), h.NewID()
		record(t, h, gone, 2)
		record(t, h, stays, 1)
		seal(t, h, 3)
		record(t, h, gone, 1) // not sealed yet
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			n, err := tx.EraseTrail(gone)
			if err == nil && n != 3 {
				t.Errorf("%d payloads were erased, want 3", n)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		seal(t, h, 1)
		if b := broken(t, h); b != nil {
			t.Error(b)
		}
		var left int
		if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM audit WHERE private IS NOT NULL OR salt IS NOT NULL").Scan(&left); err != nil || left != 1 {
			t.Errorf("%d payloads are left, %v; want the other noun's", left, err)
		}
		var hashes int
		if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM audit WHERE private_hash IS NOT NULL").Scan(&hashes); err != nil || hashes != 4 {
			t.Errorf("%d private hashes are left, %v; want 4", hashes, err)
		}
	})
}

func TestSealersTakeTurns(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		noun := h.NewID()
		record(t, h, noun, 3)
		seal(t, h, 3)
		record(t, h, noun, 1)
		if n, err := h.Seal(ctx, "two"); n != 0 || err != nil {
			t.Errorf("a second sealer sealed %d, %v while the first held the lease", n, err)
		}
		h.Clock.Add(2 * time.Minute)
		if n, err := h.Seal(ctx, "two"); n != 1 || err != nil {
			t.Errorf("a second sealer sealed %d, %v after the lease ran out", n, err)
		}
		var group sync.WaitGroup
		for w := range 8 {
			group.Go(func() {
				for range 10 {
					if err := h.Do(ctx, who, func(tx *store.Tx) error { return tx.Record(trail.Change{Noun: "unit", ID: noun, Verb: "enter"}) }); err != nil {
						t.Error(err)
					}
					if _, err := h.Seal(ctx, "two"); err != nil {
						t.Errorf("sealer %d: %v", w, err)
					}
				}
			})
		}
		group.Wait()
		if _, err := h.Seal(ctx, "two"); err != nil {
			t.Fatal(err)
		}
		head, err := h.VerifyTrail(ctx)
		if err != nil || head.Seq != 84 {
			t.Errorf("the chain ends at %d, %v; want 84", head.Seq, err)
		}
	})
}

// A long trail is verified in parts; a break in a later part is still the first one named.
func TestLongTrail(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		const n = 2300
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			for range n {
				if err := tx.Record(trail.Change{Noun: "unit", Verb: "enter"}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		seal(t, h, n)
		if b := broken(t, h); b != nil {
			t.Fatal(b)
		}
		unguard(t, h)
		behind(t, h, "DELETE FROM audit WHERE seq = 2100")
		if b := broken(t, h); b == nil || b.Seq != 2100 {
			t.Errorf("got %v", b)
		}
	})
}

func TestLease(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		ask := func(holder string, want bool) {
			t.Helper()
			if got, err := h.Lease(ctx, "reminders", holder, time.Minute); got != want || err != nil {
				t.Errorf("%s: %v, %v; want %v", holder, got, err, want)
			}
		}
		ask("a", true)
		ask("b", false)
		h.Clock.Add(59 * time.Second)
		ask("a", true) // renewed
		h.Clock.Add(59 * time.Second)
		ask("b", false)
		h.Clock.Add(time.Second)
		ask("b", true)
		ask("a", false)
		if err := h.Release(ctx, "reminders", "a"); err != nil {
			t.Fatal(err)
		}
		ask("a", false)
		if err := h.Release(ctx, "reminders", "b"); err != nil {
			t.Fatal(err)
		}
		ask("a", true)
	})
}

func TestOneOfManyGetsTheLease(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		var group sync.WaitGroup
		got := make([]bool, 12)
		for i := range got {
			group.Go(func() {
				var err error
				if got[i], err = h.Lease(ctx, "reminders", fmt.Sprint(i), time.Minute); err != nil {
					t.Error(err)
				}
			})
		}
		group.Wait()
		n := 0
		for _, g := range got {
			if g {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%d of 12 have the lease", n)
		}
	})
}
