package store_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func surveyor(h *storetest.House, clients ...ident.ID) access.Actor {
	return access.Actor{Account: h.NewID(), Name: "anna", Role: access.Surveyor, Scope: access.Scope{All: len(clients) == 0, Clients: clients}, Via: access.ViaPage}
}

// on asks for whole days of March 2026 in UTC, 08:00 to 16:00.
func on(ask schedule.Ask, from, to int) schedule.Wish {
	return schedule.Wish{Title: "Press shop", Ask: ask, Occurrences: []schedule.Occurrence{{Span: fleet.Span{
		From: time.Date(2026, 3, from, 8, 0, 0, 0, time.UTC), To: time.Date(2026, 3, to, 16, 0, 0, 0, time.UTC),
	}}}}
}

func booked(t testing.TB) func(schedule.Outcome, error) schedule.Outcome {
	return func(out schedule.Outcome, err error) schedule.Outcome {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
}

// overlaps looks for double promises by brute force, behind the store's back.
func overlaps(t *testing.T, h *storetest.House) {
	t.Helper()
	type promise struct {
		unit     string
		from, to int64
	}
	var all []promise
	err := h.View(ctx, who, func(tx *store.Tx) error {
		return tx.Each("SELECT unit_id, starts_at, ends_at FROM promises WHERE gone IS NULL", nil, func(scan func(...any) error) error {
			var unit store.Key
			var p promise
			err := scan(&unit, &p.from, &p.to)
			p.unit = ident.ID(unit).String()
			all = append(all, p)
			return err
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, a := range all {
		for _, b := range all[:i] {
			if a.unit == b.unit && a.from < b.to && b.from < a.to {
				t.Errorf("unit %s is promised twice: %d to %d and %d to %d", a.unit, a.from, a.to, b.from, b.to)
			}
		}
	}
	if len(all) == 0 {
		t.Error("there is no promise to look at")
	}
}

func sound(t *testing.T, h *storetest.House) {
	t.Helper()
	if findings, err := h.Check(ctx); err != nil || len(findings) != 0 {
		t.Errorf("check: %v, %v", findings, err)
	}
}

func TestBookingsAreKept(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		desk, anna := deskOf(h.DB), surveyor(h)
		x := on(schedule.Ask{Kit: y.kits[1]}, 5, 6)
		x.Calendar = schedule.Calendar{UID: "a@b", Name: "a.ics", Raw: []byte("BEGIN:VCALENDAR\r\n")}
		first := booked(t)(desk.Book(ctx, anna, x))
		got, err := desk.Get(ctx, anna, first.ID)
		if err != nil {
			t.Fatal(err)
		}
		if got.Title != x.Title || got.OwnerName != "anna" || string(got.Calendar.Raw) != string(x.Calendar.Raw) || len(got.Units) != 3 ||
			!got.Whole().From.Equal(first.Whole().From) || got.Number != 1 || !got.Units[0].Pinned {
			t.Errorf("kept %+v, want %+v", got, first.Booking)
		}
		again := booked(t)(desk.Book(ctx, anna, x))
		if !again.Unchanged || again.ID != first.ID {
			t.Errorf("repeated: %+v", again)
		}
		x.Title = "Foundry"
		moved := booked(t)(desk.Move(ctx, anna, first.ID, 1, x))
		if _, err := desk.Move(ctx, anna, first.ID, 1, on(x.Ask, 9, 9)); !fault.Is(err, fault.Changed) {
			t.Errorf("a stale version: %v", err)
		}
		gone := booked(t)(desk.Cancel(ctx, anna, moved.ID, 2, "rain"))
		if gone.Version != 3 {
			t.Errorf("version %d", gone.Version)
		}
		var versions, live int
		err = h.View(ctx, who, func(tx *store.Tx) error {
			if _, err := tx.Row("SELECT COUNT(*) FROM booking_versions WHERE booking_id = ?", []any{first.ID}, &versions); err != nil {
				return err
			}
			_, err := tx.Row("SELECT COUNT(*) FROM promises WHERE booking_id = ? AND gone IS NULL", []any{first.ID}, &live)
			return err
		})
		if err != nil || versions != 3 || live != 0 {
			t.Errorf("%d versions, %d live promises, %v", versions, live, err)
		}
		booked(t)(desk.Book(ctx, anna, x)) // the UID is free again
		overlaps(t, h)
		sound(t, h)
	})
}

func TestVersionsOfBookingsAreFrozen(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		b := booked(t)(deskOf(h.DB).Book(ctx, surveyor(h), on(schedule.Ask{Kit: y.kits[0]}, 5, 5)))
		for _, statement := range []string{
			"UPDATE booking_versions SET body = '{}' WHERE booking_id = ?", "DELETE FROM booking_versions WHERE booking_id = ?",
			"UPDATE booking_versions SET title = 'other' WHERE booking_id = ?",
		} {
			err := h.Do(ctx, who, func(tx *store.Tx) error { _, err := tx.Exec(statement, b.ID); return err })
			if !fault.Is(err, fault.Frozen) {
				t.Errorf("%s: %v", statement, err)
			}
		}
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			_, err := tx.Exec("UPDATE booking_versions SET title = NULL, owner_name = NULL, raw = NULL WHERE booking_id = ?", b.ID)
			return err
		})
		if err != nil {
			t.Errorf("names cannot be erased: %v", err)
		}
	})
}

// The database itself refuses a second promise, whatever the desk does: on insert and on update.
func TestTheDatabaseRefusesASecondPromise(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		b := booked(t)(deskOf(h.DB).Book(ctx, surveyor(h), on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)))
		put := func(from, to time.Time) error {
			return h.Do(ctx, who, func(tx *store.Tx) error {
				_, err := tx.Exec(`INSERT INTO promises (unit_id, booking_id, part, pinned, starts_at, ends_at, live, dropped, entered)
					VALUES (?, ?, 1, ?, ?, ?, ?, ?, 0)`, y.units["D-5"], b.ID, true, from, to, true, false)
				return err
			})
		}
		whole := b.Whole()
		for name, span := range map[string]fleet.Span{
			"the same": whole, "inside": {From: whole.From.Add(time.Hour), To: whole.To.Add(-time.Hour)},
			"around": {From: whole.From.Add(-time.Hour), To: whole.To.Add(time.Hour)}, "its first millisecond": {From: whole.From.Add(-time.Hour), To: whole.From.Add(time.Millisecond)},
			"its last": {From: whole.To.Add(-time.Millisecond), To: whole.To.Add(time.Hour)},
		} {
			if err := put(span.From, span.To); !fault.Is(err, fault.PromiseTaken) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if err := put(whole.From.Add(-time.Hour), whole.From); err != nil {
			t.Errorf("touching before: %v", err)
		}
		if err := put(whole.To, whole.To.Add(time.Hour)); err != nil {
			t.Errorf("touching after: %v", err)
		}
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			_, err := tx.Exec("UPDATE promises SET ends_at = ? WHERE part = 1 AND ends_at = ?", whole.To, whole.From)
			return err
		})
		if !fault.Is(err, fault.PromiseTaken) {
			t.Errorf("stretched by an update: %v", err)
		}
	})
}

// A promise that is there twice, whatever let that happen, is named by the check.
func TestCheckFindsADoublePromise(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		desk := deskOf(h.DB)
		booked(t)(desk.Book(ctx, surveyor(h), on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)))
		booked(t)(desk.Book(ctx, surveyor(h), on(schedule.Ask{Unit: y.units["D-5"]}, 9, 9)))
		raw := h.SQL(t)
		drop := []string{"DROP TRIGGER promises_free_update"}
		if h.Dialect() == "postgres" {
			drop = []string{"ALTER TABLE promises DROP CONSTRAINT promise_taken"}
		}
		for _, s := range append(drop, "UPDATE promises SET starts_at = (SELECT MIN(starts_at) FROM promises)") {
			if _, err := raw.Exec(s); err != nil {
				t.Fatal(err)
			}
		}
		findings, err := h.Check(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(findings, func(f store.Finding) bool {
			return f.Check == "promises" && strings.Contains(f.Text, "D-5") && strings.Contains(f.Text, "twice")
		}) {
			t.Errorf("found %v", findings)
		}
	})
}

func TestListOfBookings(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		desk := deskOf(h.DB)
		own, other := h.NewID(), h.NewID()
		anna, bert := surveyor(h, own), surveyor(h, other)
		var mine []ident.ID
		for day := 3; day < 10; day++ {
			x := on(schedule.Ask{Unit: y.units["D-5"]}, day, day)
			x.Client = own
			mine = append(mine, booked(t)(desk.Book(ctx, anna, x)).ID)
			x = on(schedule.Ask{Kit: y.kits[0]}, day, day)
			x.Client = other
			booked(t)(desk.Book(ctx, bert, x))
		}
		var seen []ident.ID
		q := schedule.Query{Limit: 3}
		for pages := 0; pages < 10; pages++ {
			p, err := desk.List(ctx, anna, q)
			if err != nil {
				t.Fatal(err)
			}
			for _, b := range p.Bookings {
				seen = append(seen, b.ID)
			}
			if q.After = p.Next; q.After == "" {
				break
			}
		}
		if !slices.Equal(seen, mine) {
			t.Errorf("listed %d, want my %d in order", len(seen), len(mine))
		}
		for name, tt := range map[string]struct {
			q    schedule.Query
			want int
		}{
			"span":  {schedule.Query{Span: fleet.Span{From: time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC), To: time.Date(2026, 3, 6, 0, 0, 0, 0, time.UTC)}}, 2},
			"unit":  {schedule.Query{Unit: y.units["D-5"]}, 7},
			"kit":   {schedule.Query{Kit: y.kits[0]}, 0},
			"owner": {schedule.Query{Owner: anna.Account}, 7}, "nobody": {schedule.Query{Owner: h.NewID()}, 0},
			"state": {schedule.Query{States: []schedule.State{schedule.OutNow}}, 0},
		} {
			p, err := desk.List(ctx, anna, tt.q)
			if err != nil || len(p.Bookings) != tt.want {
				t.Errorf("%s: %d bookings, want %d, %v", name, len(p.Bookings), tt.want, err)
			}
		}
		if _, err := desk.List(ctx, anna, schedule.Query{After: "nonsense"}); !fault.Is(err, fault.BadInput) {
			t.Errorf("a cursor of somebody's own: %v", err)
		}
	})
}

// A swap that frees a kit and a booking of the unit it needs meet again and again: one of them is refused each time.
func TestAnExchangeRacingABooking(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		desk, anna := deskOf(h.DB), surveyor(h)
		for round := range 15 {
			day := 3 + round
			for _, tag := range []string{"D-3", "D-4", "D-6"} { // leaves K-1 and D-5
				booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Unit: y.units[tag]}, day, day)))
			}
			held := booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Dosimeters: 1}, day, day)))
			wanted := []schedule.Ask{{Kit: y.kits[0]}, {Unit: y.units["D-5"]}}
			if held.Units[0].Tag == "D-5" {
				wanted[1] = schedule.Ask{Unit: y.units["D-1"]}
			}
			errs := make([]error, 2)
			var group sync.WaitGroup
			for i, ask := range wanted {
				group.Go(func() { _, errs[i] = desk.Book(ctx, anna, on(ask, day, day)) })
			}
			group.Wait()
			for _, err := range errs {
				var no *schedule.Refusal
				if err != nil && !errors.As(err, &no) {
					t.Fatalf("round %d: %v", round, err)
				}
			}
			if (errs[0] == nil) == (errs[1] == nil) {
				t.Errorf("round %d: kit %v, unit %v", round, errs[0], errs[1])
			}
			if now, err := desk.Get(ctx, anna, held.ID); err != nil || len(now.Units) != 1 {
				t.Errorf("round %d: the held booking has %d units, %v", round, len(now.Units), err)
			}
		}
		overlaps(t, h)
		sound(t, h)
	})
}

// Facts go with the booking in one transaction, and the rules see them at once.
func TestHandOutWritesCustody(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		desk, anna := deskOf(h.DB), surveyor(h)
		b := booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)))
		h.Clock.Set(time.Date(2026, 3, 5, 7, 0, 0, 0, time.UTC))
		out := booked(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{Override: "tests charge nothing"}))
		if out.State != schedule.OutNow {
			t.Errorf("state %s", out.State)
		}
		place := func() fleet.Place {
			var p fleet.Place
			err := h.View(ctx, who, func(tx *store.Tx) error {
				d, err := tx.Dossiers([]ident.ID{y.units["D-5"]}, h.Clock.Now())
				if err == nil {
					p = fleet.Whereabouts(d[0], h.Clock.Now(), h.Clock.Now())
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		if p := place(); p.State != fleet.Out || p.Booking != b.ID || p.Holder != "anna" {
			t.Errorf("it is %+v", p)
		}
		h.Clock.Add(time.Hour)
		if back := booked(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{})); back.State != schedule.Back {
			t.Errorf("state %s", back.State)
		}
		if p := place(); p.State != fleet.InDepot || p.Depot != y.depot {
			t.Errorf("it is %+v", p)
		}
		sound(t, h)
	})
}

// With many units the desk decides on the pool kept in memory; what changed since it was read counts all the same.
func TestTheKeptPoolIsNeverBelievedBlindly(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y, k, desk, anna := plant(t, h), keeperFor(h.DB), deskOf(h.DB), surveyor(h)
		model, lab := got(k.Models(ctx, who))(t)[0].ID, got(k.Laboratories(ctx, who))(t)[0].ID
		x := fleet.Certificate{Number: "C-2", Laboratory: lab, Calibrated: civil.Date{Year: 2026, Month: 2, Day: 1}}
		for i := range 10 {
			u := got(k.AddUnit(ctx, who, fleet.Unit{Tag: fmt.Sprintf("X-%d", i), Serial: "1", Model: model, Depot: y.depot, Ownership: fleet.Owned}))(t)
			x.Lines = append(x.Lines, fleet.Line{Unit: u.ID, Verdict: fleet.Pass})
		}
		got(k.EnterCertificate(ctx, who, x))(t)
		err := h.View(ctx, who, func(tx *store.Tx) error {
			_, err := tx.Pool(fleet.Span{From: h.Clock.Now(), To: h.Clock.Now().Add(time.Hour)}, h.Clock.Now())
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		got(k.Record(ctx, who, fleet.Fact{Unit: y.units["D-5"], Occurred: h.Clock.Now(), Body: fleet.Held{Reason: "clip torn"}}))(t)
		r := &schedule.Refusal{}
		if _, err := desk.Book(ctx, anna, on(schedule.Ask{Dosimeters: 16}, 5, 5)); !errors.As(err, &r) || r.Free != 15 {
			t.Fatalf("16 dosimeters, one of them held back: %v", err)
		}
		i := slices.IndexFunc(r.Reasons, func(u schedule.UnitReasons) bool { return u.Tag == "D-5" })
		if i < 0 || r.Reasons[i].Reasons[0].Code != fleet.ReasonHold {
			t.Errorf("reasons %+v", r.Reasons)
		}
		out := booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Dosimeters: 15}, 5, 5)))
		if slices.Contains(out.UnitIDs(), y.units["D-5"]) {
			t.Error("a unit that is held back was promised")
		}
		sound(t, h)
	})
}
