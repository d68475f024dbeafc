package store_test

import (
	"sync"
	"testing"
	"time"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"
)

// memory tells what the fleet knows of a unit: wears whose data are unread, wears lost by clearing, and minutes worn.
func (b *bureau) memory(t *testing.T, tag string) (unread, lost, minutes int) {
	t.Helper()
	err := b.DB.View(ctx, boss, func(tx *store.Tx) error {
		now := b.Clock.Now()
		ds, err := tx.Dossiers([]ident.ID{b.units[tag].ID}, now)
		if err != nil {
			return err
		}
		unread, lost = len(fleet.Unread(ds[0], now, now)), len(fleet.ClearedUnread(ds[0], now))
		gone := map[ident.ID]bool{}
		for _, f := range ds[0].Facts {
			if r, ok := f.Body.(fleet.Retracted); ok {
				gone[r.Fact] = true
			}
		}
		for _, f := range ds[0].Facts {
			if w, ok := f.Body.(fleet.Worn); ok && !gone[f.ID] {
				minutes += w.Minutes
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return unread, lost, minutes
}

// A stop that is put right later puts right what the fleet knows as well: whether the memory holds data, and the time worn.
func TestALaterStopCountsForTheUnitToo(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		stop := func(at string, o survey.Outcome) {
			t.Helper()
			b.Clock.Add(time.Minute)
			must(b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: b.at(at), Outcome: o}))
		}
		want := func(unread, lost, minutes int) {
			t.Helper()
			if u, l, m := b.memory(t, "D-012"); u != unread || l != lost || m != minutes {
				t.Errorf("%d unread, %d lost, %d minutes; want %d, %d, %d", u, l, m, unread, lost, minutes)
			}
		}
		want(1, 0, 480)
		stop("15:00", survey.Complete) // says nothing new
		want(1, 0, 480)
		stop("14:00", survey.CutShort)
		want(1, 0, 420)
		stop("14:00", survey.ClearedOut)
		want(0, 1, 420)
		stop("14:00", survey.Complete) // it was not cleared after all: the data are there and must be read
		want(1, 0, 420)
		stop("07:10", survey.Refused)
		want(0, 0, 0)
		stop("14:00", survey.Complete)
		want(1, 0, 420)
	})
}

// What has not happened yet cannot be recorded as having happened.
func TestNothingHappensInTheFuture(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		later := h.Clock.Now().Add(fleet.Tolerance + time.Minute)
		_, start := b.StartWear(ctx, boss, survey.Start{Survey: b.survey.ID, Worker: b.worker.ID, UnitTag: "D-013", Side: survey.Left, At: later, Override: "test"})
		_, stop := b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: later, Outcome: survey.Complete})
		_, check := b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: later, IndicatedDB: 114_000})
		for name, err := range map[string]error{"start": start, "stop": stop, "check": check} {
			if !fault.Is(err, fault.BadInput) {
				t.Errorf("a %s in the future: %v, want bad-input", name, err)
			}
		}
	})
}

// A calibrator that was signed off is held again when two dosimeters fail with it again.
func TestASignedOffCalibratorIsHeldAgain(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "-0.8")
		second := b.wear(t, "D-013", "07:00", "15:00", "-0.8")
		if n := b.held(t, "C-001"); n != 1 {
			t.Fatalf("held %d times", n)
		}
		third := b.wear(t, "D-099", "07:00", "15:00", "-0.8")
		if n := b.held(t, "C-001"); n != 1 {
			t.Errorf("held %d times although it is held already", n)
		}
		var hold ident.ID
		err := h.View(ctx, boss, func(tx *store.Tx) error {
			ds, err := tx.Dossiers([]ident.ID{b.units["C-001"].ID}, h.Clock.Now())
			for _, f := range ds[0].Facts {
				if _, ok := f.Body.(fleet.Held); ok {
					hold = f.ID
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		got(keeperFor(h.DB).Record(ctx, boss, fleet.Fact{Unit: b.units["C-001"].ID, Body: fleet.SignedOff{Hold: hold, Reason: "compared with another"}}))(t)
		fails := func(w survey.Wear) {
			h.Clock.Add(time.Minute)
			must(b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: h.Clock.Now(), IndicatedDB: 113_100}))
		}
		fails(third)
		if n := b.held(t, "C-001"); n != 1 {
			t.Errorf("held %d times: what failed before it was signed off counts still", n)
		}
		fails(second)
		if n := b.held(t, "C-001"); n != 2 {
			t.Errorf("held %d times, want a second hold", n)
		}
	})
}

// Two dosimeters fail with one calibrator for two clients; who records the second check sees only one of them.
func TestACalibratorIsHeldAcrossWalls(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "-0.8")
		b.client = must(b.AddClient(ctx, boss, survey.Client{Code: "WEST", Name: "Westry Mills"}))
		b.site = must(b.AddSite(ctx, boss, survey.Site{Client: b.client.ID, Name: "Mill", Zone: "Europe/Berlin"}))
		b.survey = must(b.AddSurvey(ctx, boss, survey.Survey{Site: b.site.ID, Title: "Rollers", Profiles: []string{"eu-2003-10"}, Groups: []survey.Group{{Name: "Rollers", Size: 2}}}))
		b.worker = must(b.AddWorker(ctx, boss, survey.Worker{Client: b.client.ID, Pseudonym: "Rowan 1"}))
		w := b.wear(t, "D-013", "07:00", "15:00", "0.0")
		must(b.RecordCheck(ctx, narrow(b.client.ID), survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: h.Clock.Now(), IndicatedDB: 113_100}))
		if n := b.held(t, "C-001"); n != 1 {
			t.Errorf("held %d times, want once", n)
		}
	})
}

// Two dosimeters fail with one calibrator in the same moment: one of the two checks sees the other.
func TestFailingChecksAtOnceHoldTheCalibrator(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		var wait sync.WaitGroup
		wears := []survey.Wear{b.wear(t, "D-012", "07:00", "15:00", "0.0"), b.wear(t, "D-013", "07:00", "15:00", "0.0")}
		errs := make([]error, len(wears))
		for i, w := range wears {
			wait.Go(func() {
				_, errs[i] = b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: h.Clock.Now(), IndicatedDB: 113_100})
			})
		}
		wait.Wait()
		for _, err := range errs {
			if err != nil {
				t.Error(err)
			}
		}
		if n := b.held(t, "C-001"); n != 1 {
			t.Errorf("held %d times, want once", n)
		}
	})
}
