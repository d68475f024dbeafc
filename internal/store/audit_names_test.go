package store_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// The chain holds no name of a person and no free text: what may hold one is private there, and can be erased.
func TestTheChainHoldsNoNames(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h) // everything is entered by ida
		lab := got(keeperFor(h.DB).AddLaboratory(ctx, boss, fleet.Laboratory{Name: "Second Laboratory", DueRule: fleet.MonthEnd}))(t)
		cert := fleet.Certificate{Number: "K-88", Laboratory: lab.ID, Calibrated: civil.Date{Year: 2026, Month: 11, Day: 2}, Note: "phoned Mrs Quill",
			Lines: []fleet.Line{{Unit: b.units["D-013"].ID, Verdict: fleet.Pass}}}
		first := got(keeperFor(h.DB).EnterCertificate(ctx, boss, cert))(t)
		cert.Number, cert.Supersedes, cert.Note = "K-89", first.ID, "phoned Mrs Quill again"
		got(keeperFor(h.DB).EnterCertificate(ctx, boss, cert))(t)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85))
		passwords := must(access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, kittest.Random(9), 1))
		gate := &access.Gate{Now: h.Clock.Now, NewID: h.NewID, Random: kittest.Random(8), Passwords: passwords, Limiter: access.NewLimiter(), Times: access.DefaultTimes}
		gate.Do = in[access.Store](h.DB.Do, func(tx *store.Tx) access.Store { return tx })
		gate.View = in[access.Store](h.DB.View, func(tx *store.Tx) access.Store { return tx })
		a := got(gate.AddAccount(ctx, who, access.Account{Name: "perdita.quill", Role: access.Surveyor, Zone: "UTC"}, "long enough words"))(t)
		a.Role = access.Viewer
		got(gate.ChangeAccount(ctx, who, a))(t)
		h.Clock.Add(time.Minute)

		var chain []trail.Sealed
		err := h.View(ctx, who, func(tx *store.Tx) error {
			return tx.Each("SELECT noun_id FROM audit GROUP BY noun_id", nil, func(scan func(...any) error) error {
				var id store.Key
				err := scan(&id)
				chain = append(chain, trail.Sealed{Entry: trail.Entry{NounID: ident.ID(id)}})
				return err
			})
		})
		if err != nil {
			t.Fatal(err)
		}
		seen := 0
		for _, noun := range chain {
			err := h.View(ctx, who, func(tx *store.Tx) error {
				all, err := tx.Trail(noun.NounID, 1000)
				for _, e := range all {
					seen++
					for _, name := range []string{`"ida"`, "quill", "Quill"} {
						if text := e.Canonical(); bytes.Contains(text, []byte(name)) {
							t.Errorf("%s of %s holds %s: %s", e.Verb, e.Noun, name, text)
						}
					}
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		if seen < 15 {
			t.Errorf("only %d entries were looked at", seen)
		}
	})
}

// in runs a domain package's work on the store.
func in[S any](run func(context.Context, access.Actor, func(*store.Tx) error) error, as func(*store.Tx) S) func(context.Context, access.Actor, func(S) error) error {
	return func(c context.Context, who access.Actor, fn func(S) error) error {
		return run(c, who, func(tx *store.Tx) error { return fn(as(tx)) })
	}
}
