package store_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// A certificate covers units of several owners. Who sees only some of them cannot take it out of force for the others.
func TestNobodyCorrectsACertificateTheySeeInPart(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		k := keeperFor(h.DB)
		var model, lab ident.ID
		err := h.View(ctx, who, func(tx *store.Tx) error {
			u, err := tx.UnitByID(y.units["D-5"])
			if err != nil {
				return err
			}
			labs, err := tx.Laboratories()
			model, lab = u.Model, labs[0].ID
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		walled := got(k.AddUnit(ctx, who, fleet.Unit{Tag: "X-1", Model: model, Depot: y.depot, Ownership: fleet.ClientOwned, Client: h.NewID()}))(t)
		day := civil.Date{Year: 2026, Month: 2, Day: 20}
		shared := got(k.EnterCertificate(ctx, who, fleet.Certificate{Number: "S-1", Laboratory: lab, Calibrated: day,
			Lines: []fleet.Line{{Unit: walled.ID, Verdict: fleet.Pass}, {Unit: y.units["D-5"], Verdict: fleet.Pass}}}))(t)
		outside := access.Actor{Account: h.NewID(), Name: "tove", Role: access.Coordinator}
		correction := fleet.Certificate{Number: "S-2", Laboratory: lab, Calibrated: day, Supersedes: shared.ID, Lines: []fleet.Line{{Unit: y.units["D-5"], Verdict: fleet.Pass}}}
		if _, err := k.EnterCertificate(ctx, outside, correction); !fault.Is(err, fault.NotAllowed) {
			t.Errorf("corrected a certificate that is seen in part: %v", err)
		}
		if _, err := k.EnterCertificate(ctx, who, correction); err != nil {
			t.Errorf("somebody who sees all of it: %v", err)
		}
	})
}

// overtaken runs a second piece of work between the last statement of a first one and its COMMIT: to its end, or until it is
// clear that it waits for the first one.
func overtaken(t *testing.T, h *storetest.House, first func(*store.Tx) error, second func()) {
	t.Helper()
	done := make(chan struct{})
	err := h.Do(ctx, who, func(tx *store.Tx) error {
		if err := first(tx); err != nil {
			return err
		}
		go func() { defer close(done); second() }()
		select {
		case <-done:
		case <-time.After(time.Second):
		}
		return nil
	})
	<-done
	if err != nil {
		t.Fatal(err)
	}
}

// Two people pack one kit at the same moment: what is in it then is what one of them said.
func TestPackingAtOnceIsOneOrTheOther(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		k := keeperFor(h.DB)
		kit := got(k.AddKit(ctx, who, fleet.Kit{Name: "Case 9", Code: "K-9", Depot: y.depot}))(t)
		inside := keeperFor(h.DB)
		var packed error
		overtaken(t, h, func(tx *store.Tx) error {
			inside.Do = func(_ context.Context, _ access.Actor, fn func(fleet.Store) error) error { return fn(tx) }
			return inside.SetKit(ctx, who, kit.ID, []ident.ID{y.units["D-5"]}, time.Time{})
		}, func() {
			h.Clock.Add(time.Second)
			packed = k.SetKit(ctx, who, kit.ID, []ident.ID{y.units["D-6"]}, time.Time{})
		})
		if packed != nil {
			t.Fatal(packed)
		}
		var units []ident.ID
		err := h.View(ctx, who, func(tx *store.Tx) (err error) { units, err = tx.KitUnits(kit.ID, h.Clock.Now()); return err })
		if err != nil || !slices.Equal(units, []ident.ID{y.units["D-6"]}) {
			t.Errorf("%d units are in the kit, %v; want what was said last", len(units), err)
		}
	})
}

// A unit is entered while its model is being changed: the kept pool must learn of the model as it is then.
func TestAUnitEnteredBesideAChangeOfItsModel(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		k := keeperFor(h.DB)
		var model fleet.Model
		span := fleet.Span{From: h.Clock.Now(), To: h.Clock.Now().Add(time.Hour)}
		unit := fleet.Unit{ID: h.NewID(), Version: 1, Tag: "D-9", Depot: y.depot, Ownership: fleet.Owned, Entered: h.Clock.Now()}
		shelf := func() int {
			row := got(k.Shelf(ctx, who, fleet.ShelfQuery{Span: span, Text: "D-9"}))(t).Rows
			if len(row) == 0 {
				return 0
			}
			return row[0].Model.RunMinutes
		}
		shelf()
		err := h.View(ctx, who, func(tx *store.Tx) error {
			u, err := tx.UnitByID(y.units["D-5"])
			if err != nil {
				return err
			}
			model, err = tx.Model(u.Model)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		unit.Model = model.ID
		var entered error
		overtaken(t, h, func(tx *store.Tx) error {
			next := model
			next.RunMinutes, next.Version = 999, model.Version+1
			return tx.SaveModel(next)
		}, func() {
			entered = h.Do(ctx, who, func(tx *store.Tx) error { return tx.SaveUnit(unit) })
			if h.Dialect() == "postgres" {
				_, _ = k.Shelf(ctx, who, fleet.ShelfQuery{Span: span, Text: "D-9"}) // the pool is read in between
			}
		})
		if entered != nil {
			t.Fatal(entered)
		}
		if minutes := shelf(); minutes != 999 {
			t.Errorf("the shelf knows of %d minutes of run time, want those of the changed model", minutes)
		}
	})
}
