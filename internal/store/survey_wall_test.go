package store_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"
)

// TestAbsentAndForbiddenAnswerAlike asks for everything of a client from outside of its wall, and for things that do not exist.
func TestAbsentAndForbiddenAnswerAlike(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		a := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85))
		other := must(b.AddClient(ctx, boss, survey.Client{Code: "PEL", Name: "Pellgate Quarry"}))
		outside, nowhere := narrow(other.ID), ident.ID{0xff}
		level := survey.DB(114_000)
		asks := map[string]func(who access.Actor, id ident.ID) error{
			"client":      func(who access.Actor, id ident.ID) error { _, err := b.ClientOf(ctx, who, id); return err },
			"survey":      func(who access.Actor, id ident.ID) error { _, err := b.SurveyOf(ctx, who, id); return err },
			"wear":        func(who access.Actor, id ident.ID) error { _, err := b.WearOf(ctx, who, id); return err },
			"return":      func(who access.Actor, id ident.ID) error { _, err := b.ReturnOf(ctx, who, id); return err },
			"result":      func(who access.Actor, id ident.ID) error { _, err := b.ResultOf(ctx, who, id); return err },
			"compute":     func(who access.Actor, id ident.ID) error { _, err := b.Compute(ctx, who, id); return err },
			"worker name": func(who access.Actor, id ident.ID) error { _, err := b.NameOf(ctx, who, id); return err },
			"name worker": func(who access.Actor, id ident.ID) error { return b.NameWorker(ctx, who, id, "Somebody") },
			"site": func(who access.Actor, id ident.ID) error {
				_, err := b.ChangeSite(ctx, who, survey.Site{ID: id, Name: "x", Zone: "UTC", Version: 1})
				return err
			},
			"add site": func(who access.Actor, id ident.ID) error {
				_, err := b.AddSite(ctx, who, survey.Site{Client: id, Name: "x", Zone: "UTC"})
				return err
			},
			"add survey": func(who access.Actor, id ident.ID) error {
				_, err := b.AddSurvey(ctx, who, survey.Survey{Site: id, Title: "x", Profiles: []string{"uk-2005"}})
				return err
			},
			"add worker": func(who access.Actor, id ident.ID) error {
				_, err := b.AddWorker(ctx, who, survey.Worker{Client: id, Pseudonym: "x"})
				return err
			},
			"stop": func(who access.Actor, id ident.ID) error {
				_, err := b.StopWear(ctx, who, survey.Stop{Wear: id, At: b.at("15:00"), Outcome: survey.Complete})
				return err
			},
			"check": func(who access.Actor, id ident.ID) error {
				_, err := b.RecordCheck(ctx, who, survey.Check{Wear: id, Calibrator: b.units["C-001"].ID, When: survey.After, At: b.at("15:00"), IndicatedDB: level})
				return err
			},
			"accept": func(who access.Actor, id ident.ID) error {
				_, err := b.Accept(ctx, who, survey.Judgement{Return: id})
				return err
			},
			"reject": func(who access.Actor, id ident.ID) error {
				_, err := b.Reject(ctx, who, survey.Judgement{Return: id, Reason: "x"})
				return err
			},
			"clock": func(who access.Actor, id ident.ID) error {
				_, err := b.SetClock(ctx, who, id, 0, survey.Clock{OffsetMS: 1, Reason: "x"})
				return err
			},
			"day": func(who access.Actor, id ident.ID) error {
				_, err := b.ChangeDay(ctx, who, survey.WorkerDay{ID: id, Start: b.at("07:00"), Version: 2})
				return err
			},
		}
		targets := map[string]ident.ID{"client": b.client.ID, "survey": b.survey.ID, "wear": w.ID, "return": a.Return.ID, "result": a.Result.ID, "compute": w.ID,
			"worker name": b.worker.ID, "name worker": b.worker.ID, "site": b.site.ID, "add site": b.client.ID, "add survey": b.site.ID, "add worker": b.client.ID,
			"stop": w.ID, "check": w.ID, "accept": a.Return.ID, "reject": a.Return.ID, "clock": a.Return.ID, "day": w.Day}
		for name, ask := range asks {
			forbidden, absent := ask(outside, targets[name]), ask(outside, nowhere)
			if !fault.Is(forbidden, fault.NotThere) || absent == nil || forbidden.Error() != absent.Error() {
				t.Errorf("%s: forbidden %v, absent %v", name, forbidden, absent)
			}
		}
		lists := map[string]int{
			"surveys": len(must(b.Surveys(ctx, outside, survey.SurveyQuery{}))), "results": len(must(b.Results(ctx, outside, survey.ResultQuery{}))),
			"returns": len(must(b.Returns(ctx, outside, survey.ReturnQuery{}))), "sites": len(must(b.Sites(ctx, outside, b.client.ID))),
			"workers": len(must(b.Workers(ctx, outside, b.client.ID))), "touched": len(must(b.Touched(ctx, outside, b.units["C-001"].ID))),
		}
		for name, n := range lists {
			if n != 0 {
				t.Errorf("%s: %d are seen from outside of the wall", name, n)
			}
		}
		if seen := must(b.Clients(ctx, outside)); len(seen) != 1 || seen[0].ID != other.ID {
			t.Errorf("clients seen: %+v", seen)
		}
		if inside := must(b.Touched(ctx, narrow(b.client.ID), b.units["C-001"].ID)); len(inside) != 1 {
			t.Errorf("inside of the wall %d results are touched, want 1", len(inside))
		}
	})
}

func TestViewersRecordNothing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		viewer := access.Actor{Account: ident.ID{3}, Name: "v", Role: access.Viewer, Scope: access.Scope{All: true}}
		_, err := b.Receive(ctx, viewer, upload(csv("D-012", b.at("07:00"), 10, 80)))
		wants(t, err, fault.NotAllowed)
		_, err = b.NameOf(ctx, viewer, b.worker.ID)
		wants(t, err, fault.NotAllowed)
		_, err = b.AddClient(ctx, narrow(), survey.Client{Code: "X", Name: "X"})
		wants(t, err, fault.NotAllowed)
	})
}

func TestErasingAPersonLeavesEverythingValid(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		const name = "Hedwig Zzyx"
		if err := b.NameWorker(ctx, boss, b.worker.ID, name); err != nil {
			t.Fatal(err)
		}
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		r := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85)).Result
		if got := must(b.NameOf(ctx, boss, b.worker.ID)); got != name {
			t.Errorf("the name is %q", got)
		}
		var audited int
		err := h.SQL(t).QueryRowContext(ctx, `SELECT count(*) FROM audit WHERE before_state LIKE '%Zzyx%' OR after_state LIKE '%Zzyx%' OR private LIKE '%Zzyx%'`).Scan(&audited)
		if err != nil || audited != 0 {
			t.Errorf("the audit trail holds the name %d times, %v", audited, err)
		}
		if err := b.EraseName(ctx, boss, b.worker.ID); err != nil {
			t.Fatal(err)
		}
		if n := count(t, h, "worker_names"); n != 0 {
			t.Errorf("%d names are left", n)
		}
		if got := must(b.NameOf(ctx, boss, b.worker.ID)); got != "" {
			t.Errorf("the name is still %q", got)
		}
		if err := survey.Verify(must(b.ResultOf(ctx, boss, r.ID)).Result); err != nil {
			t.Errorf("the result does not verify any more: %v", err)
		}
	})
}

func TestADosimeterHangsOnOneWorkerAtATime(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.Clock.Set(b.at("07:00"))
		start := survey.Start{Survey: b.survey.ID, Worker: b.worker.ID, UnitTag: "D-012", Side: survey.Left, At: b.at("07:00")}
		first := must(b.StartWear(ctx, boss, start))
		b.Clock.Set(b.at("09:00"))
		start.At = b.at("09:00")
		_, err := b.StartWear(ctx, boss, start)
		wants(t, err, fault.UnitNotToBeWorn)
		must(b.StopWear(ctx, boss, survey.Stop{Wear: first.ID, At: b.at("08:30"), Outcome: survey.Complete}))
		start.Override = "the first wear is already on paper"
		second := must(b.StartWear(ctx, boss, start))
		if slices.Contains(second.Facts[0].NotFit, survey.AlreadyWorn) {
			t.Errorf("a wear that ended at 08:30 counts at 09:00: %+v", second.Facts[0])
		}
	})
}

func TestLateAndContradictingFactsStand(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.Clock.Set(b.at("18:00"))
		start := survey.Start{Survey: b.survey.ID, Worker: b.worker.ID, UnitTag: "d-099", Side: survey.Left, At: b.at("07:00")} // not covered, entered late
		w := must(b.StartWear(ctx, boss, start))
		if f := w.Facts[0]; !f.Late() || !slices.Contains(f.NotFit, string(fleet.ReasonCertificate)) || f.Entered.Equal(f.Occurred) {
			t.Errorf("late entry: %+v", f)
		}
		start.At = b.at("18:00") // made now, it is an intention
		_, err := b.StartWear(ctx, boss, start)
		wants(t, err, fault.UnitNotToBeWorn)
		start.Override = "no other unit on site"
		must(b.StartWear(ctx, boss, start))
		_, err = b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: b.at("06:59"), Outcome: survey.Complete})
		wants(t, err, fault.BadInput)
		must(b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: b.at("15:02"), Outcome: survey.Complete}))
		b.Clock.Add(time.Minute)
		w = must(b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: b.at("14:40"), Outcome: survey.CutShort, Note: "from the desk"}))
		if !w.Stop.Equal(b.at("14:40")) || w.Outcome != survey.CutShort || len(w.Contradictions()) != 1 || len(w.Facts) != 3 {
			t.Errorf("two stops: %+v, %v", w, w.Contradictions())
		}
		if got := b.unread(t, "D-099"); !slices.Equal(got, []ident.ID{w.ID}) {
			t.Errorf("the unit holds %v, want the wear once", got)
		}
	})
}

func TestNightShiftBelongsToTheDayItBegan(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		// Clocks go back at 03:00 on 25 October 2026 in Berlin (Directive 2000/84/EC): the shift from 22:00 to 06:00 has nine hours.
		start := time.Date(2026, 10, 24, 22, 0, 0, 0, b.loc)
		d := must(b.AddDay(ctx, boss, survey.WorkerDay{Survey: b.survey.ID, Worker: b.worker.ID, Start: start, ShiftMinutes: 540}))
		if d.Date.String() != "2026-10-24" {
			t.Errorf("the night shift is dated %s", d.Date)
		}
		if end := time.Date(2026, 10, 25, 6, 0, 0, 0, b.loc); end.Sub(d.Start) != 9*time.Hour {
			t.Errorf("the shift has %v", end.Sub(d.Start))
		}
	})
}

func TestRepeatedFailingChecksHoldBack(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "-0.8")
		if b.held(t, "D-012") != 0 {
			t.Error("one failing check holds the dosimeter back already")
		}
		after := survey.Check{Wear: w.ID, Calibrator: b.units["C-003"].ID, When: survey.After, At: b.at("15:10"), IndicatedDB: 113_100}
		must(b.RecordCheck(ctx, boss, after))
		if b.held(t, "D-012") != 1 || b.held(t, "C-001") != 0 {
			t.Error("two calibrators agree that it failed, and it is not held back, or its first calibrator is")
		}
		b.wear(t, "D-013", "07:00", "15:00", "-0.8")
		if b.held(t, "C-001") != 1 || b.held(t, "D-013") != 0 {
			t.Error("two dosimeters failed on one calibrator, and it is not held back")
		}
	})
}

func (b *bureau) held(t *testing.T, tag string) (n int) {
	t.Helper()
	err := b.DB.View(ctx, boss, func(tx *store.Tx) error {
		d, err := tx.Dossiers([]ident.ID{b.units[tag].ID}, b.Clock.Now())
		if err != nil {
			return err
		}
		for _, f := range d[0].Facts {
			if body, ok := f.Body.(fleet.Held); ok && strings.Contains(body.Rule, "check") {
				n++
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}
