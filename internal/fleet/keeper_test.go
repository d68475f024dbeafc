package fleet_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
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

var (
	ida    = access.Actor{Account: ident.ID{15: 1}, Name: "i.vorrel", Role: access.Coordinator, Scope: access.Scope{All: true}, Via: access.ViaPage}
	tove   = access.Actor{Account: ident.ID{15: 2}, Name: "t.osk", Role: access.Surveyor, Via: access.ViaPage}
	viewer = access.Actor{Account: ident.ID{15: 3}, Name: "v.low", Role: access.Viewer, Via: access.ViaPage}
	ctx0   = context.Background()
)

// pool is a keeper over a store with one depot, two models, a laboratory and a charger.
type pool struct {
	t *testing.T
	h *storetest.House
	*fleet.Keeper
	depot   fleet.Depot
	wick    fleet.Model
	box     fleet.Model
	lab     fleet.Laboratory
	charger fleet.Unit
}

func keeperOf(h *storetest.House) *fleet.Keeper {
	wire := func(run func(context.Context, access.Actor, func(*store.Tx) error) error) func(context.Context, access.Actor, func(fleet.Store) error) error {
		return func(ctx context.Context, who access.Actor, fn func(fleet.Store) error) error {
			return run(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
	}
	return &fleet.Keeper{Do: wire(h.Do), View: wire(h.View), Now: h.Clock.Now, NewID: h.NewID}
}

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func newPool(t *testing.T, h *storetest.House) *pool {
	t.Helper()
	p := &pool{t: t, h: h, Keeper: keeperOf(h)}
	p.depot = must[fleet.Depot](t)(p.AddDepot(ctx0, ida, fleet.Depot{Name: "Harrow Lane", Code: "HL", Zone: "Europe/London", Hours: []fleet.Hours{{Weekday: time.Monday, From: 480, To: 1020}}}))
	p.wick = must[fleet.Model](t)(p.AddModel(ctx0, ida, fleet.Model{Name: "Wick 2", Maker: "Tarn & Fell", Kind: fleet.Dosimeter, ClassStd: "IEC 61252", ChargeMinutes: 150,
		TopUpDays: 28, ReadyDays: 3, RunMinutes: 2400, CalibrationMonths: 12, MemoryRuns: 1, HoldsData: true}))
	p.box = must[fleet.Model](t)(p.AddModel(ctx0, ida, fleet.Model{Name: "Nest 6", Kind: fleet.Charger, Positions: 6}))
	p.lab = must[fleet.Laboratory](t)(p.AddLaboratory(ctx0, ida, fleet.Laboratory{Name: "Kestle Laboratory", Accreditation: "0991", DueRule: fleet.Anniversary}))
	p.charger = p.unit("N-1", p.box)
	p.record(p.charger.ID, h.Clock.Now(), fleet.PowerSeen{Good: true})
	return p
}

func (p *pool) unit(tag string, m fleet.Model, change ...func(*fleet.Unit)) fleet.Unit {
	p.t.Helper()
	u := fleet.Unit{Tag: tag, Serial: "S" + tag, Model: m.ID, Depot: p.depot.ID, Ownership: fleet.Owned, Microphone: "M" + tag}
	for _, f := range change {
		f(&u)
	}
	return must[fleet.Unit](p.t)(p.AddUnit(ctx0, ida, u))
}

func (p *pool) record(unit ident.ID, at time.Time, b fleet.Body) fleet.Fact {
	p.t.Helper()
	return must[[]fleet.Fact](p.t)(p.Record(ctx0, ida, fleet.Fact{Unit: unit, Occurred: at, Body: b}))[0]
}

func (p *pool) certify(number string, day string, units ...fleet.Unit) fleet.Certificate {
	p.t.Helper()
	x := fleet.Certificate{Number: number, Laboratory: p.lab.ID, Calibrated: date(day)}
	for _, u := range units {
		x.Lines = append(x.Lines, fleet.Line{Unit: u.ID, Verdict: fleet.Pass})
	}
	return must[fleet.Certificate](p.t)(p.EnterCertificate(ctx0, ida, x))
}

func date(day string) civil.Date {
	d, err := civil.Parse(day)
	if err != nil {
		panic(err)
	}
	return d
}

// sound enters a certified dosimeter that stands full on the charger.
func (p *pool) sound(tag string, position int) fleet.Unit {
	p.t.Helper()
	u := p.unit(tag, p.wick)
	p.certify("KL-"+tag, "2026-01-10", u)
	p.record(u.ID, p.h.Clock.Now().Add(-3*time.Hour), fleet.ChargeOn{Charger: p.charger.ID, Position: position})
	return u
}

func (p *pool) span() fleet.Span {
	from := p.h.Clock.Now().Add(24 * time.Hour)
	return fleet.Span{From: from, To: from.Add(48 * time.Hour)}
}

func (p *pool) verdict(who access.Actor, tag string) fleet.Verdict {
	p.t.Helper()
	return must[fleet.UnitView](p.t)(p.Unit(ctx0, who, tag, p.span(), time.Time{})).Verdict
}

func sentences(v fleet.Verdict) (all []string) {
	for _, r := range v.Reasons {
		all = append(all, r.Text())
	}
	return all
}

func wantFault(t *testing.T, err error, code fault.Code) {
	t.Helper()
	if !fault.Is(err, code) {
		t.Errorf("got %v, want the fault %q", err, code)
	}
}

func TestAUnitIsJudgedFromWhatIsStored(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-014", 4)
		if v := p.verdict(ida, "d-014"); !v.Fit || v.CertEnds != date("2027-01-09") || v.State != fleet.StateFit {
			t.Fatalf("a sound unit: %q, ends %s, %v", v.State, v.CertEnds, sentences(v))
		}
		h.Clock.Add(time.Hour)
		hold := p.record(u.ID, h.Clock.Now(), fleet.Held{Reason: "dropped"})
		if v := p.verdict(ida, "D-014"); v.State != fleet.StateHeld {
			t.Errorf("held back: %q", v.State)
		}
		before := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-014", p.span(), h.Clock.Now().Add(-time.Minute)))
		if !before.Verdict.Fit || slices.ContainsFunc(before.Dossier.Facts, func(f fleet.Fact) bool { return f.ID == hold.ID }) {
			t.Errorf("as known a minute before: %v", sentences(before.Verdict))
		}
		h.Clock.Add(time.Hour)
		p.record(u.ID, h.Clock.Now(), fleet.SignedOff{Hold: hold.ID, Reason: "checked"})
		if v := p.verdict(ida, "D-014"); !v.Fit {
			t.Errorf("signed off: %v", sentences(v))
		}
	})
}

func TestLateFactsAreStoredAndMarked(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		p.record(u.ID, h.Clock.Now().Add(-72*time.Hour), fleet.Held{Reason: "dropped on Friday"})
		v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), time.Time{}))
		i := slices.IndexFunc(v.Dossier.Facts, func(f fleet.Fact) bool { _, ok := f.Body.(fleet.Held); return ok })
		if i < 0 || !v.Dossier.Facts[i].Late(fleet.LateAfter) || v.Dossier.Facts[i].By != "i.vorrel" {
			t.Errorf("the late fact: %+v", v.Dossier.Facts)
		}
		var late int
		row := h.SQL(t).QueryRow("SELECT COUNT(*) FROM audit WHERE verb = 'record held' AND after_state LIKE '%\"late\":true%' AND private LIKE '%dropped on Friday%' AND after_state NOT LIKE '%dropped%'")
		if err := row.Scan(&late); err != nil || late != 1 {
			t.Errorf("%d audit entries mark the late entry with its words private (%v)", late, err)
		}
	})
}

func TestImpossibleFactsAreRefusedAndNothingIsStored(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		now := h.Clock.Now()
		count := func() (n int) {
			if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM fact").Scan(&n); err != nil {
				t.Fatal(err)
			}
			return n
		}
		before := count()
		good := fleet.Fact{Unit: u.ID, Body: fleet.Cleared{}}
		for name, c := range map[string]struct {
			fact fleet.Fact
			code fault.Code
		}{
			"in the future":        {fleet.Fact{Unit: u.ID, Occurred: now.Add(fleet.Tolerance + time.Second), Body: fleet.Cleared{}}, fault.BadInput},
			"in the year 201":      {fleet.Fact{Unit: u.ID, Occurred: time.Date(201, 1, 1, 0, 0, 0, 0, time.UTC), Body: fleet.Cleared{}}, fault.BadInput},
			"unknown unit":         {fleet.Fact{Unit: h.NewID(), Body: fleet.Cleared{}}, fault.NotThere},
			"no unit":              {fleet.Fact{Body: fleet.Cleared{}}, fault.BadInput},
			"nothing said":         {fleet.Fact{Unit: u.ID}, fault.BadInput},
			"no reason":            {fleet.Fact{Unit: u.ID, Body: fleet.Held{}}, fault.BadInput},
			"no such custody":      {fleet.Fact{Unit: u.ID, Body: fleet.Custody{State: "eaten"}}, fault.BadInput},
			"on a dosimeter":       {fleet.Fact{Unit: u.ID, Body: fleet.ChargeOn{Charger: u.ID, Position: 1}}, fault.BadInput},
			"no such place":        {fleet.Fact{Unit: u.ID, Body: fleet.ChargeOn{Charger: p.charger.ID, Position: 7}}, fault.BadInput},
			"sign-off of nothing":  {fleet.Fact{Unit: u.ID, Body: fleet.SignedOff{Hold: h.NewID(), Reason: "x"}}, fault.NotThere},
			"retracts nothing":     {fleet.Fact{Unit: u.ID, Body: fleet.Retracted{Fact: h.NewID(), Reason: "x"}}, fault.NotThere},
			"extends nothing":      {fleet.Fact{Unit: u.ID, Body: fleet.Extended{Line: h.NewID(), Due: date("2027-01-01"), Reason: "x"}}, fault.NotThere},
			"a note with a bell":   {fleet.Fact{Unit: u.ID, Note: "ring\a", Body: fleet.Cleared{}}, fault.BadInput},
			"a note of 2001 signs": {fleet.Fact{Unit: u.ID, Note: strings.Repeat("é", 2001), Body: fleet.Cleared{}}, fault.BadInput},
		} {
			_, err := p.Record(ctx0, ida, good, c.fact)
			if !fault.Is(err, c.code) {
				t.Errorf("%s: %v, want %q", name, err, c.code)
			}
		}
		if _, err := p.Record(ctx0, viewer, good); !fault.Is(err, fault.NotAllowed) {
			t.Errorf("a viewer: %v", err)
		}
		if _, err := p.Record(ctx0, tove, fleet.Fact{Unit: u.ID, Body: fleet.Opening{Full: true, Statement: "looks full"}}); !fault.Is(err, fault.NotAllowed) {
			t.Errorf("an opening statement by a surveyor: %v", err)
		}
		if after := count(); after != before {
			t.Errorf("%d facts were stored by refused calls", after-before)
		}
		if _, err := p.Record(ctx0, tove, fleet.Fact{Unit: u.ID, Occurred: now.Add(fleet.Tolerance), Body: fleet.Held{Reason: "wet"}}); err != nil {
			t.Errorf("a clock that runs five minutes ahead: %v", err)
		}
	})
}

func TestRetraction(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		hold := p.record(u.ID, h.Clock.Now(), fleet.Held{Reason: "wrong unit"})
		if _, err := p.Record(ctx0, tove, fleet.Fact{Unit: u.ID, Body: fleet.Retracted{Fact: hold.ID, Reason: "no"}}); !fault.Is(err, fault.NotThere) {
			t.Errorf("a surveyor retracts the coordinator's fact: %v", err)
		}
		h.Clock.Add(time.Minute)
		p.record(u.ID, h.Clock.Now(), fleet.Retracted{Fact: hold.ID, Reason: "it was D-2"})
		v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), time.Time{}))
		if !v.Verdict.Fit || !slices.Equal(v.Gone, []ident.ID{hold.ID}) {
			t.Errorf("after the retraction: %v, gone %v", sentences(v.Verdict), v.Gone)
		}
	})
}

func TestTextsOfEveryKindAreKeptAsTyped(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		for i, tag := range []string{"D-🎧", "מד-7", "<script>alert(1)</script>", "=cmd()|' /C calc'!A0", "Łódź/1", "a%2Fb", `"'\`, "D–014", strings.Repeat("é", 40), "👩‍🔧-1"} {
			u := p.unit(tag, p.wick, func(u *fleet.Unit) { u.Serial = tag })
			got := must[fleet.UnitView](t)(p.Unit(ctx0, ida, tag, p.span(), time.Time{}))
			if got.Dossier.Unit.Tag != tag || got.Dossier.Unit.Serial != tag || got.Dossier.Unit.ID != u.ID {
				t.Errorf("text %d came back as %q", i, got.Dossier.Unit.Tag)
			}
			if page := p.shelf(ida, fleet.ShelfQuery{Text: tag}); page.Total != 1 {
				t.Errorf("searching for %q finds %d units", tag, page.Total)
			}
		}
		for name, tag := range map[string]string{"empty": " ", "a line break": "D\n1", "a null": "D\x00", "an override": "D\u202e1", "41 signs": strings.Repeat("é", 41), "no UTF-8": "D\xff", "an address": ".."} {
			_, err := p.AddUnit(ctx0, ida, fleet.Unit{Tag: tag, Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.Owned})
			if f := fault.Of(err); f == nil || f.Code != fault.BadInput || len(f.Fields) == 0 || f.Fields[0].Path != "tag" {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

func TestTagsAreUniqueWhateverTheCase(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		first := p.unit("D-14ß", p.wick)
		for _, tag := range []string{"d-14ß", "D-14SS", " D-14ß "} {
			_, err := p.AddUnit(ctx0, ida, fleet.Unit{Tag: tag, Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.Owned})
			wantFault(t, err, fault.AlreadyUsed)
		}
		other := p.unit("D-15", p.wick)
		other.Tag = "d-14SS"
		_, err := p.ChangeUnit(ctx0, ida, other)
		wantFault(t, err, fault.AlreadyUsed)
		first.Tag = "d-14SS"
		if got := must[fleet.Unit](t)(p.ChangeUnit(ctx0, ida, first)); got.Version != 2 {
			t.Errorf("its own tag in another case: version %d", got.Version)
		}
		_, err = p.ChangeUnit(ctx0, ida, first)
		wantFault(t, err, fault.Changed)
		_, err = p.AddKit(ctx0, ida, fleet.Kit{Name: "Case", Code: "k-1", Depot: p.depot.ID})
		if err != nil {
			t.Fatal(err)
		}
		_, err = p.AddKit(ctx0, ida, fleet.Kit{Name: "Case", Code: "K-1", Depot: p.depot.ID})
		wantFault(t, err, fault.AlreadyUsed)
		_, err = p.AddUnit(ctx0, tove, fleet.Unit{Tag: "D-16", Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.Owned})
		wantFault(t, err, fault.NotAllowed)
	})
}

func TestBadMasterDataIsRefusedByPlace(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		place := func(err error, path string) {
			t.Helper()
			f := fault.Of(err)
			if f == nil || f.Code != fault.BadInput || !slices.ContainsFunc(f.Fields, func(x fault.Field) bool { return x.Path == path }) {
				t.Errorf("want a complaint at %q, got %v", path, err)
			}
		}
		_, err := p.AddDepot(ctx0, ida, fleet.Depot{Name: "Nowhere", Code: "NW", Zone: "Europe/Quern"})
		place(err, "zone")
		_, err = p.AddDepot(ctx0, ida, fleet.Depot{Name: "Nowhere", Code: "N W", Zone: "Europe/Paris"})
		place(err, "code")
		_, err = p.AddDepot(ctx0, ida, fleet.Depot{Name: "Nowhere", Code: "NW", Zone: "Europe/Paris", Hours: []fleet.Hours{{Weekday: 1, From: 600, To: 540}}})
		place(err, "hours/0")
		_, err = p.AddModel(ctx0, ida, fleet.Model{Name: "X", Kind: "toaster"})
		place(err, "kind")
		_, err = p.AddModel(ctx0, ida, fleet.Model{Name: "X", Kind: fleet.Dosimeter, ChargeMinutes: -1})
		place(err, "charge_minutes")
		_, err = p.AddUnit(ctx0, ida, fleet.Unit{Tag: "X", Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.ClientOwned})
		place(err, "client")
		_, err = p.AddUnit(ctx0, ida, fleet.Unit{Tag: "X", Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.Rented, HireFrom: date("2026-03-02"), HireTo: date("2026-03-01")})
		place(err, "hire_to")
		_, err = p.AddUnit(ctx0, ida, fleet.Unit{Tag: "X", Model: h.NewID(), Depot: p.depot.ID, Ownership: fleet.Owned})
		wantFault(t, err, fault.NotThere)
		_, err = p.AddLaboratory(ctx0, ida, fleet.Laboratory{Name: "L", DueRule: "whenever"})
		place(err, "due_rule")
		u := p.unit("D-1", p.wick)
		nan := math.NaN()
		for path, x := range map[string]fleet.Certificate{
			"calibrated":         {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-05"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}}},
			"issued":             {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Issued: date("2026-02-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}}},
			"lines":              {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01")},
			"lines/1/unit":       {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}, {Unit: u.ID, Verdict: fleet.Fail}}},
			"lines/0/verdict":    {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID}}},
			"lines/0/due":        {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass, Due: date("2026-02-01")}}},
			"lines/0/level_db":   {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass, LevelDB: &nan}}},
			"file":               {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), File: "abc", Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}}},
			"number":             {Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}}},
			"lines/0/microphone": {Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass, Microphone: "a\tb"}}},
		} {
			_, err := p.EnterCertificate(ctx0, ida, x)
			place(err, path)
		}
		_, err = p.EnterCertificate(ctx0, ida, fleet.Certificate{Number: "1", Laboratory: p.lab.ID, Calibrated: date("2026-03-01"), File: strings.Repeat("ab", 32), Lines: []fleet.Line{{Unit: u.ID, Verdict: fleet.Pass}}})
		wantFault(t, err, fault.NotThere)
	})
}

func TestOneCertificateCoversManyUnitsAndIsCorrectedByAnother(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		a, b := p.sound("D-1", 1), p.sound("D-2", 2)
		found, level := 0.12, 94.03
		x := must[fleet.Certificate](t)(p.EnterCertificate(ctx0, ida, fleet.Certificate{Number: "KL-77", Laboratory: p.lab.ID, Calibrated: date("2026-02-27"), Issued: date("2026-03-01"), Note: "wrong verdict",
			Lines: []fleet.Line{{Unit: a.ID, Verdict: fleet.Pass, AsFoundDB: &found, LevelDB: &level, Microphone: "M9"}, {Unit: b.ID, Verdict: fleet.Fail}}}))
		if x.Lines[0].Due != date("2027-02-26") || x.Lines[0].CoverageK != 2 {
			t.Errorf("counted due date %s, k %v", x.Lines[0].Due, x.Lines[0].CoverageK)
		}
		if v := p.verdict(ida, "D-2"); v.Fit || sentences(v)[0] != "Certificate KL-77 of Fri 27 Feb failed it." {
			t.Errorf("failed unit: %v", sentences(v))
		}
		wrong := h.Clock.Now()
		h.Clock.Add(time.Hour)
		y := x
		y.Supersedes, y.Lines = x.ID, []fleet.Line{x.Lines[0], {Unit: b.ID, Verdict: fleet.Pass}}
		y = must[fleet.Certificate](t)(p.EnterCertificate(ctx0, ida, y))
		if v := p.verdict(ida, "D-2"); !v.Fit || v.CertEnds != date("2027-02-26") {
			t.Errorf("after the correction: %v, ends %s", sentences(v), v.CertEnds)
		}
		if v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-2", p.span(), wrong)).Verdict; v.Fit {
			t.Error("as known before the correction the unit passes")
		}
		old := must[fleet.Certificate](t)(p.Certificate(ctx0, ida, x.ID))
		if !old.Superseded.Equal(h.Clock.Now()) || len(old.Lines) != 2 || *old.Lines[0].AsFoundDB != 0.12 || *old.Lines[0].LevelDB != 94.03 || old.Note != "wrong verdict" {
			t.Errorf("the wrong entry is not as it was: %+v", old)
		}
		_, err := p.EnterCertificate(ctx0, ida, fleet.Certificate{Number: "KL-77", Laboratory: p.lab.ID, Calibrated: date("2026-02-27"), Supersedes: x.ID, Lines: []fleet.Line{{Unit: b.ID, Verdict: fleet.Pass}}})
		wantFault(t, err, fault.Changed)
		h.Clock.Add(time.Hour)
		p.record(b.ID, h.Clock.Now(), fleet.Extended{Line: y.Lines[1].ID, Due: date("2027-03-31"), Reason: "laboratory on holiday"})
		if v := p.verdict(ida, "D-2"); v.CertEnds != date("2027-03-31") {
			t.Errorf("extended: ends %s", v.CertEnds)
		}
		if page := p.shelf(ida, fleet.ShelfQuery{Text: "kl-77"}); page.Total != 2 {
			t.Errorf("a certificate number finds %d units", page.Total)
		}
	})
}

func TestKitsAreDatedAndAUnitIsInOneAtATime(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		a, b, c := p.sound("D-1", 1), p.sound("D-2", 2), p.sound("D-3", 3)
		k1 := must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case one", Code: "K-01", Depot: p.depot.ID}))
		k2 := must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case two", Code: "K-02", Depot: p.depot.ID}))
		set := func(k fleet.Kit, from time.Time, units ...fleet.Unit) error {
			var ids []ident.ID
			for _, u := range units {
				ids = append(ids, u.ID)
			}
			return p.SetKit(ctx0, ida, k.ID, ids, from)
		}
		start := h.Clock.Now().Add(-48 * time.Hour)
		if err := set(k1, start, a, b); err != nil {
			t.Fatal(err)
		}
		wantFault(t, set(k2, time.Time{}, b), fault.UnitInTwoKits)
		wantFault(t, set(k1, time.Time{}, a, a), fault.BadInput)
		if err := set(k1, time.Time{}, a, c); err != nil {
			t.Fatal(err)
		}
		if err := set(k2, time.Time{}, b); err != nil {
			t.Fatal(err)
		}
		wantFault(t, set(k1, start.Add(time.Hour), a), fault.BadInput)
		members := func(at time.Time) []ident.ID {
			var ids []ident.ID
			if err := h.View(ctx0, ida, func(tx *store.Tx) (err error) { ids, err = tx.KitUnits(k1.ID, at); return err }); err != nil {
				t.Fatal(err)
			}
			return ids
		}
		if got := members(start.Add(time.Hour)); len(got) != 2 || !slices.Contains(got, b.ID) {
			t.Errorf("two days ago the kit held %v", got)
		}
		if got := members(h.Clock.Now()); len(got) != 2 || !slices.Contains(got, c.ID) || slices.Contains(got, b.ID) {
			t.Errorf("now the kit holds %v", got)
		}
		v := must[fleet.KitView](t)(p.Kit(ctx0, ida, "k-01", p.span(), time.Time{}))
		if !v.Verdict.Fit || len(v.Rows) != 2 || len(v.Memberships) != 3 {
			t.Errorf("kit view: %+v", v.Verdict)
		}
		p.record(c.ID, h.Clock.Now(), fleet.Held{Reason: "cracked windscreen"})
		v = must[fleet.KitView](t)(p.Kit(ctx0, ida, "K-01", p.span(), time.Time{}))
		if v.Verdict.Fit || v.Verdict.State != fleet.StateHeld {
			t.Errorf("with one unit held back: %+v", v.Verdict)
		}
		if page := p.shelf(ida, fleet.ShelfQuery{Kit: k1.ID}); page.Total != 2 {
			t.Errorf("the shelf finds %d units in the kit", page.Total)
		}
		if err := set(k1, time.Time{}); err != nil {
			t.Fatal(err)
		}
		if v = must[fleet.KitView](t)(p.Kit(ctx0, ida, "K-01", p.span(), time.Time{})); v.Verdict.Fit || !v.Verdict.Blocked() {
			t.Error("an empty kit is fit")
		}
		if findings, err := h.Check(ctx0); err != nil || len(findings) > 0 {
			t.Errorf("check finds %v, %v", findings, err)
		}
	})
}

func TestClearingOverUnreadDataNeedsAReason(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		wear := h.NewID()
		p.record(u.ID, h.Clock.Now(), fleet.Worn{Wear: wear, Minutes: 480})
		if v := p.verdict(ida, "D-1"); v.State != fleet.StateUnread {
			t.Errorf("after a wear: %q", v.State)
		}
		_, err := p.IntendClear(ctx0, tove, u.ID, time.Time{}, "")
		wantFault(t, err, fault.ClearOverUnread)
		if f := must[fleet.Fact](t)(p.IntendClear(ctx0, tove, u.ID, time.Time{}, "fell into the quench tank")); f.Body.(fleet.Cleared).Reason == "" {
			t.Error("the fact does not carry the reason")
		}
		v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), time.Time{}))
		if !slices.Equal(v.Lost, []ident.ID{wear}) || v.Verdict.State == fleet.StateUnread {
			t.Errorf("lost %v, state %q", v.Lost, v.Verdict.State)
		}
		if _, err := p.IntendClear(ctx0, tove, u.ID, time.Time{}, ""); err != nil {
			t.Errorf("clearing an empty memory: %v", err)
		}
	})
}

func TestFactsAndCertificatesAreFrozen(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		p.sound("D-1", 1)
		must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case", Code: "K-1", Depot: p.depot.ID}))
		raw := h.SQL(t)
		for _, q := range []string{
			"UPDATE fact SET note = 'x'", "DELETE FROM fact", "UPDATE fact SET occurred = 0", "UPDATE certificate SET number = 'x'",
			"DELETE FROM certificate", "UPDATE certificate_line SET verdict = 'fail'", "DELETE FROM certificate_line",
			"UPDATE noun_version SET state = '{}'", "DELETE FROM noun_version",
		} {
			if _, err := raw.Exec(q); err == nil || !strings.Contains(err.Error(), "frozen") {
				t.Errorf("%s: %v", q, err)
			}
		}
		more := []string{"TRUNCATE fact CASCADE", "TRUNCATE certificate CASCADE"}
		if h.Dialect() == "sqlite" {
			more = []string{"INSERT OR REPLACE INTO fact SELECT id, unit_id, kind, 0, entered, by_name, note, body FROM fact",
				"REPLACE INTO certificate_line SELECT id, certificate_id, unit_id, 'fail', 0, 0, 0, 0, 2, '', due FROM certificate_line"}
		}
		for _, q := range more {
			if _, err := raw.Exec(q); err == nil || !strings.Contains(err.Error(), "frozen") {
				t.Errorf("%s: %v", q, err)
			}
		}
	})
}

func (p *pool) shelf(who access.Actor, q fleet.ShelfQuery) fleet.ShelfPage {
	p.t.Helper()
	if q.Span == (fleet.Span{}) {
		q.Span = p.span()
	}
	return must[fleet.ShelfPage](p.t)(p.Shelf(ctx0, who, q))
}

func tags(page fleet.ShelfPage) string {
	var all []string
	for _, r := range page.Rows {
		all = append(all, r.Unit.Tag)
	}
	return strings.Join(all, " ")
}

func TestShelf(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		p.sound("D-10", 1)
		p.sound("D-9", 2)
		held := p.sound("D-30", 3)
		p.record(held.ID, h.Clock.Now(), fleet.Held{Reason: "dropped"})
		out := p.sound("D-40", 4)
		p.record(out.ID, h.Clock.Now(), fleet.Custody{State: fleet.Out, Holder: "n.faye", Due: h.Clock.Now().Add(36 * time.Hour)})
		p.unit("D-50", p.wick)
		quern := must[fleet.Depot](t)(p.AddDepot(ctx0, ida, fleet.Depot{Name: "Quern Street", Code: "QS", Zone: "Europe/London"}))
		p.unit("R-1", p.box, func(u *fleet.Unit) { u.Depot = quern.ID })
		page := p.shelf(ida, fleet.ShelfQuery{})
		if got := tags(page); got != "D-30 D-50 R-1 D-40 D-9 D-10 N-1" {
			t.Errorf("order %s", got)
		}
		want := map[fleet.State]int{fleet.StateHeld: 1, fleet.StateNotFit: 1, fleet.StateUnknown: 1, fleet.StateOut: 1, fleet.StateFit: 3}
		for s, n := range want {
			if page.Counts[s] != n {
				t.Errorf("%d units %s, want %d", page.Counts[s], s, n)
			}
		}
		if page.All != 7 || page.Fit != 3 || page.Total != 7 || page.Next != "" {
			t.Errorf("sums %d %d %d, next %q", page.All, page.Fit, page.Total, page.Next)
		}
		filtered := p.shelf(ida, fleet.ShelfQuery{States: []fleet.State{fleet.StateFit}, Kinds: []fleet.Kind{fleet.Dosimeter}})
		if tags(filtered) != "D-9 D-10" || filtered.All != 5 || filtered.Total != 2 {
			t.Errorf("fit dosimeters: %s of %d", tags(filtered), filtered.All)
		}
		if got := tags(p.shelf(ida, fleet.ShelfQuery{Depot: quern.ID})); got != "R-1" {
			t.Errorf("of the other depot: %s", got)
		}
		if got := tags(p.shelf(ida, fleet.ShelfQuery{Text: "WICK 30"})); got != "D-30" {
			t.Errorf("by words: %s", got)
		}
		var walked []string
		for q := (fleet.ShelfQuery{Limit: 2}); ; {
			one := p.shelf(ida, q)
			walked = append(walked, tags(one))
			if q.After = one.Next; one.Next == "" {
				break
			}
		}
		if got := strings.Join(walked, " "); got != tags(page) {
			t.Errorf("page by page: %s", got)
		}
		row := page.Rows[3]
		if row.Place.State != fleet.Out || row.Place.Holder != "n.faye" || len(row.Outlook) < 2 || row.Outlook[0].Fit || !row.Outlook[0].Away || !row.Outlook[len(row.Outlook)-1].Fit {
			t.Errorf("the row of a unit that is out: %+v %+v", row.Place, row.Outlook)
		}
		_, err := p.Shelf(ctx0, ida, fleet.ShelfQuery{Span: fleet.Span{From: p.span().To, To: p.span().From}})
		wantFault(t, err, fault.BadInput)
		_, err = p.Shelf(ctx0, ida, fleet.ShelfQuery{Span: p.span(), After: "nonsense"})
		wantFault(t, err, fault.BadInput)
	})
}

func TestWalls(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		client := h.NewID()
		theirs := p.unit("Z-1", p.wick, func(u *fleet.Unit) { u.Ownership, u.Client = fleet.ClientOwned, client })
		x := p.certify("KL-Z", "2026-01-10", theirs)
		ours := p.sound("D-1", 1)
		p.record(ours.ID, h.Clock.Now(), fleet.Custody{State: fleet.Out, Holder: "n.faye", Client: client, Booking: h.NewID(), Due: h.Clock.Now().Add(30 * time.Hour)})
		sees := tove
		sees.Scope.Clients = []ident.ID{client}
		for _, tag := range []string{"Z-1", "Z-2"} {
			_, err := p.Unit(ctx0, tove, tag, p.span(), time.Time{})
			if !fault.Is(err, fault.NotThere) || fault.Of(err).Sentence() != "There is no such unit here." {
				t.Errorf("%s across the wall: %v", tag, err)
			}
		}
		if _, err := p.Unit(ctx0, sees, "Z-1", p.span(), time.Time{}); err != nil {
			t.Error(err)
		}
		if got := tags(p.shelf(tove, fleet.ShelfQuery{Kinds: []fleet.Kind{fleet.Dosimeter}})); got != "D-1" {
			t.Errorf("shelf across the wall: %s", got)
		}
		if page := p.shelf(sees, fleet.ShelfQuery{Kinds: []fleet.Kind{fleet.Dosimeter}}); page.All != 2 {
			t.Errorf("shelf inside the wall: %d units", page.All)
		}
		_, err := p.Certificate(ctx0, tove, x.ID)
		wantFault(t, err, fault.NotThere)
		_, err = p.Record(ctx0, tove, fleet.Fact{Unit: theirs.ID, Body: fleet.Held{Reason: "x"}})
		wantFault(t, err, fault.NotThere)
		for _, v := range []fleet.Verdict{p.verdict(tove, "D-1"), p.shelf(tove, fleet.ShelfQuery{Text: "D-1"}).Rows[0].Verdict} {
			if all := strings.Join(sentences(v), " "); strings.Contains(all, "faye") || !strings.Contains(all, "Out; back") {
				t.Errorf("across the wall: %s", all)
			}
		}
		if all := strings.Join(sentences(p.verdict(sees, "D-1")), " "); !strings.Contains(all, "Out with n.faye") {
			t.Errorf("inside the wall: %s", all)
		}
	})
}

func TestPromisesOfTheDesk(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		client := h.NewID()
		b := schedule.Booking{ID: h.NewID(), Version: 1, Number: 17, Title: "Quillon Castings", Owner: tove.Account, OwnerName: "t.osk", StartDepot: p.depot.ID, EndDepot: p.depot.ID,
			Ask: schedule.Ask{Unit: u.ID}, State: schedule.Promised, Occurrences: []schedule.Occurrence{{Span: p.span()}}, Calendar: schedule.Calendar{UID: "u1", Name: "u1.ics"},
			Units: []schedule.Placed{{Unit: u.ID, Tag: "D-1", Kind: fleet.Dosimeter, Pinned: true}}, Entered: h.Clock.Now(), Changed: h.Clock.Now()}
		save := func(change func()) {
			t.Helper()
			change()
			if err := h.Do(ctx0, ida, func(tx *store.Tx) error { return tx.SaveBookings([]schedule.Booking{b}) }); err != nil {
				t.Fatal(err)
			}
		}
		says := func(who access.Actor, want string) {
			t.Helper()
			row := p.shelf(who, fleet.ShelfQuery{Text: "D-1"}).Rows[0]
			for _, v := range []fleet.Verdict{row.Verdict, p.verdict(who, "D-1")} {
				if got := strings.Join(sentences(v), " "); got != want {
					t.Errorf("%s reads %q, want %q", who.Name, got, want)
				}
			}
		}
		says(tove, "")
		free := h.Clock.Now()
		h.Clock.Add(time.Second)
		save(func() {})
		says(tove, "Promised to B-17, t.osk until Thu 5 Mar, 08:00 GMT.")
		h.Clock.Add(time.Second)
		save(func() { b.Version, b.Client = 2, client })
		says(tove, "Promised until Thu 5 Mar, 08:00 GMT.")
		says(ida, "Promised to B-17, t.osk until Thu 5 Mar, 08:00 GMT.")
		if v := must[fleet.UnitView](t)(p.Unit(ctx0, tove, "D-1", p.span(), time.Time{})); len(v.Dossier.Promises) != 1 || v.Dossier.Promises[0].Label != "" || !v.Dossier.Promises[0].Booking.IsZero() {
			t.Errorf("across the wall the unit shows %+v", v.Dossier.Promises)
		}
		h.Clock.Add(time.Second)
		taken := h.Clock.Now()
		h.Clock.Add(time.Second)
		save(func() { b.Version, b.State = 3, schedule.Cancelled })
		says(ida, "")
		for at, fit := range map[time.Time]bool{free: true, taken: false} {
			if v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), at)).Verdict; v.Fit != fit {
				t.Errorf("as known at %s: fit %v, %v", at, v.Fit, sentences(v))
			}
			if page := p.shelf(ida, fleet.ShelfQuery{Text: "D-1", At: at}); page.Rows[0].Verdict.Fit != fit {
				t.Errorf("the shelf as known at %s: %v", at, sentences(page.Rows[0].Verdict))
			}
		}
	})
}

// The pool is read again where something changed, by whichever transaction, and by the passing of time.
func TestKeptPoolFollowsEveryChange(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.sound("D-1", 1)
		v := p.sound("D-2", 2)
		kit := must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case", Code: "K-1", Depot: p.depot.ID}))
		if err := p.SetKit(ctx0, ida, kit.ID, []ident.ID{v.ID}, h.Clock.Now().Add(90*time.Minute)); err != nil {
			t.Fatal(err)
		}
		agree := func(what string) {
			t.Helper()
			page := p.shelf(ida, fleet.ShelfQuery{})
			for _, r := range page.Rows {
				one := must[fleet.UnitView](t)(p.Unit(ctx0, ida, r.Unit.Tag, p.span(), time.Time{}))
				if fmt.Sprint(one.Verdict.Reasons, one.Verdict.State, one.Dossier.KitCode, one.Dossier.Unit, one.Dossier.Model) != fmt.Sprint(r.Verdict.Reasons, r.Verdict.State, r.KitCode, r.Unit, r.Model) {
					t.Errorf("%s: the shelf says %v %q of %s, the unit %v %q", what, sentences(r.Verdict), r.KitCode, r.Unit.Tag, sentences(one.Verdict), one.Dossier.KitCode)
				}
			}
		}
		agree("at first")
		p.record(u.ID, h.Clock.Now(), fleet.Held{Reason: "dropped"})
		agree("after a fact")
		h.Clock.Add(time.Hour)
		p.record(p.charger.ID, h.Clock.Now(), fleet.PowerSeen{})
		if got := p.shelf(ida, fleet.ShelfQuery{Text: "D-2"}).Rows[0].Verdict; got.Fit {
			t.Error("the charger lost power, the shelf has not heard of it")
		}
		agree("after the charger lost power")
		h.Clock.Add(time.Hour)
		if got := p.shelf(ida, fleet.ShelfQuery{Kit: kit.ID}); got.Total != 1 {
			t.Errorf("%d units in the kit that was packed for a moment ago", got.Total)
		}
		agree("after a planned change of the kit came about")
		m := p.wick
		m.CalibrationMonths = 0
		must[fleet.Model](t)(p.ChangeModel(ctx0, ida, m))
		agree("after the model changed")
		p.unit("D-3", p.wick)
		agree("after a unit came")
		old := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-3", p.span(), h.Clock.Now().Add(-time.Minute)))
		if old.Dossier.Model.CalibrationMonths != 12 {
			t.Error("as known a minute ago the model already needs no certificate")
		}
		h.Clock.Add(26 * time.Hour)
		agree("a day later")
		if err := h.Do(ctx0, ida, func(tx *store.Tx) error {
			if err := tx.AppendFacts([]fleet.Fact{{ID: h.NewID(), Unit: v.ID, Occurred: h.Clock.Now(), Entered: h.Clock.Now(), By: "ida", Body: fleet.Held{Reason: "never committed"}}}); err != nil {
				return err
			}
			pool, err := tx.Pool(p.span(), h.Clock.Now())
			if err != nil {
				return err
			}
			if got, _ := pool.Verdict(v.ID, p.span(), h.Clock.Now(), 30); got.State != fleet.StateHeld {
				t.Error("inside its own transaction the pool lacks what was just written")
			}
			return fault.New(fault.Busy)
		}); !fault.Is(err, fault.Busy) {
			t.Fatal(err)
		}
		agree("after a transaction that came to nothing")
	})
}

func TestEveryEditIsVersionedAndAudited(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		u := p.unit("D-1", p.wick)
		entered := u.Entered
		h.Clock.Add(time.Hour)
		u.Serial, u.Entered = "S2", time.Time{}
		u = must[fleet.Unit](t)(p.ChangeUnit(ctx0, ida, u))
		if u.Version != 2 || !u.Entered.Equal(entered) {
			t.Errorf("after an edit: %+v", u)
		}
		then := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), entered))
		now := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), time.Time{}))
		if then.Dossier.Unit.Serial != "SD-1" || now.Dossier.Unit.Serial != "S2" {
			t.Errorf("serial then %q, now %q", then.Dossier.Unit.Serial, now.Dossier.Unit.Serial)
		}
		var n int
		if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM audit WHERE noun = 'unit' AND verb = 'change' AND before_state LIKE '%SD-1%' AND after_state LIKE '%S2%'").Scan(&n); err != nil || n != 1 {
			t.Errorf("%d audit entries of the edit (%v)", n, err)
		}
		for _, got := range []int{len(must[[]fleet.Model](t)(p.Models(ctx0, ida))), len(must[[]fleet.Kit](t)(p.Kits(ctx0, ida, ident.ID{}))) + 2,
			len(must[[]fleet.Depot](t)(p.Depots(ctx0, ida))) + 1, len(must[[]fleet.Laboratory](t)(p.Laboratories(ctx0, ida))) + 1} {
			if got != 2 {
				t.Errorf("lists hold %d", got)
			}
		}
	})
}
