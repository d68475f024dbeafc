package store_test

import (
	"strings"
	"sync"
	"testing"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"

	"kitd/internal/civil"
	"kitd/internal/exposure"
)

// TestBothDatabasesStoreTheSameResult runs the same day in both and compares the hash of what was computed.
func TestBothDatabasesStoreTheSameResult(t *testing.T) {
	hashes := map[string]string{}
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.3")
		hashes[h.Dialect()] = b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 84.9)).Result.ContentHash
	})
	if a, b := hashes["sqlite"], hashes["postgres"]; b != "" && a != b {
		t.Errorf("SQLite stored %s, PostgreSQL %s", a, b)
	}
	if len(hashes["sqlite"]) != 64 {
		t.Errorf("hash %q", hashes["sqlite"])
	}
}

func TestComputingAtOnceMakesOneResult(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		b.accepted(t, csv("D-012", b.at("07:00"), 5*3600, 85)) // three hours are not declared: accepted, without a result
		if n := count(t, h, "result"); n != 0 {
			t.Fatalf("an undeclared gap gave %d results", n)
		}
		day := must(b.WearOf(ctx, boss, w.ID)).Day
		day.Parts = append(day.Parts, survey.Part{Kind: survey.PartGap, Gap: survey.GapSame})
		must(b.ChangeDay(ctx, boss, day))
		var wg sync.WaitGroup
		ids, errs := make([]ident.ID, 8), make([]error, 8)
		for i := range ids {
			wg.Go(func() {
				r, err := b.Compute(ctx, boss, w.ID)
				ids[i], errs[i] = r.ID, err
			})
		}
		wg.Wait()
		for i := range ids {
			if errs[i] != nil || ids[i] != ids[0] {
				t.Errorf("computation %d gave %v, %v", i, ids[i], errs[i])
			}
		}
		if n := count(t, h, "result"); n != 1 {
			t.Errorf("%d results, want 1", n)
		}
	})
}

func TestExtensionIsPrintedOnTheResult(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		unit := b.units["D-099"].ID
		err := h.Do(ctx, boss, func(tx *store.Tx) error {
			d, err := tx.Dossiers([]ident.ID{unit}, h.Clock.Now())
			if err != nil {
				return err
			}
			return tx.AppendFacts([]fleet.Fact{{ID: h.NewID(), Unit: unit, Occurred: h.Clock.Now(), Entered: h.Clock.Now(), By: "ida",
				Body: fleet.Extended{Line: d[0].Lines[0].ID, Due: civil.Date{Year: 2026, Month: 12, Day: 17}, Reason: "laboratory closed for repair"}}})
		})
		if err != nil {
			t.Fatal(err)
		}
		b.wear(t, "D-099", "07:00", "15:00", "0.0")
		v := must(b.ResultOf(ctx, boss, b.accepted(t, csv("D-099", b.at("07:00"), 8*3600, 86)).Result.ID))
		if !v.Value.Assessable {
			t.Errorf("an extended certificate covers the day, but: %+v", v.Value.Why)
		}
		printed, linked := false, false
		for _, f := range v.Result.Content.Flags {
			printed = printed || f.Code == survey.FlagExtended && strings.Contains(f.Text, "laboratory closed for repair") && strings.Contains(f.Text, "2026-12-17")
		}
		for _, l := range v.Chain {
			linked = linked || l.Noun == survey.NounExtension
		}
		if !printed || !linked {
			t.Errorf("printed %v, in the chain %v", printed, linked)
		}
	})
}

func TestResultSaysWhenItsGroundsMoved(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		r := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85)).Result
		if must(b.ResultOf(ctx, boss, r.ID)).Moved {
			t.Error("nothing changed, but the grounds are said to have moved")
		}
		must(b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: b.at("15:20"), IndicatedDB: 113_900}))
		if !must(b.ResultOf(ctx, boss, r.ID)).Moved {
			t.Error("a later check is not noticed")
		}
		next := must(b.Compute(ctx, boss, w.ID))
		if next.ID == r.ID || must(b.ResultOf(ctx, boss, next.ID)).Moved {
			t.Error("computing again does not settle it")
		}
	})
}

func TestCheckFindsADoctoredResult(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		r := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85)).Result
		if found := must(h.Check(ctx)); len(found) != 0 {
			t.Fatalf("findings in a sound database: %v", found)
		}
		raw := h.SQL(t)
		statements := []string{"DROP TRIGGER result_frozen"}
		if h.Dialect() == "postgres" {
			statements[0] += " ON result"
		}
		for _, q := range append(statements, `UPDATE result SET document = replace(document, '"lex_8h_db":85', '"lex_8h_db":84')`) {
			if _, err := raw.ExecContext(ctx, q); err != nil {
				t.Fatal(err)
			}
		}
		found := must(h.Check(ctx))
		if len(found) != 1 || found[0].Check != "results" || !strings.Contains(found[0].Text, r.Label()) {
			t.Errorf("findings %v", found)
		}
	})
}

func TestReturnOfAnotherUnitIsFlagged(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		r := must(b.Receive(ctx, boss, upload(csv("20413", b.at("07:00"), 8*3600, 85)))) // the serial of D-013
		if r.State != survey.NeedsLinking || len(r.Candidates) != 1 || r.Candidates[0].SameUnit {
			t.Fatalf("%s, %+v", r.State, r.Candidates)
		}
		r = must(b.Link(ctx, boss, r.ID, w.ID, r.Version))
		a := must(b.Accept(ctx, boss, survey.Judgement{Return: r.ID, Version: r.Version}))
		codes := map[survey.FlagCode]bool{}
		for _, f := range a.Result.Content.Flags {
			codes[f.Code] = true
		}
		if !codes[survey.FlagOtherUnit] || !codes["flat_line"] || !codes[survey.FlagSetting] {
			t.Errorf("flags %v, want the other unit, the flat line, and the peaks that the survey needs", codes)
		}
		_, err := b.Accept(ctx, boss, survey.Judgement{Return: r.ID, Version: r.Version})
		wants(t, err, fault.Changed)
	})
}

// TestPeaksAndLevelsComeBackFromTheArchive sends levels of 0.1 dB with peaks of 0.01 dB and reads both through a result.
func TestPeaksAndLevelsComeBackFromTheArchive(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		raw := string(csv("D-012", b.at("07:00"), 0, 0))
		raw = strings.Replace(raw, "level_db\n", "# peak_weighting: C\nlevel_db,peak_db\n", 1) + strings.Repeat("80.0,110.00\n", 8*3600-1) + "80.0,137.25\n"
		a := b.accepted(t, []byte(raw))
		if a.Result == nil {
			t.Fatal(a.Pending)
		}
		m := a.Result.Content.Day
		// 137 dB(C) is 140 Pa: the upper action value for peaks (Directive 2003/10/EC, Art. 3).
		if m.PeakDB == nil || *m.PeakDB != 137.25 || m.PeakWeighting != "C" || *m.LEX8hDB != 80 {
			t.Errorf("peak %v dB(%s), L_EX,8h %v", m.PeakDB, m.PeakWeighting, m.LEX8hDB)
		}
		if s := verdictOf(t, *a.Result, "eu-2003-10", "upper-action-peak-exceeded").State; s != exposure.Met {
			t.Errorf("137.25 dB(C): %s", s)
		}
	})
}

func TestSendingAtOnceMakesOneReturn(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		raw := csv("D-012", b.at("07:00"), 8*3600, 85)
		var wg sync.WaitGroup
		ids, errs := make([]ident.ID, 6), make([]error, 6)
		for i := range ids {
			wg.Go(func() {
				r, err := b.Receive(ctx, boss, upload(raw))
				ids[i], errs[i] = r.ID, err
			})
		}
		wg.Wait()
		for i := range ids {
			if errs[i] != nil || ids[i] != ids[0] {
				t.Errorf("upload %d gave %v, %v", i, ids[i], errs[i])
			}
		}
		if n := count(t, h, "survey_return"); n != 1 {
			t.Errorf("%d returns, want 1", n)
		}
	})
}
