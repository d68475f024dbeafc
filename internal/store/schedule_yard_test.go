package store_test

import (
	"context"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// yard is a small pool: kits K-1 (D-1, D-2) and K-2 (D-3, D-4, C-1), loose D-5 and D-6, all with certificates for two years, and
// the accounts of a surveyor and an administrator.
type yard struct {
	depot   ident.ID
	kits    []ident.ID
	units   map[string]ident.ID
	account ident.ID
}

// deskOf is a desk over a database, as the server wires it.
func deskOf(db *store.DB) *schedule.Desk {
	return &schedule.Desk{
		Do: func(ctx context.Context, who access.Actor, fn func(schedule.Store) error) error {
			return db.Do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		},
		View: func(ctx context.Context, who access.Actor, fn func(schedule.Store) error) error {
			return db.View(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		},
		Now: db.Now, NewID: db.NewID,
	}
}

func keeperFor(db *store.DB) *fleet.Keeper {
	return &fleet.Keeper{
		Do: func(ctx context.Context, who access.Actor, fn func(fleet.Store) error) error {
			return db.Do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		},
		View: func(ctx context.Context, who access.Actor, fn func(fleet.Store) error) error {
			return db.View(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		},
		Now: db.Now, NewID: db.NewID,
	}
}

// got stops the test at an error.
func got[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func plant(t testing.TB, h *storetest.House) yard {
	t.Helper()
	k := keeperFor(h.DB)
	y := yard{units: map[string]ident.ID{}, account: h.NewID()}
	y.depot = got(k.AddDepot(ctx, who, fleet.Depot{Name: "North", Code: "north", Zone: "UTC"}))(t).ID
	dosimeter := got(k.AddModel(ctx, who, fleet.Model{Name: "Shoulder 2", Maker: "Quiet Works", Kind: fleet.Dosimeter, CalibrationMonths: 24, MemoryRuns: 1, HoldsData: true}))(t)
	calibrator := got(k.AddModel(ctx, who, fleet.Model{Name: "Tone", Maker: "Quiet Works", Kind: fleet.Calibrator, CalibrationMonths: 24}))(t)
	lab := got(k.AddLaboratory(ctx, who, fleet.Laboratory{Name: "Lab of Invented Measures", DueRule: fleet.Anniversary}))(t)
	certificate := fleet.Certificate{Number: "C-1", Laboratory: lab.ID, Calibrated: civil.Date{Year: 2026, Month: 2, Day: 1}}
	level := 94.0
	for _, tag := range []string{"D-1", "D-2", "D-3", "D-4", "D-5", "D-6", "C-1"} {
		model, line := dosimeter.ID, fleet.Line{Verdict: fleet.Pass}
		if tag == "C-1" {
			model, line.LevelDB = calibrator.ID, &level
		}
		u := got(k.AddUnit(ctx, who, fleet.Unit{Tag: tag, Serial: "S" + tag, Model: model, Depot: y.depot, Ownership: fleet.Owned}))(t)
		y.units[tag], line.Unit = u.ID, u.ID
		certificate.Lines = append(certificate.Lines, line)
	}
	got(k.EnterCertificate(ctx, who, certificate))(t)
	for code, tags := range map[string][]string{"K-1": {"D-1", "D-2"}, "K-2": {"D-3", "D-4", "C-1"}} {
		kit := got(k.AddKit(ctx, who, fleet.Kit{Name: "Case " + code, Code: code, Depot: y.depot}))(t)
		var units []ident.ID
		for _, tag := range tags {
			units = append(units, y.units[tag])
		}
		if err := k.SetKit(ctx, who, kit.ID, units, time.Time{}); err != nil {
			t.Fatal(err)
		}
	}
	err := h.Do(ctx, who, func(tx *store.Tx) error {
		head := access.Account{ID: h.NewID(), Version: 1, Name: "zoe", Display: "Zoe Lund", Role: access.Administrator, Locale: "en", Zone: "UTC", AllClients: true, Created: h.Clock.Now()}
		if err := tx.AddAccount(head, "zoe"); err != nil {
			return err
		}
		if err := tx.SetPasswordHash(head.ID, "$argon2id$never checked"); err != nil {
			return err
		}
		return tx.AddAccount(access.Account{ID: y.account, Version: 1, Name: "anna", Display: "Anna Osk", Role: access.Surveyor, Locale: "en", Zone: "UTC", AllClients: true, Created: h.Clock.Now()}, "anna")
	})
	if err != nil {
		t.Fatal(err)
	}
	return find(t, h.DB)
}

// find reads the yard of a database that somebody else planted.
func find(t testing.TB, db *store.DB) yard {
	t.Helper()
	y := yard{units: map[string]ident.ID{}}
	err := db.View(ctx, who, func(tx *store.Tx) error {
		depots, err := tx.Depots()
		if err != nil {
			return err
		}
		y.depot = depots[0].ID
		kits, err := tx.Kits(y.depot)
		if err != nil {
			return err
		}
		for _, k := range kits {
			y.kits = append(y.kits, k.ID)
		}
		units, err := tx.UnitsInDepot(y.depot)
		if err != nil {
			return err
		}
		dossiers, err := tx.Dossiers(units, db.Now())
		if err != nil {
			return err
		}
		for _, d := range dossiers {
			y.units[d.Unit.Tag] = d.Unit.ID
		}
		accounts, err := tx.Accounts()
		if err == nil {
			y.account = accounts[0].ID
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return y
}
