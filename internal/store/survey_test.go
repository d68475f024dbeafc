package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"
)

// bureau is a survey in a database: one client with a site, a survey, a worker, and the pool it measures with.
type bureau struct {
	*storetest.House
	*survey.Office
	pool
	client survey.Client
	site   survey.Site
	survey survey.Survey
	worker survey.Worker
	loc    *time.Location
}

var (
	boss = access.Actor{Account: ident.ID{1}, Name: "ida", Role: access.Coordinator, Scope: access.Scope{All: true}, Via: access.ViaPage}
)

// narrow is a surveyor who sees only these clients.
func narrow(clients ...ident.ID) access.Actor {
	return access.Actor{Account: ident.ID{2}, Name: "nella", Role: access.Surveyor, Scope: access.Scope{Clients: clients}, Via: access.ViaPage}
}

func newBureau(t *testing.T, h *storetest.House) *bureau {
	t.Helper()
	codec, err := archive.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	in := func(run func(context.Context, access.Actor, func(*store.Tx) error) error) func(context.Context, access.Actor, func(survey.Store) error) error {
		return func(ctx context.Context, who access.Actor, fn func(survey.Store) error) error {
			return run(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
	}
	b := &bureau{House: h, Office: &survey.Office{Do: in(h.DB.Do), View: in(h.DB.View), Files: h.DB, Codec: codec, Now: h.Clock.Now, NewID: h.NewID,
		Profile: exposure.ProfileByID}}
	if b.loc, err = time.LoadLocation("Europe/Berlin"); err != nil {
		t.Fatal(err)
	}
	h.Clock.Set(b.at("06:30"))
	b.pool = newPool(t, h)
	b.client = must(b.AddClient(ctx, boss, survey.Client{Code: "OST", Name: "Ostry Bottling"}))
	b.site = must(b.AddSite(ctx, boss, survey.Site{Client: b.client.ID, Name: "Hall 2", Zone: "Europe/Berlin"}))
	b.survey = must(b.AddSurvey(ctx, boss, survey.Survey{Site: b.site.ID, Title: "Fillers", Profiles: []string{"eu-2003-10", "us-niosh"},
		Days: []civil.Date{{Year: 2026, Month: 11, Day: 18}}, Groups: []survey.Group{{Name: "Fillers", Size: 7}}}))
	b.worker = must(b.AddWorker(ctx, boss, survey.Worker{Client: b.client.ID, Pseudonym: "Hazel 2"}))
	return b
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// at is a time of the survey day at the site.
func (b *bureau) at(clock string) time.Time {
	return must(time.ParseInLocation("2006-01-02 15:04", "2026-11-18 "+clock, b.loc))
}

// wear hangs the unit on, with checks that differ by drift, and takes it off again.
func (b *bureau) wear(t *testing.T, tag, from, to, drift string) survey.Wear {
	t.Helper()
	b.Clock.Set(b.at(from))
	w := must(b.StartWear(ctx, boss, survey.Start{Survey: b.survey.ID, Worker: b.worker.ID, Group: b.survey.Groups[0].ID, ShiftMinutes: 480,
		UnitTag: tag, Side: survey.Right, At: b.at(from), Override: "shared test pool"}))
	level := must(survey.ParseDB("114.0"))
	must(b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.Before, At: b.at(from).Add(-10 * time.Minute),
		IndicatedDB: level - 200, Adjusted: true, AdjustedDB: &level}))
	b.Clock.Set(b.at(to))
	w = must(b.StopWear(ctx, boss, survey.Stop{Wear: w.ID, At: b.at(to), Outcome: survey.Complete}))
	must(b.RecordCheck(ctx, boss, survey.Check{Wear: w.ID, Calibrator: b.units["C-001"].ID, When: survey.After, At: b.at(to).Add(5 * time.Minute),
		IndicatedDB: level + must(survey.ParseDB(drift))}))
	b.Clock.Add(time.Hour)
	return w
}

// csv writes a return of one level per second.
func csv(unit string, start time.Time, seconds int, db float64) []byte {
	var f bytes.Buffer
	fmt.Fprintf(&f, "# kitd-csv: 1\n# unit: %s\n# start: %s\n# step_s: 1\n# quantity: LAeq\n# weighting: A\nlevel_db\n", unit, start.Format(time.RFC3339))
	for range seconds {
		fmt.Fprintf(&f, "%.1f\n", db)
	}
	return f.Bytes()
}

func upload(raw []byte) survey.Upload {
	return survey.Upload{Name: "day.csv", Body: bytes.NewReader(raw)}
}

func (b *bureau) accepted(t *testing.T, raw []byte) survey.Acceptance {
	t.Helper()
	r, err := b.Receive(ctx, boss, upload(raw))
	if err != nil {
		t.Fatal(err)
	}
	a, err := b.Accept(ctx, boss, survey.Judgement{Return: r.ID, Version: r.Version})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func wants(t *testing.T, err error, code fault.Code) {
	t.Helper()
	if !fault.Is(err, code) {
		t.Errorf("%v, want the fault %s", err, code)
	}
}

func TestReturnBecomesResultWithItsChain(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.3")
		if w.Entered.Before(w.Start) || len(w.Facts) != 2 {
			t.Fatalf("wear %+v", w)
		}
		a := b.accepted(t, csv("d-012", b.at("07:00"), 8*3600, 85))
		if a.Pending != nil || a.Result == nil {
			t.Fatalf("no result: %v", a.Pending)
		}
		if a.Return.Wear != w.ID || a.Return.Client != b.client.ID || a.Return.State != survey.Accepted {
			t.Errorf("return %+v", a.Return)
		}
		v := must(b.ResultOf(ctx, boss, a.Result.ID))
		// 8 h at 85.0 dB are L_EX,8h 85.0 dB (ISO 1999:2013, 3.7), which reaches the upper action value: "at or above" (Directive 2003/10/EC, Art. 3, 6).
		if got := *v.Value.DB; got != 85 {
			t.Errorf("L_EX,8h %v, want exactly 85", got)
		}
		if s := verdictOf(t, v.Result, "eu-2003-10", "upper-action-reached"); s.State != exposure.Met {
			t.Errorf("upper action value at exactly 85 dB: %v", s.State)
		}
		if s := verdictOf(t, v.Result, "eu-2003-10", "upper-action-exceeded"); s.State != exposure.NotMet {
			t.Errorf("upper action value exceeded at exactly 85 dB: %v", s.State)
		}
		if !v.Value.Assessable || math.Abs(*v.Value.ExpandedDB-2.974579) > 1e-5 {
			t.Errorf("value %+v", v.Value)
		}
		if *v.Result.Content.Drift.ValueDB != 300 {
			t.Errorf("drift %v, want 0.3 dB", v.Result.Content.Drift.ValueDB)
		}
		want := []string{"result", "review", "return", "wear", "worker-day", "check", "check", "dosimeter", "certificate", "calibrator", "certificate", "profile", "profile"}
		var got []string
		for _, l := range v.Chain {
			got = append(got, l.Noun)
			if len(l.Hash) != 64 {
				t.Errorf("%s %s has no hash", l.What, l.Label)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("chain %v, want %v", got, want)
		}
		if len(v.History) != 480 || v.History[3].LeqDB != 85 {
			t.Errorf("%d minutes of history", len(v.History))
		}
		if err := survey.Verify(v.Result); err != nil {
			t.Errorf("the hash of what was read back: %v", err)
		}
		if v.Result.Content.Subject.Group != "Fillers" || v.Result.Content.Subject.Date.String() != "2026-11-18" {
			t.Errorf("subject %+v", v.Result.Content.Subject)
		}
	})
}

func verdictOf(t *testing.T, r survey.Result, profile, id string) exposure.Verdict {
	t.Helper()
	for _, p := range r.Content.Day.Profiles {
		for _, v := range p.Verdicts {
			if p.Profile == profile && v.ID == id {
				return v
			}
		}
	}
	t.Fatalf("no verdict %s of %s", id, profile)
	return exposure.Verdict{}
}

func TestResultsAreReplacedNeverEdited(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		first := *b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85)).Result
		if again := must(b.Compute(ctx, boss, w.ID)); again.ID != first.ID {
			t.Errorf("computing again with nothing changed made %s beside %s", again.Label(), first.Label())
		}
		day := must(b.WearOf(ctx, boss, w.ID)).Day
		day.ShiftMinutes, day.Parts = 600, append(day.Parts, survey.Part{Kind: survey.PartGap, Gap: survey.GapSame})
		day = must(b.ChangeDay(ctx, boss, day))
		second := must(b.Compute(ctx, boss, w.ID))
		if second.Replaces != first.ID || second.Number != first.Number+1 {
			t.Errorf("%s replaces %v, want %v", second.Label(), second.Replaces, first.ID)
		}
		old, now := must(b.ResultOf(ctx, boss, first.ID)), must(b.ResultOf(ctx, boss, second.ID))
		if old.Replaced.ID != second.ID || now.Former.ID != first.ID || old.Result.Hash != first.Hash || *old.Value.DB != 85 {
			t.Errorf("old %+v, new %+v", old.Replaced, now.Former)
		}
		if want := 85 + 10*math.Log10(10.0/8); math.Abs(*now.Value.DB-want) > 1e-6 { // ISO 9612:2009, clause 11: L_Aeq + 10 lg(Te/T0)
			t.Errorf("L_EX,8h of ten hours %v, want %v", *now.Value.DB, want)
		}
		if all := must(b.Results(ctx, boss, survey.ResultQuery{Survey: b.survey.ID})); len(all) != 2 || all[0].ID != second.ID {
			t.Errorf("%d results", len(all))
		}
		if current := must(b.Results(ctx, boss, survey.ResultQuery{Current: true})); len(current) != 1 || current[0].ID != second.ID {
			t.Errorf("%d results stand", len(current))
		}
		day.ShiftMinutes, day.Parts = 600, day.Parts[:1]
		must(b.ChangeDay(ctx, boss, day))
		_, err := b.Compute(ctx, boss, w.ID)
		wants(t, err, fault.UndeclaredGap)
	})
}

func TestNoStatementChangesWhatIsSealed(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85))
		raw := h.SQL(t)
		for _, q := range []string{
			"UPDATE result SET document = '{}'", "UPDATE result SET number = number + 100", "UPDATE result SET replaces_id = NULL, by_name = 'x'", "DELETE FROM result",
			"UPDATE result_evidence SET hash = ''", "DELETE FROM result_evidence",
			"UPDATE wear_fact SET occurred = occurred + 1", "UPDATE wear_fact SET note = 'other'", "DELETE FROM wear_fact",
			"UPDATE field_check SET indicated_mdb = 114000", "DELETE FROM field_check",
			"UPDATE return_review SET verdict = 'rejected'", "UPDATE return_review SET exclusions = '[]'", "DELETE FROM return_review",
		} {
			if _, err := raw.ExecContext(ctx, q); err == nil || !strings.Contains(err.Error(), "kitd:frozen") {
				t.Errorf("%s: %v, want the trigger's refusal", q, err)
			}
		}
		if h.Dialect() == "sqlite" { // PostgreSQL has no such statement
			for _, table := range []string{"result", "result_evidence", "wear_fact", "field_check", "return_review", "audit", "file",
				"fact", "certificate", "certificate_line", "noun_version"} {
				q := "INSERT OR REPLACE INTO " + table + " SELECT * FROM " + table
				if _, err := raw.ExecContext(ctx, q); err == nil || !strings.Contains(err.Error(), "kitd:") {
					t.Errorf("%s: %v, want the trigger's refusal", q, err)
				}
			}
			q := "INSERT OR REPLACE INTO result SELECT randomblob(16), number + 1, client_id, survey_id, day_id, wear_id, return_id, replaces_id, computed, by_name, content_hash, hash, document FROM result"
			if _, err := raw.ExecContext(ctx, q); err == nil || !strings.Contains(err.Error(), "kitd:frozen") {
				t.Errorf("another first result in place of the one there: %v, want the trigger's refusal", err)
			}
		}
		for _, q := range []string{"UPDATE wear_fact SET note = '', override = ''", "UPDATE field_check SET place = ''", "UPDATE return_review SET reason = ''"} {
			if _, err := raw.ExecContext(ctx, q); err != nil {
				t.Errorf("%s: erasing free text is refused: %v", q, err)
			}
		}
		again := must(b.Results(ctx, boss, survey.ResultQuery{}))
		if len(again) != 1 || survey.Verify(again[0]) != nil {
			t.Error("the result does not verify after free text was erased")
		}
	})
}

func TestForwardAndBackwardTraceAreInverses(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		b.wear(t, "D-013", "07:00", "15:00", "0.1")
		one := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85)).Result
		two := b.accepted(t, csv("D-013", b.at("07:00"), 8*3600, 82)).Result
		for _, r := range must(b.Results(ctx, boss, survey.ResultQuery{})) {
			for _, e := range r.Content.Evidence {
				for _, id := range []ident.ID{e.ID, e.Part} {
					if !id.IsZero() && !slices.Contains(must(b.Touched(ctx, boss, id)), r.ID) {
						t.Errorf("%s rests on %s %s, but the trace forward from there misses it", r.Label(), e.Noun, e.Label)
					}
				}
			}
		}
		for tag, u := range b.units {
			for _, id := range must(b.Touched(ctx, boss, u.ID)) {
				r := must(b.ResultOf(ctx, boss, id)).Result
				if !slices.ContainsFunc(r.Content.Evidence, func(e survey.Evidence) bool { return e.ID == u.ID }) {
					t.Errorf("the trace from %s gives %s, whose chain does not name it", tag, r.Label())
				}
			}
		}
		if got := must(b.Touched(ctx, boss, b.units["C-001"].ID)); len(got) != 2 {
			t.Errorf("the calibrator touches %d results, want 2", len(got))
		}
		if got := must(b.Touched(ctx, boss, b.units["D-013"].ID)); !slices.Equal(got, []ident.ID{two.ID}) || one.ID == two.ID {
			t.Errorf("the dosimeter touches %v", got)
		}
		if got := must(b.Touched(ctx, boss, b.units["C-003"].ID)); len(got) != 0 {
			t.Errorf("a calibrator that was not used touches %v", got)
		}
	})
}

func TestSameFileIsTheSameReturn(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		raw := csv("D-012", b.at("07:00"), 8*3600, 85)
		first := must(b.Receive(ctx, boss, upload(raw)))
		if again := must(b.Receive(ctx, boss, upload(raw))); again.ID != first.ID || again.State != survey.Linked {
			t.Errorf("the same bytes gave %s and %s", first.Label(), again.Label())
		}
		other := must(b.AddClient(ctx, boss, survey.Client{Code: "PEL", Name: "Pellgate Quarry"}))
		apart := must(b.Receive(ctx, narrow(other.ID), upload(raw)))
		if apart.ID == first.ID || apart.State != survey.NeedsLinking || len(apart.Candidates) != 0 || !apart.Client.IsZero() {
			t.Errorf("across the wall: %+v", apart)
		}
		if n := count(t, h, "survey_return"); n != 2 {
			t.Errorf("%d returns, want 2", n)
		}
	})
}

func TestLinksAreAskedNeverGuessed(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		morning := b.wear(t, "D-012", "07:00", "11:00", "0.0")
		later := b.wear(t, "D-012", "11:00", "15:00", "0.0")
		r := must(b.Receive(ctx, boss, upload(csv("D-012", b.at("07:00"), 8*3600, 85))))
		if r.State != survey.NeedsLinking || len(r.Candidates) != 2 || !r.Client.IsZero() {
			t.Fatalf("two wears in its time: %s with %d candidates", r.State, len(r.Candidates))
		}
		_, err := b.Accept(ctx, boss, survey.Judgement{Return: r.ID})
		wants(t, err, fault.ReturnUnlinked)
		if _, err := b.ReturnOf(ctx, narrow(b.client.ID), r.ID); !fault.Is(err, fault.NotThere) {
			t.Errorf("a return that belongs to nobody yet is shown to somebody else: %v", err)
		}
		r = must(b.Link(ctx, boss, r.ID, morning.ID, r.Version))
		if r.State != survey.Linked || r.Client != b.client.ID {
			t.Errorf("linked: %+v", r)
		}
		_, err = b.Link(ctx, boss, r.ID, later.ID, r.Version-1)
		wants(t, err, fault.Changed)
		second := must(b.Receive(ctx, boss, upload(csv("D-012", b.at("07:00"), 4*3600, 84))))
		if second.State != survey.NeedsLinking || !second.Candidates[0].Taken {
			t.Errorf("a wear that has a return already: %s, %+v", second.State, second.Candidates)
		}
		_, err = b.Link(ctx, boss, second.ID, morning.ID, second.Version)
		wants(t, err, fault.WearTaken)
		unknown := must(b.Receive(ctx, boss, upload(csv("D-999", b.at("07:00"), 4*3600, 84))))
		if unknown.State != survey.NeedsLinking {
			t.Errorf("a unit nobody knows: %s", unknown.State)
		}
	})
}

func TestClockOffsetIsAReversibleStep(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		r := must(b.Receive(ctx, boss, upload(csv("D-012", b.at("19:00"), 8*3600, 85)))) // twelve hours ahead
		if r.State != survey.NeedsLinking || len(r.Candidates) != 0 {
			t.Fatalf("%s with %d candidates", r.State, len(r.Candidates))
		}
		_, err := b.SetClock(ctx, boss, r.ID, r.Version, survey.Clock{OffsetMS: 12 * 3600_000})
		wants(t, err, fault.BadInput)
		r = must(b.SetClock(ctx, boss, r.ID, r.Version, survey.Clock{OffsetMS: 12 * 3600_000, Reason: "read at download"}))
		if r.State != survey.Linked || r.Wear != w.ID || !r.Start().Equal(b.at("07:00")) || !r.History.Start.Equal(b.at("19:00")) {
			t.Errorf("with the offset: %+v", r)
		}
		r = must(b.SetClock(ctx, boss, r.ID, r.Version, survey.Clock{}))
		if !r.Start().Equal(b.at("19:00")) {
			t.Errorf("taken back: start %v", r.Start())
		}
	})
}

func TestBadFilesStoreNothing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		good := string(csv("D-012", b.at("07:00"), 100, 85))
		b.Limit = 300_000
		for name, c := range map[string]struct {
			raw  string
			code fault.Code
		}{
			"0 bytes":             {"", fault.EmptyFile},
			"300 dB":              {good + "300.0\n", fault.ReturnFile},
			"300 dB after a lot":  {string(csv("D-012", b.at("07:00"), 55_000, 85)) + "300.0\n", fault.ReturnFile},
			"wrong columns":       {strings.Replace(good, "level_db", "loudness", 1), fault.ReturnFile},
			"too many cells":      {good + "85.0,85.0\n", fault.ReturnFile},
			"not a CSV":           {"\x00\x01\x02\x03", fault.ReturnFile},
			"header only":         {good[:strings.Index(good, "level_db")], fault.ReturnFile},
			"larger than allowed": {string(csv("D-012", b.at("07:00"), 100_000, 85)), fault.TooLarge},
		} {
			_, err := b.Receive(ctx, boss, survey.Upload{Name: name, Body: strings.NewReader(c.raw)})
			if !fault.Is(err, c.code) {
				t.Errorf("%s: %v, want the fault %s", name, err, c.code)
			}
		}
		for _, why := range []error{io.ErrUnexpectedEOF, errors.New("connection reset")} {
			body := io.MultiReader(strings.NewReader(good), iotest.ErrReader(why))
			_, err := b.Receive(ctx, boss, survey.Upload{Name: "cut.csv", Body: body})
			wants(t, err, fault.UploadBroken)
		}
		for _, table := range []string{"survey_return", "file", "file_chunk"} {
			if n := count(t, h, table); n != 0 {
				t.Errorf("%d rows are left in %s", n, table)
			}
		}
	})
}

func TestLapsedCertificateIsStoredAndFlagged(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-099", "07:00", "15:00", "0.0") // its certificate ended the day before
		a := b.accepted(t, csv("D-099", b.at("07:00"), 8*3600, 86))
		if a.Result == nil {
			t.Fatalf("a lapsed certificate left the fact without a result: %v", a.Pending)
		}
		v := must(b.ResultOf(ctx, boss, a.Result.ID))
		if v.Value.Assessable || *v.Value.DB != 86 || v.Value.ExpandedDB != nil {
			t.Errorf("value %+v", v.Value)
		}
		if len(v.Value.Why) == 0 || v.Value.Why[0].Code != survey.FlagCertificate || !strings.Contains(v.Value.Why[0].Text, "D-099") {
			t.Errorf("why %+v", v.Value.Why)
		}
		for _, p := range v.Profiles {
			for _, k := range p.Verdicts {
				if k.State != exposure.NotAssessable {
					t.Errorf("%s %s is %s", p.Profile, k.ID, k.State)
				}
			}
		}
	})
}

func TestTooMuchDriftLeavesISOWithoutResult(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		for drift, assessable := range map[string]bool{"0.5": true, "-0.6": false} { // ISO 9612:2009, 12.2
			tag := map[string]string{"0.5": "D-012", "-0.6": "D-013"}[drift]
			b.wear(t, tag, "07:00", "15:00", drift)
			v := must(b.ResultOf(ctx, boss, b.accepted(t, csv(tag, b.at("07:00"), 8*3600, 86)).Result.ID))
			if v.Value.Assessable != assessable {
				t.Errorf("drift of %s dB: assessable %v", drift, v.Value.Assessable)
			}
			state := verdictOf(t, v.Result, "eu-2003-10", "upper-action-reached").State
			if (state == exposure.Met) != assessable {
				t.Errorf("drift of %s dB: the verdict is %s", drift, state)
			}
			if niosh := verdictOf(t, v.Result, "us-niosh", "recommended-limit").State; niosh == exposure.NotAssessable {
				t.Errorf("drift of %s dB: a profile with no limit of its own lost its verdict", drift)
			}
		}
	})
}

func TestRejectedReturnFeedsNothing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		w := b.wear(t, "D-012", "07:00", "15:00", "0.0")
		if got := b.unread(t, "D-012"); !slices.Equal(got, []ident.ID{w.ID}) {
			t.Errorf("after the wear the unit holds %v", got)
		}
		a := b.accepted(t, csv("D-012", b.at("07:00"), 8*3600, 85))
		if got := b.unread(t, "D-012"); len(got) != 0 {
			t.Errorf("after acceptance the unit still holds %v", got)
		}
		b.Clock.Add(time.Minute)
		_, err := b.Reject(ctx, boss, survey.Judgement{Return: a.Return.ID})
		wants(t, err, fault.BadInput)
		must(b.Reject(ctx, boss, survey.Judgement{Return: a.Return.ID, Reason: "the vest hung in the locker"}))
		if got := b.unread(t, "D-012"); !slices.Equal(got, []ident.ID{w.ID}) {
			t.Errorf("after the rejection the unit holds %v", got)
		}
		_, err = b.Compute(ctx, boss, w.ID)
		wants(t, err, fault.NothingAccepted)
		if v := must(b.ResultOf(ctx, boss, a.Result.ID)); !v.Withdrew {
			t.Error("the result does not say that its return was rejected")
		}
	})
}

func (b *bureau) unread(t *testing.T, tag string) (wears []ident.ID) {
	t.Helper()
	err := b.DB.View(ctx, boss, func(tx *store.Tx) error {
		d, err := tx.Dossiers([]ident.ID{b.units[tag].ID}, b.Clock.Now())
		if err == nil {
			wears = fleet.Unread(d[0], b.Clock.Now(), b.Clock.Now())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return wears
}

func TestExclusionsComeWithTheReview(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		b := newBureau(t, h)
		b.wear(t, "D-012", "07:00", "15:00", "0.0")
		raw := bytes.Replace(csv("D-012", b.at("07:00"), 8*3600, 85), []byte("85.0\n"), []byte("110.0\n"), 600)
		loud := b.accepted(t, raw)
		cut := []exposure.Exclusion{{FromS: 0, ToS: 600, Reason: "knocks while it was hung on", Treat: exposure.Remove}}
		bad := []exposure.Exclusion{{FromS: 0, ToS: 600, Treat: exposure.Remove}}
		_, err := b.Accept(ctx, boss, survey.Judgement{Return: loud.Return.ID, Exclusions: bad})
		wants(t, err, fault.BadInput)
		b.Clock.Add(time.Minute)
		quiet := must(b.Accept(ctx, boss, survey.Judgement{Return: loud.Return.ID, Exclusions: cut}))
		if quiet.Result.Replaces != loud.Result.ID {
			t.Error("the later review does not replace the result")
		}
		if got := *quiet.Result.Content.Day.LEX8hDB; got != 85 {
			t.Errorf("without the excluded time %v, want 85", got)
		}
		if *loud.Result.Content.Day.LEX8hDB < 90 {
			t.Errorf("with it %v", *loud.Result.Content.Day.LEX8hDB)
		}
	})
}
