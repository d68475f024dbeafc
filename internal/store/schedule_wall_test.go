package store_test

import (
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// A booking that is moved to end elsewhere would leave its unit where the next booking cannot take it.
func TestMovingTheEndDepotIsPlacedAnew(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		south := got(keeperFor(h.DB).AddDepot(ctx, who, fleet.Depot{Name: "South", Code: "south", Zone: "UTC"}))(t)
		desk, anna := deskOf(h.DB), surveyor(h)
		wish := on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)
		first := booked(t)(desk.Book(ctx, anna, wish))
		booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Unit: y.units["D-5"]}, 9, 9)))
		wish.EndDepot = south.ID
		if _, err := desk.Move(ctx, anna, first.ID, first.Version, wish); !fault.Is(err, fault.BookingRefused) {
			t.Errorf("moved to end in the south although the next booking starts in the north: %v", err)
		}
		sound(t, h)
	})
}

// What happened to a unit behind a wall is told by nobody outside of it, whatever door the identifier came through.
func TestNobodyHandsOutAUnitBehindAWall(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		k := keeperFor(h.DB)
		var model ident.ID
		err := h.View(ctx, who, func(tx *store.Tx) error {
			u, err := tx.UnitByID(y.units["D-5"])
			model = u.Model
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		walled := got(k.AddUnit(ctx, who, fleet.Unit{Tag: "X-1", Model: model, Depot: y.depot, Ownership: fleet.ClientOwned, Client: h.NewID()}))(t)
		anna := surveyor(h)
		anna.Scope = access.Scope{}
		desk := deskOf(h.DB)
		b := booked(t)(desk.Book(ctx, anna, on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)))
		h.Clock.Set(time.Date(2026, 3, 5, 7, 0, 0, 0, time.UTC))
		before := count(t, h, "fact")
		_, out := desk.HandOut(ctx, anna, b.ID, schedule.HandOut{Units: []ident.ID{walled.ID}})
		_, told := desk.RecordHandOut(ctx, anna, b.ID, schedule.HandOut{Units: []ident.ID{walled.ID}})
		_, in := desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{Units: []ident.ID{walled.ID}})
		for _, err := range []error{out, told, in} {
			if !fault.Is(err, fault.NotThere) {
				t.Errorf("got %v, want not-there", err)
			}
		}
		if n := count(t, h, "fact"); n != before {
			t.Errorf("%d facts were written of a unit behind a wall", n-before)
		}
	})
}

// A unit cannot be left in the south because another client's booking takes it from the north: outside of that client's wall the
// refusal says until when it is promised, and nothing of where.
func TestARefusalTellsNothingOfTheNextBookingBehindAWall(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		south := got(keeperFor(h.DB).AddDepot(ctx, who, fleet.Depot{Name: "South", Code: "south", Zone: "UTC"}))(t)
		desk, boss, anna := deskOf(h.DB), surveyor(h), surveyor(h)
		anna.Scope = access.Scope{}
		theirs := on(schedule.Ask{Unit: y.units["D-5"]}, 9, 9)
		theirs.Client = h.NewID()
		booked(t)(desk.Book(ctx, boss, theirs))
		wish := on(schedule.Ask{Unit: y.units["D-5"]}, 5, 5)
		wish.EndDepot = south.ID
		_, err := desk.Book(ctx, anna, wish)
		if !fault.Is(err, fault.BookingRefused) {
			t.Fatalf("got %v, want a refusal", err)
		}
		if text := err.Error(); strings.Contains(text, "North") || !strings.Contains(text, "Promised until Mon 9 Mar 2026, 20:00 UTC") {
			t.Error(text)
		}
		if _, err := desk.Book(ctx, boss, wish); !strings.Contains(err.Error(), "Promised from depot North afterwards") {
			t.Errorf("inside of the wall: %v", err)
		}
	})
}
