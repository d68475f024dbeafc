package store_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"
)

// errDeadlock ends the first run of a piece of work after its last statement, as a deadlock found at COMMIT would.
var errDeadlock = errors.New("the database asks for the work again")

// again runs every piece of work twice: the first run is undone, meanwhile happens, and the second one counts.
func again(db *store.DB, meanwhile func()) func(context.Context, access.Actor, func(*store.Tx) error) error {
	return func(ctx context.Context, who access.Actor, fn func(*store.Tx) error) error {
		err := db.Do(ctx, who, func(tx *store.Tx) error {
			if err := fn(tx); err != nil {
				return err
			}
			return errDeadlock
		})
		if !errors.Is(err, errDeadlock) {
			return err
		}
		meanwhile()
		return db.Do(ctx, who, fn)
	}
}

// Work that a deadlock makes run again gives what it would have given at once.
func TestChangesMayRunAgain(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		twice := again(h.DB, func() {})
		b.Office.Do = func(ctx context.Context, who access.Actor, fn func(survey.Store) error) error {
			return twice(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
		b.client.Note = "gate 3"
		if c, err := b.ChangeClient(ctx, boss, b.client); err != nil || c.Version != 2 {
			t.Errorf("client: version %d, %v", c.Version, err)
		}
		b.site.Note = "ask for the foreman"
		if s, err := b.ChangeSite(ctx, boss, b.site); err != nil || s.Version != 2 {
			t.Errorf("site: version %d, %v", s.Version, err)
		}
		b.survey.Days = append(b.survey.Days, civil.Date{Year: 2026, Month: 11, Day: 19})
		if v, err := b.ChangeSurvey(ctx, boss, b.survey); err != nil || v.Version != 2 {
			t.Errorf("survey: version %d, %v", v.Version, err)
		}
		d := must(b.AddDay(ctx, boss, survey.WorkerDay{Survey: b.survey.ID, Worker: b.worker.ID, Start: b.at("06:00"), ShiftMinutes: 480}))
		d.ShiftMinutes = 600
		if d, err := b.ChangeDay(ctx, boss, d); err != nil || d.Version != 2 {
			t.Errorf("day: version %d, %v", d.Version, err)
		}
		if _, err := b.ChangeDay(ctx, boss, d); !fault.Is(err, fault.Changed) {
			t.Errorf("an old version: %v, want changed meanwhile", err)
		}
	})
}

// Somebody hands one of two units out while the hand-out of both runs again: it hands out the other one only.
func TestHandOutRunsAgainOnWhatIsLeft(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		y := plant(t, h)
		anna := surveyor(h)
		plain, hasty := deskOf(h.DB), deskOf(h.DB)
		b := booked(t)(plain.Book(ctx, anna, on(schedule.Ask{Kit: y.kits[0]}, 5, 5)))
		h.Clock.Set(time.Date(2026, 3, 5, 7, 0, 0, 0, time.UTC))
		twice := again(h.DB, func() {
			h.Clock.Add(time.Second)
			booked(t)(plain.HandOut(ctx, anna, b.ID, schedule.HandOut{Units: []ident.ID{b.Units[0].Unit}, Override: "tests charge nothing"}))
		})
		hasty.Do = func(ctx context.Context, who access.Actor, fn func(schedule.Store) error) error {
			return twice(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
		out := booked(t)(hasty.HandOut(ctx, anna, b.ID, schedule.HandOut{Override: "tests charge nothing"}))
		if out.State != schedule.OutNow || out.Version != 3 {
			t.Errorf("state %s, version %d", out.State, out.Version)
		}
		if n := count(t, h, "fact"); n != 2 {
			t.Errorf("%d facts for two units, want one each", n)
		}
	})
}
