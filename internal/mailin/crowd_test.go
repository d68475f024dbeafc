package mailin_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/itip"
	"kitd/internal/mailin"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// Many invite the same kit for the same hours at once, each letter delivered twice: one is promised it, everybody else is
// declined, and nobody gets two answers.
func TestCrowd(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		const guests = 6
		var wg sync.WaitGroup
		var mu sync.Mutex
		count := map[itip.Outcome]int{}
		for n := range 2 * guests {
			guest := n % guests
			raw := invitation(t, fmt.Sprint("crowd-", guest), when)
			wg.Go(func() {
				l := mailin.Read(raw)
				l.EnvelopeFrom = l.From
				for {
					got, err := r.Receive(t.Context(), l, "k-1@"+domain)
					if fault.Is(err, fault.AlreadyUsed) || fault.KindOf(err) == fault.Unavailable && err != nil {
						continue // the mail server sends it again
					}
					mu.Lock()
					defer mu.Unlock()
					if err != nil {
						t.Error(err)
					}
					count[got.Outcome]++
					return
				}
			})
		}
		wg.Wait()
		if count[itip.Booked] != 2 || count[itip.Declined] != 2*(guests-1) {
			t.Errorf("%v", count)
		}
		if sent := r.sent(t); len(sent) != guests {
			t.Errorf("%d answers to %d invitations", len(sent), guests)
		}
		if got := r.standing(t); strings.Count(got, "[D-1 D-2 C-1]") != 1 {
			t.Error(got)
		}
		for _, f := range must(h.Check(t.Context()))(t) {
			if f.Check != "accounts" {
				t.Errorf("%v", f)
			}
		}
	})
}

// A coordinator sees the letters of their clients and those of none, not the rest, and not the answers to the rest.
func TestLettersBehindWalls(t *testing.T) {
	r := newReal(t, storetest.SQLite(t))
	got := r.take(t, fixture(t, "no-method"), "k-1@"+domain)
	r.take(t, fixture(t, "stranger"), "k-1@"+domain)
	client, other := ident.ID{1}, ident.ID{2}
	if _, err := r.house.SQL(t).ExecContext(t.Context(), "UPDATE mail_receipt SET client_id = ? WHERE id = ?", client[:], got.ID[:]); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		scope access.Scope
		want  int
	}{{access.Scope{All: true}, 2}, {access.Scope{Clients: []ident.ID{client}}, 2}, {access.Scope{Clients: []ident.ID{other}}, 1}, {access.Scope{}, 1}} {
		who := access.Actor{Account: ident.ID{9}, Role: access.Coordinator, Scope: c.scope}
		list := must(r.ledger.Receipts(t.Context(), who, itip.ReceiptQuery{}))(t)
		_, _, err := r.ledger.Raw(t.Context(), who, got.ID)
		if len(list) != c.want || (err == nil) != (c.want == 2) || c.want == 1 && !fault.Is(err, fault.NotThere) {
			t.Errorf("%+v: %d letters, %v", c.scope, len(list), err)
		}
		outbox := 0
		err = r.house.View(t.Context(), who, func(tx *store.Tx) error {
			all, err := tx.Outbox(10)
			outbox = len(all)
			return err
		})
		if err != nil || outbox != c.want-1 {
			t.Errorf("%+v: %d answers, %v", c.scope, outbox, err)
		}
	}
}
