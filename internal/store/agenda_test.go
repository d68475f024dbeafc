package store_test

import (
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func visit(kit, client ident.ID, id ident.ID, name string, from time.Time) schedule.Booking {
	return schedule.Booking{ID: id, Version: 1, Client: client, Ask: schedule.Ask{Kit: kit}, Entered: kittest.Start, Changed: kittest.Start,
		Occurrences: []schedule.Occurrence{{Span: fleet.Span{From: from, To: from.Add(8 * time.Hour)}}},
		Calendar:    schedule.Calendar{UID: "uid-" + name, Name: name}}
}

func logCalendar(t *testing.T, h *storetest.House, b schedule.Booking, deleted bool) {
	t.Helper()
	if err := tryLog(t, h, b, deleted); err != nil {
		t.Fatal(err)
	}
}

func tryLog(t *testing.T, h *storetest.House, b schedule.Booking, deleted bool) error {
	t.Helper()
	return h.Do(t.Context(), access.System("test", access.ViaJob), func(tx *store.Tx) error { return tx.LogCalendar(b, deleted) })
}

// seen shows the changes after a serial as an actor sees them: "1:a", or "2:-a" for a tombstone.
func seen(t *testing.T, h *storetest.House, who access.Actor, kit ident.ID, after int64) string {
	t.Helper()
	out := ""
	err := h.View(t.Context(), who, func(tx *store.Tx) error {
		rows, err := tx.CalendarChanges(kit, after, 100)
		for _, e := range rows {
			mark := ""
			if e.Gone {
				mark = "-"
			}
			out += fmt.Sprintf("%d:%s%s ", e.Serial, mark, e.Name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestCalendarLog(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		kit, other, clientA, clientB := h.NewID(), h.NewID(), h.NewID(), h.NewID()
		all := access.System("test", access.ViaJob)
		onlyA := access.Actor{Name: "a", Scope: access.Scope{Clients: []ident.ID{clientA}}}
		nobody := access.Actor{Name: "n"}
		a := visit(kit, ident.ID{}, h.NewID(), "a", kittest.Start)
		logCalendar(t, h, a, false)
		b := visit(kit, clientA, h.NewID(), "b", kittest.Start.Add(24*time.Hour))
		logCalendar(t, h, b, false)

		for who, want := range map[*access.Actor]string{&all: "1:a 2:b ", &onlyA: "1:a 2:b ", &nobody: "1:a "} {
			if got := seen(t, h, *who, kit, 0); got != want {
				t.Errorf("%s sees %q, want %q", who.Name, got, want)
			}
		}

		// Another version is one row with the next serial.
		a.Version = 2
		logCalendar(t, h, a, false)
		if got := seen(t, h, all, kit, 0); got != "2:b 3:a " {
			t.Error(got)
		}

		// Behind another wall: gone for those who saw it, new for those who see it now.
		b.Client = clientB
		logCalendar(t, h, b, false)
		if got := seen(t, h, onlyA, kit, 3); got != "5:-b " && got != "4:-b " {
			t.Errorf("the first client's surveyor sees %q", got)
		}
		if got := seen(t, h, all, kit, 4); got != "5:b " {
			t.Error(got)
		}

		// Into another kit, and cancelled there.
		b.Ask.Kit = other
		logCalendar(t, h, b, false)
		logCalendar(t, h, b, true)
		if got := seen(t, h, all, other, 0); got != "2:-b " {
			t.Error(got)
		}
		if got := seen(t, h, all, kit, 5); got != "6:-b " {
			t.Error(got)
		}

		// The name is free again, and taken once.
		c := visit(kit, clientB, h.NewID(), "b", kittest.Start)
		logCalendar(t, h, c, false)
		if got := seen(t, h, all, kit, 5); got != "7:b " {
			t.Error(got)
		}
		for what, clash := range map[string]schedule.Booking{"name": visit(kit, clientA, h.NewID(), "b", kittest.Start), "uid": visit(kit, clientA, h.NewID(), "z", kittest.Start)} {
			if clash.Calendar.UID = "free"; what == "uid" {
				clash.Calendar.UID = "uid-a"
			}
			if err := tryLog(t, h, clash, false); !fault.Is(err, fault.AlreadyUsed) {
				t.Errorf("taken %s: %v", what, err)
			}
		}
		if got := seen(t, h, all, kit, 7); got != "" {
			t.Errorf("a refused write left %q", got)
		}
	})
}

func TestCalendarEntriesBySpan(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		kit := h.NewID()
		for i := range 5 {
			logCalendar(t, h, visit(kit, ident.ID{}, h.NewID(), fmt.Sprint("d", i), kittest.Start.Add(time.Duration(i)*24*time.Hour)), false)
		}
		day := func(n, hours int) time.Time { return kittest.Start.Add(time.Duration(n*24+hours) * time.Hour) }
		for _, c := range []struct {
			span fleet.Span
			want string
		}{
			{fleet.Span{}, "d0 d1 d2 d3 d4 "},
			{fleet.Span{From: day(1, 0), To: day(3, 0)}, "d1 d2 "},
			{fleet.Span{From: day(1, 8), To: day(3, 0)}, "d2 "}, // ends as the span begins
			{fleet.Span{From: day(3, 7)}, "d3 d4 "},
			{fleet.Span{To: day(1, 0)}, "d0 "},
		} {
			got := ""
			err := h.View(t.Context(), access.System("test", access.ViaJob), func(tx *store.Tx) error {
				rows, err := tx.CalendarEntries(kit, c.span)
				for _, e := range rows {
					got += e.Name + " "
				}
				return err
			})
			if err != nil || got != c.want {
				t.Errorf("%v: got %q, want %q (%v)", c.span, got, c.want, err)
			}
		}
		err := h.View(t.Context(), access.System("test", access.ViaJob), func(tx *store.Tx) error {
			e, ok, err := tx.CalendarEntryByUID(kit, "uid-d2")
			if !ok || e.Name != "d2" || e.Version != 1 || !e.Span.From.Equal(day(2, 0)) || e.Collection != kit {
				t.Errorf("%+v %v", e, ok)
			}
			named, err2 := tx.CalendarEntriesNamed(kit, []string{"d1", "d9", "D1"})
			if len(named) != 1 || err2 != nil {
				t.Errorf("%v %v", named, err2)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

// A serial is never seen before a smaller one: while many write, whoever reads "everything after the last serial I saw" misses
// nothing.
func TestCalendarSerialsSkipNoLateCommit(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		kit := h.NewID()
		const writers, each = 8, 12
		var wg sync.WaitGroup
		done := make(chan struct{})
		for w := range writers {
			wg.Go(func() {
				for i := range each {
					b := visit(kit, ident.ID{}, h.NewID(), fmt.Sprintf("w%d-%d", w, i), kittest.Start)
					if err := tryLog(t, h, b, false); err != nil {
						t.Error(err)
					}
				}
			})
		}
		go func() { wg.Wait(); close(done) }()
		known := map[string]bool{}
		var last int64
		look := func() {
			var rows []agenda.Entry
			err := h.View(t.Context(), access.System("test", access.ViaJob), func(tx *store.Tx) (err error) {
				rows, err = tx.CalendarChanges(kit, last, 1000)
				return err
			})
			if err != nil {
				t.Error(err)
			}
			for _, e := range rows {
				known[e.Name], last = true, e.Serial
			}
		}
		for running := true; running; {
			select {
			case <-done:
				running = false
			default:
			}
			look()
		}
		if len(known) != writers*each || last != writers*each {
			t.Errorf("seen %d objects up to serial %d, want %d", len(known), last, writers*each)
		}
	})
}

// A backup that is put back forgets the changes made after it; the next change gets the same serial, but another mark.
func TestCalendarMarksTellARestoredDatabase(t *testing.T) {
	h := storetest.SQLite(t)
	kit := h.NewID()
	mark := func(h *storetest.House, serial int64) (mark string) {
		t.Helper()
		err := h.View(t.Context(), access.System("test", access.ViaJob), func(tx *store.Tx) (err error) {
			mark, err = tx.CalendarMark(kit, serial)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return mark
	}
	logCalendar(t, h, visit(kit, ident.ID{}, h.NewID(), "a", kittest.Start), false)
	path := filepath.Join(t.TempDir(), "backup.db")
	if err := h.Backup(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	logCalendar(t, h, visit(kit, ident.ID{}, h.NewID(), "lost", kittest.Start), false)
	restored := storetest.SQLite(t, func(c *store.Config) { c.DSN, c.Random = "sqlite:"+path, kittest.Random(9) })
	if mark(restored, 2) != "" {
		t.Error("the backup knows the future")
	}
	logCalendar(t, restored, visit(kit, ident.ID{}, h.NewID(), "other", kittest.Start), false)
	if mark(h, 1) == "" || mark(h, 1) != mark(restored, 1) || mark(h, 2) == mark(restored, 2) {
		t.Errorf("marks %s %s, %s %s", mark(h, 1), mark(restored, 1), mark(h, 2), mark(restored, 2))
	}
}
