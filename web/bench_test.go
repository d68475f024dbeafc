package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// keeper is the coordinator as the domain knows it.
func (s *site) keeper() access.Actor {
	a := s.ids[access.Coordinator]
	return access.Actor{Account: a.ID, Name: a.Name, Role: access.Coordinator, Scope: access.Scope{All: true}, Via: access.ViaPage}
}

// happen records facts of units as the coordinator.
func (s *site) happen(facts ...fleet.Fact) {
	s.t.Helper()
	if _, err := s.Pool.Record(context.Background(), s.keeper(), facts...); err != nil {
		s.t.Fatal(err)
	}
}

// chargeable adds a dosimeter that has to be charged, and a charger with two places and power.
func (s *site) chargeable() (dosimeter, charger fleet.Unit) {
	s.t.Helper()
	ctx, who := context.Background(), s.keeper()
	wick := made[fleet.Model](s.t)(s.Stock.AddModel(ctx, who, fleet.Model{Name: "Wick 3", Maker: "Invented", Kind: fleet.Dosimeter, ChargeMinutes: 150,
		ReadyDays: 3, TopUpDays: 28, RunMinutes: 1200, MemoryRuns: 1, HoldsData: true}))
	nest := made[fleet.Model](s.t)(s.Stock.AddModel(ctx, who, fleet.Model{Name: "Nest 2", Maker: "Invented", Kind: fleet.Charger, Positions: 2}))
	units := made[[]fleet.Unit](s.t)(s.Stock.AddUnits(ctx, who, []fleet.Unit{
		{Tag: "D-050", Serial: "50", Model: wick.ID, Depot: s.depot.ID, Ownership: fleet.Owned},
		{Tag: "N-1", Serial: "1", Model: nest.ID, Depot: s.depot.ID, Ownership: fleet.Owned}}))
	s.happen(fleet.Fact{Unit: units[1].ID, Body: fleet.PowerSeen{Good: true}})
	return units[0], units[1]
}

// sends reads what the form around the button with a text would send.
func (d document) sends(t *testing.T, button string) (action string, sent url.Values) {
	t.Helper()
	for _, f := range d.all("form") {
		text, values := "", url.Values{}
		for n := range f.Descendants() {
			if n.Type == html.ElementNode && n.Data == "button" {
				text = strings.ReplaceAll(textOf(n), " :", ":")
			}
			if name, ok := attrOf(n, "name"); ok && n.Data == "input" && name != formField {
				v, _ := attrOf(n, "value")
				values.Add(name, v)
			}
		}
		if strings.HasPrefix(text, button) {
			action, _ = attrOf(f, "action")
			return action, values
		}
	}
	t.Fatalf("no form has the button %q", button)
	return "", nil
}

// pressed presses a button of the page and gives the page it leads to.
func (b *browser) pressed(t *testing.T, d document, button string) document {
	t.Helper()
	action, sent := d.sends(t, button)
	return b.page(t, b.sentOn(t, action, sent), http.StatusOK)
}

func TestBenchOfNothing(t *testing.T) {
	s := newSite(t)
	d := s.as(access.Viewer).page(t, "/bench", http.StatusOK)
	d.has("h1", "Bench")
	d.has(".say p", "Nothing waits at Alder Yard.")
	d.has(".empty", "Nothing waits here.")
	if lit := d.attr(".screens a[aria-current]", "href"); lit != "/bench" {
		t.Errorf("the lit screen is %q", lit)
	}
}

// TestBenchHandsOutAndTakesBack follows the booking of Mon 9 Mar 2026, 08:00 GMT, whose lead begins at 04:00.
func TestBenchHandsOutAndTakesBack(t *testing.T) {
	s := newSite(t)
	s.h.Clock.Set(time.Date(2026, 3, 8, 14, 0, 0, 0, time.UTC))
	b := s.as(access.Coordinator)
	d := b.page(t, "/bench", http.StatusOK)
	d.has(".bench .group th", "Tomorrow, Mon 9 Mar")
	d.has(".bench tbody th b", "Pack and hand out")
	d.has(".bench td", "Quillon, second day, Mon 9 Mar, 08:00 to Tue 10 Mar, 08:00 GMT, to coordinator.")
	d.has(".say .press", "Handed out: ")
	d = b.pressed(t, d, "Handed out")
	d.has(".told", "handed out. A slip? It can be undone below.")
	d.has(".bench th", "Out with coordinator")
	if booking := s.bookingNow(t); booking.State != schedule.OutNow {
		t.Errorf("the booking is %s", booking.State)
	}
	d = b.pressed(t, d, "Undo")
	d.has(".told", "Taken back. Both records stay")
	d.has(".bench tbody th b", "Pack and hand out")
	if booking := s.bookingNow(t); booking.State != schedule.Promised || !booking.Units[0].Out.IsZero() {
		t.Errorf("after undo the booking is %s, %+v", booking.State, booking.Units[0])
	}
	b.pressed(t, d, "Handed out")
	s.h.Clock.Set(time.Date(2026, 3, 11, 9, 0, 0, 0, time.UTC)) // due back on the 10th, 12:00
	b = s.as(access.Coordinator)
	d = b.page(t, "/bench", http.StatusOK)
	d.has(".bench .group th", "Late")
	d.has(".bench td", "due back Tue 10 Mar, 12:00 GMT. Ask, then record that it is back.")
	b.pressed(t, d, "It is back").has(".empty", "Nothing waits here.")
	if booking := s.bookingNow(t); booking.State != schedule.Back {
		t.Errorf("the booking is %s", booking.State)
	}
}

func (s *site) bookingNow(t *testing.T) schedule.Booking {
	t.Helper()
	return made[schedule.Booking](t)(s.Desk.Get(context.Background(), s.keeper(), s.booking.ID))
}

// TestBenchGuardsIntentions: what is not ready is handed out with a reason only; the reason stays on record.
func TestBenchGuardsIntentions(t *testing.T) {
	s := newSite(t)
	s.h.Clock.Set(time.Date(2026, 3, 8, 14, 0, 0, 0, time.UTC))
	held := s.booking.Units[0]
	s.happen(fleet.Fact{Unit: held.Unit, Body: fleet.Held{Reason: "Its clip is broken."}})
	b := s.as(access.Coordinator)
	d := b.page(t, "/bench", http.StatusOK)
	d.has(".bench .pencil li", "Its clip is broken")
	action, sent := d.sends(t, "Handed out")
	d = b.sent(t, action, sent, http.StatusConflict)
	d.has(".stop b", "Not handed out.")
	d.has(".stop li", "Its clip is broken")
	action, sent = d.sends(t, "Hand out all the same, as Sam coordinator")
	sent.Set("override", "The worker has tape.")
	b.page(t, b.sentOn(t, action, sent), http.StatusOK).has(".told", held.Tag+" is handed out.")
	v := made[fleet.UnitView](t)(s.Pool.Unit(context.Background(), s.keeper(), held.Tag, fleet.Span{From: s.Now(), To: s.Now().Add(time.Hour)}, time.Time{}))
	if last := v.Dossier.Facts[len(v.Dossier.Facts)-1]; last.Note != "The worker has tape." {
		t.Errorf("the note is %q", last.Note)
	}
}

// TestBenchClears: the memory is full of data that were read; meanwhile another wear ended.
func TestBenchClears(t *testing.T) {
	s := newSite(t)
	dosimeter, _ := s.chargeable()
	first, second := s.NewID(), s.NewID()
	s.happen(fleet.Fact{Unit: dosimeter.ID, Body: fleet.Worn{Wear: first, Minutes: 1}}, fleet.Fact{Unit: dosimeter.ID, Body: fleet.ReturnAccepted{Wear: first}})
	s.h.Clock.Add(time.Minute)
	b := s.as(access.Surveyor)
	d := b.page(t, "/bench", http.StatusOK)
	d.has(".bench td", "Its data are read and accepted")
	action, sent := d.sends(t, "Cleared: Clear the memory D-050")
	s.happen(fleet.Fact{Unit: dosimeter.ID, Body: fleet.Worn{Wear: second, Minutes: 1}})
	d = b.sent(t, action, sent, http.StatusConflict)
	d.has(".stop b", "D-050 was not cleared.")
	d.has(".bench td", "that nobody has accepted; they exist nowhere else.")
	if href := d.attr(".bench a.word", "href"); href != "/returns" {
		t.Errorf("reading leads to %q", href)
	}
	action, sent = d.sends(t, "Clear and lose the data, as Sam surveyor")
	sent.Set("override", "The wear was a rehearsal.")
	b.page(t, b.sentOn(t, action, sent), http.StatusOK).has(".told", "D-050 is cleared.")
}

// TestBenchCharges: a unit that is promised soon goes on the first free place, comes off full; late entries keep both times.
func TestBenchCharges(t *testing.T) {
	s := newSite(t)
	dosimeter, charger := s.chargeable()
	ask := schedule.Wish{Title: "Hazel works", Ask: schedule.Ask{Unit: dosimeter.ID}, Occurrences: []schedule.Occurrence{
		{Span: fleet.Span{From: s.Now().Add(26 * time.Hour), To: s.Now().Add(30 * time.Hour)}}}}
	made[schedule.Outcome](t)(s.Desk.Book(context.Background(), s.keeper(), ask))
	b := s.as(access.Coordinator)
	d := b.page(t, "/bench?depot=alder", http.StatusOK)
	d.has(".bench td", "Charger N-1, place 1. For Hazel works.")
	d.has(".board li", "1 empty")
	d.has(".side .small", "2 places are free.")
	b.page(t, "/bench?day=2+Mar+2026&clock=25:00", http.StatusUnprocessableEntity).has(".stop", "not a time of day")
	d = b.page(t, "/bench?depot=alder&day=2+Mar+2026&clock=06:30", http.StatusOK)
	d.has(".note", "What you record now counts as of Mon 2 Mar, 06:30 GMT")
	d = b.pressed(t, d, "On: Put on charge D-050")
	d.has(".told", "D-050 is on charge.")
	d.has(".board li", "D-050 on 06:30")
	d.has(".bench .pencil", ", late")
	d.has(".note", "06:30 GMT") // the next entry may be as late
	if p := s.where(t, "D-050"); p.Charger != charger.ID || p.Position != 1 || p.Tag != "N-1" {
		t.Errorf("D-050 stands at %+v", p)
	}
	s.h.Clock.Add(3 * time.Hour) // 150 minutes suffice
	b = s.as(access.Coordinator)
	d = b.page(t, "/bench", http.StatusOK)
	d.has(".board li", "full")
	b.pressed(t, d, "Off: Take off charge D-050")
	if p := s.where(t, "D-050"); !p.Charger.IsZero() {
		t.Errorf("D-050 stands at %+v", p)
	}
}

func (s *site) where(t *testing.T, tag string) fleet.Place {
	t.Helper()
	return made[fleet.UnitView](t)(s.Pool.Unit(context.Background(), s.keeper(), tag, fleet.Span{From: s.Now(), To: s.Now().Add(time.Hour)}, time.Time{})).Place
}

// TestBenchSendsAndBringsBack: the certificates end on Mon 11 Jan 2027.
func TestBenchSendsAndBringsBack(t *testing.T) {
	s := newSite(t)
	s.h.Clock.Set(time.Date(2026, 12, 20, 9, 0, 0, 0, time.UTC))
	b := s.as(access.Coordinator)
	d := b.page(t, "/bench", http.StatusOK)
	d.has(".bench td", "Certificate ends Mon 11 Jan 2027. No booking is in the way. Last at Sedge Metrology.")
	b.pressed(t, d, "Sent: Send to the laboratory C-001").has(".told", "C-001 is sent to the laboratory.")
	if p := s.where(t, "C-001"); p.State != fleet.AtLaboratory || p.Holder != "Sedge Metrology" {
		t.Errorf("C-001 is %+v", p)
	}
	d = b.page(t, "/bench", http.StatusOK)
	d.has(".bench td", "Sedge Metrology since Sun 20 Dec, 09:00 GMT, no date of return.")
	b.pressed(t, d, "It is here: Bring back C-001")
	if p := s.where(t, "C-001"); p.State != fleet.InDepot {
		t.Errorf("C-001 is %+v", p)
	}
}

func TestBenchKnowsWhoMay(t *testing.T) {
	s := newSite(t)
	s.h.Clock.Set(time.Date(2026, 3, 8, 14, 0, 0, 0, time.UTC))
	_, sent := s.as(access.Coordinator).page(t, "/bench", http.StatusOK).sends(t, "Handed out")
	for _, role := range []access.Role{access.Viewer, access.Surveyor} {
		b := s.as(role)
		d := b.page(t, "/bench", http.StatusOK)
		d.has(".bench tbody th b", "Pack and hand out")
		d.hasNot(".bench button")
		if got := b.post("/bench", sent); got.Code != http.StatusForbidden {
			t.Errorf("%s hands out what is somebody else's: %d", role, got.Code)
		}
	}
	b := s.as(access.Coordinator)
	for _, bad := range []url.Values{{}, {"do": {"dance"}, "units": {"D-001"}}, {"do": {"put on"}}, {"do": {"put on"}, "units": {"D-001"}, "places": {"nowhere/1"}},
		{"do": {"put on"}, "units": {"D-001"}, "places": {ident.ID{1}.String() + "/0"}}, {"do": {"take off"}, "units": {"D-001"}, "day": {"31 Feb"}, "clock": {"9"}}} {
		b.sent(t, "/bench", bad, http.StatusUnprocessableEntity).has(".stop b", "This was not recorded.")
	}
	b.sent(t, "/bench/undo", url.Values{"facts": {"x"}, "units": {"D-001"}}, http.StatusUnprocessableEntity).has(".stop b", "This was not taken back.")
	if got := b.post("/bench", url.Values{"do": {"take off"}, "units": {"Z-999"}}); got.Code != http.StatusNotFound {
		t.Errorf("a unit that is not there: %d", got.Code)
	}
}
