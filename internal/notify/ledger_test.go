package notify

import (
	"context"
	"slices"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

func (s *shelf) Outbox(limit int) ([]Message, error) {
	all := s.mails()
	return all[:min(limit, len(all))], nil
}
func (s *shelf) MessageOf(id ident.ID) (Message, error) {
	if m, ok := s.messages[id]; ok {
		return *m, nil
	}
	return Message{}, fault.New(fault.NotThere, "noun", "message")
}
func (s *shelf) Requeue(id ident.ID, at time.Time) error {
	m := s.messages[id]
	m.State, m.NotBefore, m.Again, m.Settled = Queued, at, at, time.Time{}
	return nil
}

func ledger(s *shelf, now time.Time) *Ledger {
	run := func(_ context.Context, _ access.Actor, fn func(LedgerStore) error) error { return fn(s) }
	return &Ledger{Do: run, View: run, Now: func() time.Time { return now }, Rule: CertificateRule()}
}

var keeper = access.Actor{Name: "ida", Role: access.Coordinator, Scope: access.Scope{All: true}}

func TestLapsingSaysWhatWasToldAndWhatComes(t *testing.T) {
	loc := zone(t, "Europe/London")
	first, second := day1(t, "2026-04-10"), day1(t, "2026-03-20")
	a := Lapse{Unit: ident.ID{1}, Tag: "D-001", Zone: loc, Due: first}
	b := Lapse{Unit: ident.ID{2}, Tag: "D-002", Zone: loc, Due: second}
	s := newShelf(a, b)
	s.told = map[Occasion]bool{{ident.ID{1}, first, -30}: true, {ident.ID{1}, first, -60}: true, {ident.ID{1}, day1(t, "2025-04-10"), 0}: true}
	now := time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC)
	all, err := ledger(s, now).Lapsing(t.Context(), keeper, first)
	if err != nil || len(all) != 2 || all[0].Tag != "D-002" {
		t.Fatalf("lapsing: %+v, %v; want the one that ended first", all, err)
	}
	if got := all[1]; !slices.Equal(got.Told, []int{-60, -30}) || !got.Next.Equal(time.Date(2026, 4, 3, 6, 0, 0, 0, time.UTC)) {
		t.Errorf("told %v, next %s; want the steps of this due date, and a week before at 07:00 summer time", got.Told, got.Next)
	}
	// The last covered day was 20 March: the repetition after a week fell on the 27th, the next is on 3 April.
	if got := all[0]; len(got.Told) != 0 || !got.Next.Equal(time.Date(2026, 4, 3, 6, 0, 0, 0, time.UTC)) {
		t.Errorf("told %v, next %s", got.Told, got.Next)
	}
	once := Rule{Steps: []int{-1}}
	if at := once.next(b, now); !at.IsZero() {
		t.Errorf("a rule without repetition comes again at %s", at)
	}
}

// A dead letter that is queued again is tried for five more days, under the same Message-ID.
func TestRequeuedLettersGetAnotherFiveDays(t *testing.T) {
	s := newShelf()
	written := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	now := written.Add(6 * 24 * time.Hour)
	id := ident.ID{7}
	s.messages[id] = &Message{ID: id, MessageID: "7@kitd", To: "ida@example.org", Created: written, State: Dead, Attempts: 40, LastError: "no route"}
	l := ledger(s, now)
	for _, role := range []access.Role{access.Viewer, access.Surveyor} {
		who := access.Actor{Name: "tove", Role: role}
		_, err := l.Requeue(t.Context(), who, id)
		_, err2 := l.Outbox(t.Context(), who, 9)
		_, err3 := l.Listeners(t.Context(), who)
		if !fault.Is(err, fault.NotAllowed) || !fault.Is(err2, fault.NotAllowed) || !fault.Is(err3, fault.NotAllowed) {
			t.Errorf("a %s: %v, %v, %v", role, err, err2, err3)
		}
	}
	if _, err := l.Requeue(t.Context(), keeper, ident.ID{8}); !fault.Is(err, fault.NotThere) {
		t.Errorf("no message: %v", err)
	}
	if _, err := l.Requeue(t.Context(), keeper, id); err != nil || len(s.changes) != 1 || s.changes[0].Verb != "queue again" {
		t.Fatalf("queued again: %v, audit %+v", err, s.changes)
	}
	if _, err := l.Requeue(t.Context(), keeper, id); !fault.Is(err, fault.Changed) {
		t.Errorf("one that is not dead: %v", err)
	}
	m := *s.messages[id]
	m.Attempts++
	if got := m.settle(TryLater, "later", now.Add(4*24*time.Hour)); got.State != Queued || got.MessageID != "7@kitd" {
		t.Errorf("after four days: %+v", got)
	}
	if got := m.settle(TryLater, "later", now.Add(5*24*time.Hour)); got.State != Dead {
		t.Errorf("after five days: %+v", got)
	}
}

func TestListenersAreTheCoordinatorsAndTheAddressesOfTheSettings(t *testing.T) {
	s := newShelf()
	l := ledger(s, time.Now())
	l.Also = []Recipient{{Address: "IDA@example.org"}, {Address: "store@example.org"}}
	all, err := l.Listeners(t.Context(), keeper)
	if err != nil || len(all) != 2 || all[1].Address != "store@example.org" {
		t.Errorf("told are %+v, %v", all, err)
	}
}
