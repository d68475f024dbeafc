package web

import (
	"bytes"
	"context"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/notify"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// emptySite is a site as it is on its first day: accounts, and nothing else.
func emptySite(t *testing.T) *site {
	t.Helper()
	h := storetest.SQLite(t)
	s := &site{t: t, h: h, gate: siteGate(t, h), ids: map[access.Role]access.Account{}, things: &things{}}
	for _, role := range access.Roles() {
		a := access.Account{Name: string(role), Display: "Sam " + string(role), Role: role, AllClients: true, Zone: "Europe/London", Mail: string(role) + "@example.org"}
		s.ids[role] = made[access.Account](t)(s.gate.AddAccount(context.Background(), access.System("test", access.ViaCommand), a, sitePassword))
	}
	v := serve(t, h)
	server, err := New(Deps{Gate: s.gate, Pool: v.pool, Desk: v.desk, Office: v.office, Stock: v.pool, Originals: h.DB, Repeats: store.Repeats{DB: h.DB},
		Ledger: &notify.Ledger{Do: doing[notify.LedgerStore](h.Do), View: doing[notify.LedgerStore](h.View), Now: h.Clock.Now, Rule: notify.CertificateRule()},
		Ready:  func(context.Context) error { return nil }, Now: h.Clock.Now, NewID: h.NewID, Random: kittest.Random(9), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	s.Server = server
	return s
}

// opened gives what the form of a page holds, as a browser would send it back.
func (d document) opened() url.Values {
	v := url.Values{}
	for _, n := range d.all("main form[method=post] input") {
		name, _ := attrOf(n, "name")
		value, _ := attrOf(n, "value")
		if kind, _ := attrOf(n, "type"); kind != "file" {
			v.Set(name, value)
		}
	}
	for _, n := range d.all("main form[method=post] textarea") {
		name, _ := attrOf(n, "name")
		v.Set(name, textOf(n))
	}
	for _, n := range d.all("main form[method=post] select") {
		name, _ := attrOf(n, "name")
		for o := range n.Descendants() {
			value, _ := attrOf(o, "value")
			if _, selected := attrOf(o, "selected"); o.Data == "option" && (selected || !v.Has(name)) {
				v.Set(name, value)
			}
		}
	}
	return v
}

// with changes some of the fields.
func with(v url.Values, pairs ...string) url.Values {
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v
}

// enter opens a form, changes some fields and sends it.
func (b *browser) enter(t *testing.T, form, to string, pairs ...string) string {
	t.Helper()
	return b.sentOn(t, to, with(b.page(t, form, http.StatusOK).opened(), pairs...))
}

// nextStep is what the page of the pool asks for.
func (b *browser) nextStep(t *testing.T, want string) {
	t.Helper()
	b.page(t, "/pool", http.StatusOK).has(".say p", want)
}

func TestANewcomerEntersAWholePool(t *testing.T) {
	s := emptySite(t)
	b := s.as(access.Coordinator)
	b.nextStep(t, "Next: enter a depot.")
	b.page(t, "/pool/units/new", http.StatusOK).has(".empty", "there is no depot yet. Enter a depot first.")
	b.page(t, "/pool/kits/new", http.StatusOK).has(".empty", "Enter a depot first.")

	d := b.page(t, "/pool/depots/new", http.StatusOK)
	if got := d.opened(); got.Get("zone") != "Europe/London" || got.Get("hours-mon") != "08:00–17:00" || got.Get("hours-sun") != "" {
		t.Errorf("the form of a depot opens with %v", got)
	}
	b.enter(t, "/pool/depots/new", "/pool/depots", "name", "Alder Yard", "code", "alder", "hours-wed", "08:00-12:00, 13 to 17:30")
	b.nextStep(t, "Next: enter a model.")
	b.page(t, "/pool", http.StatusOK).has("td", "Mon to Tue 08:00–17:00; Wed 08:00–12:00, 13:00–17:30; Thu to Fri 08:00–17:00")

	d = b.page(t, "/pool/models/new", http.StatusOK)
	for field, want := range map[string]string{"charge": "150", "topup": "28", "ready": "3", "months": "12", "runs": "1", "holds": "yes"} {
		if got := d.opened().Get(field); got != want {
			t.Errorf("the form of a dosimeter opens with %s %q, want %q", field, got, want)
		}
	}
	for _, id := range []string{"charge", "topup", "ready", "months"} {
		if rule := d.text("#" + id + "-rule"); !strings.Contains(rule, "is common practice, no source") {
			t.Errorf("%s: the rule says %q", id, rule)
		}
	}
	b.enter(t, "/pool/models/new", "/pool/models", "name", "Wick 2", "run", "20.5")
	b.enter(t, "/pool/models/new?kind=charger", "/pool/models", "name", "Nest 6", "positions", "6")
	b.enter(t, "/pool/models/new?kind=calibrator", "/pool/models", "name", "Pitch 94", "class", "IEC 60942 class 1")
	b.page(t, "/pool", http.StatusOK).has("td", "runs 20.5 h")
	b.nextStep(t, "Next: enter units.")

	model := func(name string) string { return s.option(t, b, "/pool/units/new", "model", name) }
	b.enter(t, "/pool/units/new", "/pool/units", "model", model("Wick 2"), "units", "tag;serial;microphone\nD-001;S1;M1\nD-002;S2;M2\n\nD-003..D-005")
	b.enter(t, "/pool/units/new", "/pool/units", "model", model("Nest 6"), "units", "N-1")
	b.enter(t, "/pool/units/new", "/pool/units", "model", model("Pitch 94"), "units", "C-001, 4711")
	b.nextStep(t, "Next: enter a laboratory.")
	b.page(t, "/pool/certificates/new", http.StatusOK).has(".empty", "Enter a laboratory first.")
	b.enter(t, "/pool/laboratories/new", "/pool/laboratories", "name", "Sedge Metrology", "accreditation", "0991")
	b.nextStep(t, "Next: enter a certificate.")

	if v := b.page(t, "/pool/certificates/new", http.StatusOK).text("#units"); v != "C-001, D-001..D-005" {
		t.Errorf("units without a certificate: %q", v)
	}
	at := b.enter(t, "/pool/certificates/new?units="+url.QueryEscape("C-001, D-001..D-005"), "/pool/certificates",
		"number", "SM-2026-7", "calibrated", "12 Jan 2026", "level-0", "93,98", "found-1", "-0.2", "left-1", "0")
	d = b.page(t, at, http.StatusOK)
	d.has("h1", "Certificate SM-2026-7")
	d.has("td", "93.98")
	d.has("td", "−0.20")
	d.has("td", "11 Jan 2027")
	b.nextStep(t, "Next: state the charge.")

	if v := b.page(t, "/pool/opening", http.StatusOK).opened().Get("units"); v != "D-001..D-005" {
		t.Errorf("units of unknown charge: %q", v)
	}
	b.enter(t, "/pool/opening", "/pool/opening", "statement", "Seen full by the storekeeper", "says", "full")
	b.enter(t, "/pool/opening", "/pool/opening", "units", "N-1", "statement", "The lamps are on", "says", "power")
	b.nextStep(t, "Next: enter a kit.")
	b.enter(t, "/pool/kits/new", "/pool/kits", "name", "Kit 1", "code", "K-1", "units", "D-001..D-002, c-001")
	b.nextStep(t, "Everything is entered.")

	b.page(t, "/kits/K-1", http.StatusOK).has(".say .state", "fit")
	d = b.page(t, "/units/D-001", http.StatusOK)
	d.has("#records td", "Opening statement, full: Seen full by the storekeeper")
	b.page(t, "/shelf?kind=dosimeter", http.StatusOK).has(".say p", "5 of 5 units are fit")
	b.page(t, "/units/N-1", http.StatusOK).has("#records td", "Seen with power")
}

// option is the value of the choice of a field whose text begins so.
func (s *site) option(t *testing.T, b *browser, page, field, text string) string {
	t.Helper()
	d := b.page(t, page, http.StatusOK)
	for _, n := range d.all("#" + field + " option") {
		if strings.HasPrefix(textOf(n), text) {
			v, _ := attrOf(n, "value")
			return v
		}
	}
	t.Fatalf("%s offers no %s %q", page, field, text)
	return ""
}

func TestOnlyCoordinatorsEnterThePool(t *testing.T) {
	s := newSite(t)
	if nav := s.as(access.Coordinator).page(t, "/shelf", http.StatusOK).texts(".screens a"); !slices.Equal(nav, []string{"Shelf", "Desk", "Bench", "Surveys", "Returns", "Results", "Reminders", "Pool"}) {
		t.Errorf("a coordinator is offered %q", nav)
	}
	if nav := s.as(access.Surveyor).page(t, "/shelf", http.StatusOK).texts(".screens a"); slices.Contains(nav, "Pool") {
		t.Errorf("a surveyor is offered %q", nav)
	}
	s.as(access.Administrator).page(t, "/pool", http.StatusOK).has("ol a[href=/accounts]", "Make accounts")
	s.as(access.Coordinator).page(t, "/pool", http.StatusOK).hasNot("ol a[href=/accounts]")
}

func TestUnitsAreEnteredAllOrNone(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	base := func(list string, pairs ...string) url.Values {
		return with(b.page(t, "/pool/units/new", http.StatusOK).opened(), append([]string{"units", list}, pairs...)...)
	}
	for list, want := range map[string]string{
		"E-1\nd-002":                        "Line 2, tag of d-002: is in use already",
		"E-1\ne-1":                          "Line 2, tag of e-1: is e-1, which is the same tag as E-1",
		"E-1, S1\nE-1..E-3":                 "Line 2, tag of E-1: is E-1, which is the same tag as E-1",
		"E-1\n" + strings.Repeat("x", 200):  "Line 2, tag of xxx",
		"E-1\n,S9":                          "Line 2: the tag is missing",
		"E-5..E-2":                          "Line 1: E-5..E-2 runs backwards",
		"E-1..F-2":                          "Line 1: E-1..F-2 is no range",
		"E-1..E-2,S1":                       "Line 1: a range of tags cannot share a serial",
		"E-1..E-9999":                       "at most 500 are taken at once",
		"E-1;S;M;x":                         "Line 1: has 4 entries",
		"E-1..E-99999999999999999999999999": "are too long",
		"E-1,a\u202eb":                      "Line 1, serial of E-1: holds the control character U+202E",
		"":                                  "Write at least one tag.",
		"..":                                "Line 1: .. is no range",
	} {
		d := b.sent(t, "/pool/units", base(list), map[bool]int{true: http.StatusConflict, false: http.StatusUnprocessableEntity}[strings.Contains(want, "in use")])
		d.has("#units-error", want)
		if stop := d.text(".stop"); strings.Contains(stop, "/") {
			t.Errorf("the page speaks of a place as programs do: %q", stop)
		}
		if got := d.text("#units"); got != strings.Join(strings.Fields(list), " ") {
			t.Errorf("what was typed is gone: %q", got)
		}
	}
	b.sent(t, "/pool/units", base("E-1", "ownership", "owned", "to", "1 May 2026"), http.StatusUnprocessableEntity).has("#from-error", "for rented and client-owned units only")
	b.sent(t, "/pool/units", base("E-1", "ownership", "client-owned"), http.StatusUnprocessableEntity).has("#client-error", "the client who owns it")
	b.sent(t, "/pool/units", base("E-1", "ownership", "rented", "from", "3 May 2026", "to", "2 May 2026"), http.StatusUnprocessableEntity).has("#to-error", "before the first day")
	b.sent(t, "/pool/units", base("E-1", "model", "nonsense"), http.StatusUnprocessableEntity).has("#model-error", "Choose one from the list.")
	if n := len(b.page(t, "/pool/units", http.StatusOK).all("tbody tr")); n != 3 {
		t.Errorf("%d units are stored, want the 3 of before", n)
	}
	for _, tag := range []string{"<script>1", "🎧 7", "מד 3", "Ω/%2F?#"} {
		b.sentOn(t, "/pool/units", base(tag+"; "+tag+"; M", "ownership", "rented", "to", "30 Nov 2026"))
		b.page(t, unitPath(tag), http.StatusOK).has("h1", tag)
	}
	d := b.page(t, "/pool/units?q="+url.QueryEscape("🎧"), http.StatusOK)
	d.has("tbody td", "rented to 30 Nov 2026")
	d.hasNot("main script")
}

func TestBadInputOfThePool(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	long := strings.Repeat("n", 200)
	for _, x := range []struct {
		form, to string
		change   []string
		status   int
		at, says string
	}{
		{"/pool/depots/new", "/pool/depots", []string{"name", long, "code", "x"}, 422, "#name-error", "Has 200 characters; at most 120 fit."},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "ALDER"}, 409, "#code-error", "taken"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "a b"}, 422, "#code-error", "letters A to Z"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "x", "zone", "Mars/Base"}, 422, "#zone-error", "IANA"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "x", "hours-tue", "late"}, 422, "#hours-tue-error", "is no period"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "x", "hours-tue", "17:00-08:00"}, 422, "#hours-tue-error", "to a later one"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "X", "code", "x", "hours-tue", "08:00-12:00; 11:00-13:00"}, 422, "#hours-tue-error", "Overlaps"},
		{"/pool/depots/new", "/pool/depots", []string{"name", "", "code", ""}, 422, "#code-error", "Write a code."},
		{"/pool/models/new", "/pool/models", []string{"name", "wick 2", "maker", "INVENTED"}, 409, "#name-error", "taken"},
		{"/pool/models/new", "/pool/models", []string{"name", "X", "charge", "-1"}, 422, "#charge-error", "from 0 to 10080"},
		{"/pool/models/new", "/pool/models", []string{"name", "X", "run", "1e9"}, 422, "#run-error", "A number"},
		{"/pool/models/new", "/pool/models", []string{"name", "X", "run", "NaN"}, 422, "#run-error", "A number"},
		{"/pool/models/new?kind=charger", "/pool/models", []string{"name", "X"}, 422, "#positions-error", "how many places"},
		{"/pool/laboratories/new", "/pool/laboratories", []string{"name", "SEDGE metrology"}, 409, "#name-error", "taken"},
		{"/pool/laboratories/new", "/pool/laboratories", []string{"name", "X", "due", "never"}, 422, "#due-error", "month end"},
		{"/pool/kits/new", "/pool/kits", []string{"name", "X", "code", "k-1"}, 409, "#code-error", "taken"},
		{"/pool/kits/new", "/pool/kits", []string{"name", "X", "code", "K-9", "units", "D-002, Z-1..Z-7"}, 422, "#units-error", "There is no unit Z-1."},
		{"/pool/kits/new", "/pool/kits", []string{"name", "X", "code", "K-9", "units", "D-001..D-002"}, 409, "#units-error", "D-001 is in the kit K-1."},
		{"/pool/opening", "/pool/opening", []string{"units", "D-001", "statement", "x"}, 422, "#units-error", "D-001 need no charge"},
		{"/pool/opening", "/pool/opening", []string{"units", "D-001", "says", "power", "statement", "x"}, 422, "#units-error", "no chargers"},
		{"/pool/opening", "/pool/opening", []string{"units", "D-001", "statement", ""}, 422, "#statement-error", "State what is known"},
	} {
		v := with(b.page(t, x.form, http.StatusOK).opened(), x.change...)
		b.sent(t, x.to, v, x.status).has(x.at, x.says)
	}
	d := b.page(t, "/pool", http.StatusOK)
	if n := len(d.all("tbody tr")); n != 5 { // a depot, two models, a laboratory, a kit
		t.Errorf("%d things are stored, want the 5 of before: %q", n, d.texts("tbody th"))
	}
	for _, name := range nasty[:5] {
		b.enter(t, "/pool/depots/new", "/pool/depots", "name", name, "code", "n"+itoa(len(name)))
		b.page(t, "/pool", http.StatusOK).has("tbody th", name)
	}
	b.page(t, "/pool", http.StatusOK).hasNot("main script")
}

// Two people change the same thing: the second is told what stands there by now, and may put his own in its place.
func TestChangedMeanwhile(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	hrefs := map[string]string{}
	for _, n := range b.page(t, "/pool", http.StatusOK).all("tbody a") {
		href, _ := attrOf(n, "href")
		for _, noun := range []string{"depots", "models", "laboratories", "kits"} {
			if strings.HasPrefix(href, "/pool/"+noun+"/") {
				hrefs[noun] = href
			}
		}
	}
	hrefs["units"] = "/pool/units/" + s.two.ID.String()
	if len(hrefs) != 5 {
		t.Fatalf("the pool leads to %v", hrefs)
	}
	for noun, at := range hrefs {
		field := map[string]string{"units": "serial"}[noun]
		if field == "" {
			field = "name"
		}
		first := b.page(t, at, http.StatusOK).opened()
		second := b.page(t, at, http.StatusOK).opened()
		b.sentOn(t, at, with(first, field, "Changed by one"))
		d := b.sent(t, at, with(second, field, "Changed by two"), http.StatusConflict)
		d.has(".stop", "was changed by somebody else meanwhile")
		d.has(".note li", "now “ Changed by one ”, yours “ Changed by two ”")
		if n := len(d.all(".note li")); n != 1 {
			t.Errorf("%s: %d fields differ, want 1: %q", noun, n, d.texts(".note li"))
		}
		b.sentOn(t, at, d.opened())
		if got := b.page(t, at, http.StatusOK).opened().Get(field); got != "Changed by two" {
			t.Errorf("%s: %s is %q", noun, field, got)
		}
		b.sent(t, at, with(second, "version", ""), http.StatusConflict)
		b.sent(t, at, with(second, "version", "x"), http.StatusUnprocessableEntity)
		b.page(t, at[:strings.LastIndex(at, "/")]+"/0190163d-8694-739b-aea5-966c26f8ad90", http.StatusNotFound)
	}
}

// Units of a client are the client's: whoever does not see the client finds them on no page of the pool.
func TestThePoolBehindTheWall(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	v := with(b.page(t, "/pool/units/new", http.StatusOK).opened(), "units", "Q-1", "ownership", "client-owned", "client", s.client.ID.String())
	b.sentOn(t, "/pool/units", v)
	q := made[fleet.Unit](t)(s.Stock.UnitOf(t.Context(), access.System("test", access.ViaCommand), unitID(t, s, "Q-1")))
	var body bytes.Buffer
	fields := with(b.page(t, "/pool/certificates/new?units=Q-1,D-002", http.StatusOK).opened(), "number", "SM-9", "calibrated", "12 Jan 2026")
	got := b.with("Sec-Fetch-Site", "same-origin").do(http.MethodPost, "/pool/certificates", multi(t, &body, fields, "c.pdf", []byte("%PDF secret")), &body)
	if got.Code != http.StatusSeeOther {
		t.Fatalf("the certificate: %d %.900s", got.Code, got.text())
	}
	at := got.Header().Get("Location")
	_, narrow := s.narrow(access.Coordinator)
	narrow.page(t, "/pool/units/"+q.ID.String(), http.StatusNotFound)
	if d := narrow.page(t, "/pool/units", http.StatusOK); slices.Contains(d.texts("tbody th"), "Q-1") {
		t.Error("the list shows a unit behind the wall")
	}
	d := narrow.page(t, at, http.StatusOK)
	if rows := d.texts("tbody th"); !slices.Equal(rows, []string{"D-002"}) {
		t.Errorf("the certificate shows %q across the wall", rows)
	}
	d.hasNot("a[download]")
	if got := narrow.get(at + "/original"); got.Code != http.StatusNotFound {
		t.Errorf("the original across the wall: %d", got.Code)
	}
	d = narrow.sent(t, "/pool/kits", with(narrow.page(t, "/pool/kits/new", http.StatusOK).opened(), "name", "X", "code", "X", "units", "Q-1, Z-9"), http.StatusUnprocessableEntity)
	d.has("#units-error", "There is no unit Q-1. There is no unit Z-9.")
	if v := narrow.page(t, "/pool/units/new", http.StatusOK).texts("#client option"); len(v) != 0 {
		t.Errorf("the form offers clients %q across the wall", v)
	}
	down := b.get(at + "/original")
	if down.Code != http.StatusOK || down.text() != "%PDF secret" || !strings.HasPrefix(down.Header().Get("Content-Disposition"), "attachment") {
		t.Errorf("the original: %d %v %q", down.Code, down.Header(), down.text())
	}
}

func unitID(t *testing.T, s *site, tag string) ident.ID {
	t.Helper()
	return made[[]fleet.Unit](t)(s.Stock.Tagged(t.Context(), access.System("test", access.ViaCommand), []string{tag}))[0].ID
}

// multi writes a form with a file as browsers do, and gives its media type.
func multi(t *testing.T, body *bytes.Buffer, fields url.Values, name string, content []byte) string {
	t.Helper()
	w := multipart.NewWriter(body)
	for k := range fields {
		if err := w.WriteField(k, fields.Get(k)); err != nil {
			t.Fatal(err)
		}
	}
	part, err := w.CreateFormFile("original", name)
	if err == nil {
		_, err = part.Write(content)
	}
	if err != nil || w.Close() != nil {
		t.Fatal("a buffer takes everything")
	}
	return w.FormDataContentType()
}

func TestCertificatesOfManyUnits(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	b.page(t, "/pool/certificates/new?units=D-001,Z-1,Z-2", http.StatusUnprocessableEntity).has("#units-error", "There is no unit Z-1. There is no unit Z-2.")
	b.page(t, "/pool/certificates/new?units=", http.StatusUnprocessableEntity).has("#units-error", "Name the units")
	form := "/pool/certificates/new?units=D-001..D-002,C-001"
	d := b.page(t, form, http.StatusOK)
	if labels := d.texts("tbody label"); !slices.Contains(labels, "As found, dB, of D-002") || !slices.Contains(labels, "Certified level, dB, of C-001") || slices.Contains(labels, "Certified level, dB, of D-001") {
		t.Errorf("the fields are called %q", labels)
	}
	good := func() url.Values {
		return with(b.page(t, form, http.StatusOK).opened(), "number", "SM-2", "calibrated", "1 Feb 2026")
	}
	for _, x := range []struct{ name, value, at, says string }{
		{"found-1", "loud", "#found-1-error", "A number"}, {"left-0", "99", "#left-0-error", "from -60 to 60 dB"}, {"k-2", "11", "#k-2-error", "at most 10"},
		{"due-1", "31 Jan 2026", "#due-1-error", "before the day of calibration"}, {"verdict-0", "good", "#verdict-0-error", "pass, fail or not stated"},
		{"calibrated", "1 Apr 2026", "#calibrated-error", "in the future"}, {"issued", "31 Jan 2026", "#issued-error", "before the day of calibration"}, {"number", " ", "#number-error", "Write the number"},
		{"microphone-0", strings.Repeat("m", 200), "#microphone-0-error", "at most 60"},
	} {
		d := b.sent(t, "/pool/certificates", with(good(), x.name, x.value), http.StatusUnprocessableEntity)
		d.has(x.at, x.says)
		if n := len(d.all("fieldset tbody tr")); n != 3 {
			t.Errorf("%s: the form came back with %d rows", x.name, n)
		}
	}
	b.sent(t, "/pool/certificates", url.Values{"unit-0": {"gone"}}, http.StatusUnprocessableEntity).has("#units-error", "There is no unit gone.")
	var body bytes.Buffer
	got := b.with("Sec-Fetch-Site", "same-origin").do(http.MethodPost, "/pool/certificates", multi(t, &body, good(), "empty.pdf", nil), &body)
	got.want(t, http.StatusUnprocessableEntity, "The file is empty")
	if n := s.count(t, "certificate"); n != 1 {
		t.Errorf("%d certificates are stored, want the one of before", n)
	}
	at := b.sentOn(t, "/pool/certificates", with(good(), "verdict-1", "fail", "due-2", "30 Jun 2026"))
	d = b.page(t, at, http.StatusOK)
	d.has("td", "fail")
	d.has("td", "30 Jun 2026")
	d.hasNot("a[download]")
	s.as(access.Viewer).page(t, at, http.StatusOK).has("h1", "Certificate SM-2")
}

// count is the number of rows of a table.
func (s *site) count(t *testing.T, table string) (n int) {
	t.Helper()
	if err := s.h.SQL(t).QueryRow("SELECT COUNT(*) FROM " + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestOpeningStatementIsForAllOrNone(t *testing.T) {
	s := emptySite(t)
	b := s.as(access.Coordinator)
	b.enter(t, "/pool/depots/new", "/pool/depots", "name", "Alder Yard", "code", "alder")
	b.enter(t, "/pool/models/new", "/pool/models", "name", "Wick 2")
	b.enter(t, "/pool/units/new", "/pool/units", "units", "D-001..D-012")
	opening := func(pairs ...string) url.Values {
		return with(b.page(t, "/pool/opening", http.StatusOK).opened(), append([]string{"statement", "Seen"}, pairs...)...)
	}
	b.sent(t, "/pool/opening", opening("day", "2 Mar 2027"), http.StatusUnprocessableEntity).has("#clock-error", "in the future")
	b.sent(t, "/pool/opening", opening("units", "D-001..D-013"), http.StatusUnprocessableEntity).has("#units-error", "There is no unit D-013.")
	b.sent(t, "/pool/opening", opening("statement", strings.Repeat("s", 600)), http.StatusUnprocessableEntity).has("#statement-error", "at most 500")
	if n := s.count(t, "fact"); n != 0 {
		t.Fatalf("%d facts are stored by refused statements", n)
	}
	b.sentOn(t, "/pool/opening", opening("says", "not full"))
	if n := s.count(t, "fact"); n != 12 {
		t.Errorf("%d facts, want one for each of 12 units", n)
	}
	if got := b.page(t, "/pool", http.StatusOK).text(".told"); got != "The statement is recorded for D-001, D-002, D-003, D-004, D-005 and 7 more." {
		t.Errorf("told %q", got)
	}
}

func TestTagsAreReadAndWritten(t *testing.T) {
	for typed, want := range map[string]string{
		"D-001..D-003": "D-001, D-002, D-003", "D-009..011": "D-009, D-010, D-011", "a1…A3": "a1, a2, a3", "D-1, d-1;\tD-2\nD-1": "D-1, D-2",
		" ,; ": "", "X": "X", "7..9": "7, 8, 9",
	} {
		tags, faults := readTags(typed)
		if got := strings.Join(tags, ", "); got != want || len(faults) > 0 {
			t.Errorf("%q reads %q %q, want %q", typed, got, faults, want)
		}
	}
	for _, tags := range [][]string{{"D-001", "D-002", "D-003", "D-005"}, {"A", "B"}, {"D-9", "D-10"}, {"D-098", "D-099", "D-100", "E-101"}, nil} {
		back, faults := readTags(ranges(tags))
		if !slices.Equal(back, tags) || len(faults) > 0 {
			t.Errorf("%q is written %q and reads %q %q", tags, ranges(tags), back, faults)
		}
	}
}

func FuzzUnitLines(f *testing.F) {
	for _, s := range []string{"D-001..D-010", "tag,serial\nD-1,S", "..", "a\tb\tc\td", "9..99999999999999999999", "x…", "\xff..\xff1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		units, _ := readUnitLines(text)
		if len(units) > 2*fleet.MaxUnits {
			t.Errorf("%d units out of %q", len(units), text)
		}
		for _, u := range units {
			if u.tag == "" || u.line < 1 || strings.ContainsAny(u.tag, "\n\r") {
				t.Errorf("%+v out of %q", u, text)
			}
		}
	})
}
