package fleet_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func given[T any](v T) fleet.Given[T] { return fleet.Given[T]{Value: v, Told: true} }

func row(n int, tag string) fleet.UnitRow {
	return fleet.UnitRow{Row: n, Tag: tag, Model: given("wick 2"), Depot: given("hl")}
}

func sums(r fleet.Report) string {
	return fmt.Sprintf("%d added, %d changed, %d unchanged", len(r.Added), len(r.Changed), r.Unchanged)
}

// wantAt looks for faults at the places.
func wantAt(t *testing.T, err error, places ...string) {
	t.Helper()
	if !fault.Is(err, fault.BadInput) {
		t.Errorf("got %v, want the fault bad-input", err)
		return
	}
	var found []string
	for _, f := range fault.Of(err).Fields {
		found = append(found, f.Path)
	}
	if got, want := strings.Join(found, " "), strings.Join(places, " "); got != want {
		t.Errorf("faults at %q, want %q: %v", got, want, err)
	}
}

func TestUnitsAreTakenInAndKeepWhatNoColumnSays(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		k1 := must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case one", Code: "K-01", Depot: p.depot.ID}))
		k2 := must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case two", Code: "K-02", Depot: p.depot.ID}))
		in := func(b fleet.Batch) string {
			t.Helper()
			h.Clock.Add(time.Minute)
			return sums(must[fleet.Report](t)(p.Import(ctx0, ida, b)))
		}
		a, b := row(2, "D-1"), row(3, "D-2")
		a.Serial, a.Kit, b.Kit, b.Microphone = given("S1"), given("k-01"), given("K-02"), given("M2")
		first := fleet.Batch{Units: []fleet.UnitRow{a, b}, DryRun: true}
		if got := in(first); got != "2 added, 0 changed, 0 unchanged" {
			t.Errorf("dry run: %s", got)
		}
		if page := p.shelf(ida, fleet.ShelfQuery{}); page.All != 1 {
			t.Errorf("after a dry run there are %d units", page.All)
		}
		first.DryRun = false
		for _, want := range []string{"2 added, 0 changed, 0 unchanged", "0 added, 0 changed, 2 unchanged"} {
			if got := in(first); got != want {
				t.Errorf("got %s, want %s", got, want)
			}
		}
		// Two units change places, tags in another case; what no column says stays.
		swap := fleet.Batch{Units: []fleet.UnitRow{{Row: 2, Tag: "d-1", Kit: given("K-02")}, {Row: 3, Tag: "d-2", Kit: given("K-01")}}}
		if got := in(swap); got != "0 added, 2 changed, 0 unchanged" {
			t.Errorf("swap: %s", got)
		}
		for kit, tag := range map[ident.ID]string{k1.ID: "D-2", k2.ID: "D-1"} {
			v := must[fleet.KitView](t)(p.Kit(ctx0, ida, map[ident.ID]string{k1.ID: "K-01", k2.ID: "K-02"}[kit], p.span(), time.Time{}))
			if len(v.Rows) != 1 || v.Rows[0].Unit.Tag != tag {
				t.Errorf("kit of %s holds %+v", tag, v.Rows)
			}
		}
		if v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-2", p.span(), time.Time{})); v.Dossier.Unit.Microphone != "M2" || v.Dossier.Unit.Tag != "D-2" {
			t.Errorf("what no column said changed: %+v", v.Dossier.Unit)
		}
		if got := in(fleet.Batch{Units: []fleet.UnitRow{{Row: 2, Tag: "D-1", Kit: given(""), Serial: given("")}}}); got != "0 added, 1 changed, 0 unchanged" {
			t.Errorf("empty cells: %s", got)
		}
		if v := must[fleet.UnitView](t)(p.Unit(ctx0, ida, "D-1", p.span(), time.Time{})); v.Dossier.Unit.Serial != "" || !v.Dossier.Kit.IsZero() {
			t.Errorf("empty cells did not empty: %+v", v.Dossier)
		}
		if findings, err := h.Check(ctx0); err != nil || len(findings) > 0 {
			t.Errorf("check finds %v, %v", findings, err)
		}
	})
}

func TestATableIsTakenInWholeOrNotAtAll(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		kind, long := row(5, "D-4"), row(6, strings.Repeat("x", 200))
		kind.Kind = given(fleet.Calibrator)
		kit := row(7, "D-5")
		kit.Kit = given("K-99")
		_, err := p.Import(ctx0, ida, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1"), row(3, "d-1"),
			{Row: 4, Tag: "D-3", Model: given("Wick 2"), Depot: given("nowhere")}, kind, long, kit, {Row: 8, Tag: "D-6"}}})
		wantAt(t, err, "rows/3/tag", "rows/4/depot", "rows/5/kind", "rows/6/tag", "rows/7/kit", "rows/8/depot", "rows/8/model")
		if page := p.shelf(ida, fleet.ShelfQuery{}); page.All != 1 {
			t.Errorf("%d units are stored of a table with faults", page.All)
		}
		// Units are right, certificates are not: nothing stays.
		_, err = p.Import(ctx0, ida, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1")},
			Certificates: []fleet.CertificateRow{{Row: 2, Number: "K", Laboratory: "nobody", Tag: "D-1", Calibrated: date("2026-01-10"), Verdict: fleet.Pass}}})
		wantAt(t, err, "rows/2/laboratory")
		if page := p.shelf(ida, fleet.ShelfQuery{}); page.All != 1 {
			t.Error("units of a refused batch are stored")
		}
		_, err = p.Import(ctx0, tove, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1")}})
		wantFault(t, err, fault.NotAllowed)
		_, err = p.Import(ctx0, ida, fleet.Batch{Units: make([]fleet.UnitRow, fleet.MaxRows+1)})
		wantFault(t, err, fault.TooLarge)
		tried := must[fleet.Report](t)(p.Import(ctx0, ida, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1")}, DryRun: true}))
		must[fleet.Report](t)(p.Import(ctx0, ida, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1")}}))
		_, err = p.Import(ctx0, ida, fleet.Batch{Units: []fleet.UnitRow{row(2, "D-1")}, Expect: tried.Digest})
		wantFault(t, err, fault.Changed)
	})
}

func TestWallsHoldForTables(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		client := h.NewID()
		theirs := p.unit("Z-1", p.wick, func(u *fleet.Unit) { u.Ownership, u.Client = fleet.ClientOwned, client })
		ours := p.unit("D-1", p.wick)
		x := p.certify("KL-1", "2026-01-10", theirs, ours)
		walled := access.Actor{Account: ident.ID{15: 9}, Name: "n.row", Role: access.Coordinator, Via: access.ViaPage}
		_, err := p.Import(ctx0, walled, fleet.Batch{Units: []fleet.UnitRow{row(2, "Z-1")}})
		wantAt(t, err, "rows/2/tag")
		r := row(2, "D-1")
		r.Ownership, r.Client = given(fleet.ClientOwned), given(client)
		_, err = p.Import(ctx0, walled, fleet.Batch{Units: []fleet.UnitRow{r}})
		wantAt(t, err, "rows/2/client")
		line := fleet.CertificateRow{Row: 2, Number: "KL-1", Laboratory: p.lab.Name, Tag: "D-1", Calibrated: x.Calibrated, Verdict: fleet.Fail}
		_, err = p.Import(ctx0, walled, fleet.Batch{Certificates: []fleet.CertificateRow{line}})
		wantAt(t, err, "rows/2/number")
		all := must[[]fleet.Dossier](t)(p.Everything(ctx0, walled))
		docs := must[[]fleet.Certificate](t)(p.Documents(ctx0, walled))
		if len(all) != 2 || len(docs) != 1 || len(docs[0].Lines) != 1 {
			t.Errorf("across the wall %d units and %+v are given out", len(all), docs)
		}
	})
}

func TestCertificatesAreTakenInAndCorrected(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		p.unit("D-1", p.wick)
		p.unit("D-2", p.wick)
		line := func(n int, tag string) fleet.CertificateRow {
			return fleet.CertificateRow{Row: n, Number: "KL-7", Laboratory: "kestle laboratory", Tag: tag, Calibrated: date("2026-01-10"), Verdict: fleet.Pass}
		}
		in := func(rows ...fleet.CertificateRow) (string, fleet.Report) {
			t.Helper()
			h.Clock.Add(time.Minute)
			r := must[fleet.Report](t)(p.Import(ctx0, ida, fleet.Batch{Certificates: rows}))
			return sums(r), r
		}
		for _, want := range []string{"1 added, 0 changed, 0 unchanged", "0 added, 0 changed, 2 unchanged"} {
			if got, _ := in(line(2, "D-1"), line(3, "d-2")); got != want {
				t.Errorf("got %s, want %s", got, want)
			}
		}
		if v := p.verdict(ida, "D-1"); v.CertEnds != date("2027-01-09") {
			t.Errorf("the due date was not counted: %s", v.CertEnds)
		}
		found := -0.3
		wrong := line(2, "D-1")
		wrong.AsFoundDB, wrong.Note = given(&found), given("typed wrongly")
		got, r := in(wrong)
		if got != "0 added, 1 changed, 0 unchanged" || len(r.Changed[0].Differences) != 2 {
			t.Errorf("correction: %s, %+v", got, r.Changed)
		}
		docs := must[[]fleet.Certificate](t)(p.Documents(ctx0, ida))
		if len(docs) != 1 || docs[0].Supersedes.IsZero() || len(docs[0].Lines) != 2 || docs[0].Note != "typed wrongly" {
			t.Fatalf("after the correction stand %+v", docs)
		}
		for _, l := range docs[0].Lines {
			if want := l.Unit == docs[0].Lines[0].Unit; (l.AsFoundDB != nil && *l.AsFoundDB == found) != want || l.Due != date("2027-01-09") {
				t.Errorf("line %+v", l)
			}
		}
		// A correction would drop an extension, and rows of one certificate must agree.
		p.record(docs[0].Lines[1].Unit, h.Clock.Now(), fleet.Extended{Line: docs[0].Lines[1].ID, Due: date("2027-03-01"), Reason: "laboratory on holiday"})
		wrong.AsFoundDB = given[*float64](nil)
		_, err := p.Import(ctx0, ida, fleet.Batch{Certificates: []fleet.CertificateRow{wrong}})
		wantAt(t, err, "rows/2/number")
		one, two := line(2, "D-1"), line(3, "D-2")
		one.Number, two.Number, one.Issued, two.Issued = "KL-8", "KL-8", given(date("2026-01-12")), given(date("2026-01-13"))
		_, err = p.Import(ctx0, ida, fleet.Batch{Certificates: []fleet.CertificateRow{one, two, one}})
		wantAt(t, err, "rows/3/issued", "rows/2/tag")
		two.Issued, two.Verdict, two.Tag = one.Issued, "perhaps", "D-2"
		_, err = p.Import(ctx0, ida, fleet.Batch{Certificates: []fleet.CertificateRow{one, two}})
		wantAt(t, err, "rows/3/verdict")
		box := line(2, "N-1") // its model has no interval to count from
		_, err = p.Import(ctx0, ida, fleet.Batch{Certificates: []fleet.CertificateRow{box}})
		wantAt(t, err, "rows/2/due")
	})
}

// Whatever a table says, taking it in twice is taking it in once, and what it says is then on record.
func TestTakingInTwiceIsTakingInOnce(t *testing.T) {
	h := storetest.SQLite(t)
	p := newPool(t, h)
	must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case one", Code: "K-01", Depot: p.depot.ID}))
	must[fleet.Kit](t)(p.AddKit(ctx0, ida, fleet.Kit{Name: "Case two", Code: "K-02", Depot: p.depot.ID}))
	rapid.Check(t, func(t *rapid.T) {
		b := fleet.Batch{}
		tags := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-cA-C]-[1-4]`), 1, 6, fleet.FoldTag).Draw(t, "tags")
		for i, tag := range tags {
			r := row(i+2, tag)
			r.Serial = fleet.Given[string]{Value: rapid.SampledFrom([]string{"", "1", "=2", "مق🎧"}).Draw(t, "serial"), Told: rapid.Bool().Draw(t, "serial told")}
			r.Kit = fleet.Given[string]{Value: rapid.SampledFrom([]string{"", "K-01", "k-02"}).Draw(t, "kit"), Told: rapid.Bool().Draw(t, "kit told")}
			b.Units = append(b.Units, r)
			if rapid.Bool().Draw(t, "certified") {
				found := float64(rapid.IntRange(-5, 5).Draw(t, "found")) / 10
				b.Certificates = append(b.Certificates, fleet.CertificateRow{Row: i + 2, Number: rapid.SampledFrom([]string{"A", "B"}).Draw(t, "number"), Laboratory: p.lab.Name,
					Tag: tag, Calibrated: date("2026-01-10"), Verdict: fleet.Pass, AsFoundDB: fleet.Given[*float64]{Value: &found, Told: rapid.Bool().Draw(t, "found told")}})
			}
		}
		h.Clock.Add(time.Minute)
		once, err := p.Import(ctx0, ida, b)
		if err != nil {
			t.Fatal(err)
		}
		h.Clock.Add(time.Minute)
		twice, err := p.Import(ctx0, ida, b)
		if err != nil || len(twice.Added)+len(twice.Changed) > 0 || twice.Unchanged != len(b.Units)+len(b.Certificates) {
			t.Fatalf("first %s, then %s, %v: %+v %+v", sums(once), sums(twice), err, twice.Added, twice.Changed)
		}
		for _, r := range b.Units {
			v, err := p.Unit(ctx0, ida, r.Tag, p.span(), time.Time{})
			if err != nil || r.Serial.Told && v.Dossier.Unit.Serial != r.Serial.Value || r.Kit.Told && fleet.FoldTag(v.Dossier.KitCode) != fleet.FoldTag(r.Kit.Value) {
				t.Fatalf("row %+v is on record as %+v, %v", r, v.Dossier, err)
			}
		}
	})
}

// BenchmarkImport tries a table of 10,000 new units. The reference is as many look-ups of a unit by its tag in one transaction.
func BenchmarkImport(b *testing.B) {
	h := storetest.SQLite(b)
	k := keeperOf(h)
	d, err := k.AddDepot(ctx0, ida, fleet.Depot{Name: "Harrow Lane", Code: "HL", Zone: "Europe/London"})
	if err != nil {
		b.Fatal(err)
	}
	m, err := k.AddModel(ctx0, ida, fleet.Model{Name: "Wick 2", Kind: fleet.Dosimeter})
	if err == nil {
		_, err = k.AddUnit(ctx0, ida, fleet.Unit{Tag: "N-1", Model: m.ID, Depot: d.ID, Ownership: fleet.Owned})
	}
	if err != nil {
		b.Fatal(err)
	}
	batch := fleet.Batch{DryRun: true}
	for i := range 10000 {
		batch.Units = append(batch.Units, row(i+2, fmt.Sprintf("D-%05d", i)))
	}
	look := func() {
		err := h.View(ctx0, ida, func(tx *store.Tx) error {
			for range batch.Units {
				if _, err := tx.UnitByTag("N-1"); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	look()
	started := time.Now()
	look()
	reference := time.Since(started)
	for b.Loop() {
		if _, err := k.Import(ctx0, ida, batch); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(reference), "ratio/lookups")
}
