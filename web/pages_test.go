package web

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// page asks for a page as a coordinator and checks what every page has to keep.
func (b *browser) page(t *testing.T, path string, status int) document {
	t.Helper()
	got := b.get(path)
	if got.Code != status {
		t.Fatalf("%s: status %d, want %d: %.600s", path, got.Code, status, got.text())
	}
	if got.Body.Len() > 200<<10 {
		t.Errorf("%s: %d bytes, at most 200 KB are allowed", path, got.Body.Len())
	}
	checkPage(t, path, got.text())
	return parsed(t, got.text())
}

// sent posts a form that is to be shown again, and reads the page.
func (b *browser) sent(t *testing.T, path string, form url.Values, status int) document {
	t.Helper()
	got := b.post(path, form)
	if got.Code != status {
		t.Fatalf("POST %s: status %d, want %d: %.900s", path, got.Code, status, got.text())
	}
	checkPage(t, path, got.text())
	return parsed(t, got.text())
}

// sentOn posts a form that succeeds and gives where it leads.
func (b *browser) sentOn(t *testing.T, path string, form url.Values) string {
	t.Helper()
	got := b.post(path, form)
	if got.Code != http.StatusSeeOther {
		t.Fatalf("POST %s: status %d, want 303: %s", path, got.Code, strings.Join(parsed(t, got.text()).texts(".stop"), " | ")+strings.Join(parsed(t, got.text()).texts(".error"), " | "))
	}
	return got.Header().Get("Location")
}

func TestShelfPage(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.page(t, "/shelf", http.StatusOK)
	d.has("h1", "Shelf")
	d.has(".say p", "3 of 3 units are fit")
	d.has(".tally a[aria-current]", "3 all")
	if rows := len(d.all("tbody tr")); rows != 3 {
		t.Errorf("%d rows, want 3", rows)
	}
	if words := d.attrs("tbody svg.line", "aria-label"); len(words) != 3 || !strings.Contains(words[0], "Certificate ends Mon 11 Jan 2027") {
		t.Errorf("the lines say %q", words)
	}
	if href := d.attr(".say .press", "href"); href != "/desk/new?from=2026-03-02&to=2026-03-03" {
		t.Errorf("the booking link is %q", href)
	}
	if current := d.attr(".screens a[aria-current]", "href"); current != "/shelf" {
		t.Errorf("the lit screen is %q", current)
	}
}

// attrs is an attribute of each element.
func (d document) attrs(selector, name string) []string {
	var out []string
	for _, n := range d.all(selector) {
		v, _ := attrOf(n, name)
		out = append(out, v)
	}
	return out
}

func TestShelfFiltersAndSearches(t *testing.T) {
	b := newSite(t).as(access.Viewer)
	b.page(t, "/shelf?q=c-001", http.StatusOK).has("tbody th", "C-001")
	if n := len(b.page(t, "/shelf?kind=calibrator", http.StatusOK).all("tbody tr")); n != 1 {
		t.Errorf("%d calibrators, want 1", n)
	}
	b.page(t, "/shelf?state=held+back", http.StatusOK).has(".empty", "No unit fits these filters")
	d := b.page(t, "/shelf?from=Tue+2+Mar+2026", http.StatusUnprocessableEntity)
	d.has(".stop", "2 Mar 2026 is a Monday")
	if v := d.attr("input#from", "value"); v != "Tue 2 Mar 2026" {
		t.Errorf("what was typed is gone: %q", v)
	}
	b.page(t, "/shelf?from=4+Mar&to=3+Mar", http.StatusUnprocessableEntity).has(".stop", "last day lies before the first")
	d = b.page(t, "/shelf?from=1+Feb+2027", http.StatusOK)
	d.has("tbody .state", "not fit")
	d.has("tbody td", "Certificate ended")
	b.page(t, "/shelf?q="+url.QueryEscape(nasty[0]), http.StatusOK).hasNot("main script")
}

func TestUnitPage(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.page(t, "/units/d-001", http.StatusOK)
	d.has("h1", "D-001")
	d.has("#certificates td", "Sedge Metrology")
	d.has("#records td", "Worn, 4 h")
	d.has("#records .pencil", "late")
	d.has(".guards b", "Certificate covers these days.")
	if n := len(d.all(".forms details")); n < 6 {
		t.Errorf("only %d forms", n)
	}
	viewer := s.as(access.Viewer).page(t, "/units/D-001", http.StatusOK)
	viewer.hasNot(".forms")
	b.page(t, "/units/Z-999", http.StatusNotFound).has("main", "There is no such unit here.")
	if got := b.get("/u/D-001"); got.Header().Get("Location") != "/units/D-001" {
		t.Errorf("the label leads to %q", got.Header().Get("Location"))
	}
}

func TestUnitIsHeldAndSignedOff(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.sent(t, "/units/D-002/facts", url.Values{"what": {"held"}, "reason": {""}, "note": {nasty[0]}}, http.StatusUnprocessableEntity)
	d.has(".error", "Say why it is held back.")
	if v := d.attr("#held-note", "value"); v != nasty[0] {
		t.Errorf("the note that was typed is gone: %q", v)
	}
	to := b.sentOn(t, "/units/D-002/facts", url.Values{"what": {"held"}, "reason": {nasty[0]}, "day": {"2 Mar 2026"}, "clock": {"07:30"}})
	d = b.page(t, to, http.StatusOK)
	d.has(".told", "Recorded for D-002.")
	d.has(".say .state", "held back")
	d.has("#records td", "Held back: "+nasty[0])
	d.hasNot("main script")
	hold := d.attrs("#signed-off-hold option", "value")
	if len(hold) != 1 {
		t.Fatalf("%d holds to sign off, want 1", len(hold))
	}
	b.sentOn(t, "/units/D-002/facts", url.Values{"what": {"signed-off"}, "hold": {hold[0]}, "reason": {"looked at"}})
	b.page(t, "/units/D-002", http.StatusOK).has(".say .state", "fit")
	d = b.page(t, "/units/D-002?known=1+Mar+2026", http.StatusOK)
	d.has(".say", "as known")
	b.sent(t, "/units/D-002/facts", url.Values{"what": {"held"}, "reason": {"x"}, "day": {"3 Mar 2026"}, "clock": {"07:30"}}, http.StatusUnprocessableEntity)
}

func TestCertificateIsEntered(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	lab := b.page(t, "/units/D-002", http.StatusOK).attrs("#certificate-laboratory option", "value")[0]
	bad := url.Values{"what": {"certificate"}, "number": {"SM-2"}, "laboratory": {lab}, "calibrated": {"31 Feb 2026"}, "verdict": {"pass"}, "found": {"a lot"}}
	d := b.sent(t, "/units/D-002/certificates", bad, http.StatusUnprocessableEntity)
	d.has(".error", "not in the calendar")
	d.has(".error", "A number such as 0.2")
	good := url.Values{"what": {"certificate"}, "number": {"SM-2"}, "laboratory": {lab}, "calibrated": {"Fri 27 Feb 2026"}, "verdict": {"pass"}, "found": {"0,12"}, "expanded": {"0.2"}}
	d = b.page(t, b.sentOn(t, "/units/D-002/certificates", good), http.StatusOK)
	d.has(".told", "covers D-002 to Fri 26 Feb 2027")
	d.has("#certificates tr.chosen th", "SM-2")
	d.has("#certificates td", "+0.12")
	if got := s.as(access.Surveyor).post("/units/D-002/certificates", good); got.Code != http.StatusForbidden {
		t.Errorf("a surveyor entered a certificate: %d", got.Code)
	}
}

func TestKitPage(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.page(t, "/kits/k-1", http.StatusOK)
	d.has("h1", "K-1")
	d.has(".hash", "/caldav/kits/K-1/")
	if n := len(d.all(".main tbody tr")); n != 2 {
		t.Errorf("%d units in the kit, want 2", n)
	}
	b.sentOn(t, "/kits/K-1/units", url.Values{"what": {"put"}, "unit": {s.two.ID.String()}, "day": {"today"}, "clock": {"08:00"}})
	if n := len(b.page(t, "/kits/K-1", http.StatusOK).all(".main tbody tr")); n != 3 {
		t.Errorf("%d units in the kit after one was put in, want 3", n)
	}
	b.sent(t, "/kits/K-1/units", url.Values{"what": {"take"}, "unit": {""}}, http.StatusUnprocessableEntity).has(".error", "Choose the unit.")
	b.page(t, "/kits/none", http.StatusNotFound)
}

func bookingForm(s *site, more url.Values) url.Values {
	v := url.Values{"title": {"Ashlock Sawmill"}, "ask": {"kit"}, "kit": {s.kit.ID.String()}, "from": {"Wed 4 Mar 2026"}, "from_clock": {"08:00"},
		"to": {"5 Mar"}, "to_clock": {"17:00"}, "start": {s.depot.ID.String()}, "end": {s.depot.ID.String()}}
	for k, x := range more {
		v[k] = x
	}
	return v
}

func TestBookingIsAskedFor(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	d := b.page(t, "/desk/new?kit="+s.kit.ID.String()+"&from=2026-03-04", http.StatusOK)
	if v := d.attr("input#from", "value"); v != "Wed 4 Mar 2026" {
		t.Errorf("the day opens as %q", v)
	}
	if v := d.attr("input[name=ask][checked]", "value"); v != "kit" {
		t.Errorf("the form opens asking for %q", v)
	}
	d = b.sent(t, "/desk/new", bookingForm(s, url.Values{"to": {"3 Mar"}, "title": {""}}), http.StatusUnprocessableEntity)
	d.has(".error", "Say what it is for")
	d = b.sent(t, "/desk/new", bookingForm(s, url.Values{"to": {"3 Mar"}}), http.StatusUnprocessableEntity)
	d.has(".error", "The end is not after the start")
	d = b.sent(t, "/desk/new", bookingForm(s, url.Values{"look": {"yes"}}), http.StatusOK)
	d.has(".told .tag", "D-001")
	d.has(".told .tag", "C-001")
	if page, err := s.Desk.List(t.Context(), s.actor(access.Coordinator), schedule.Query{}); err != nil || len(page.Bookings) != 1 {
		t.Errorf("looking booked something: %d bookings, %v", len(page.Bookings), err)
	}
	d = b.page(t, b.sentOn(t, "/desk/new", bookingForm(s, url.Values{"title": {nasty[4]}})), http.StatusOK)
	d.has("h1", "B-2 "+nasty[4])
	d.has(".say .state", "promised")
	d.hasNot("main img")
	b.page(t, "/desk", http.StatusOK).has("tbody td", nasty[4])
}

// actor is the account of a role as the domain sees it.
func (s *site) actor(role access.Role) access.Actor {
	a := s.ids[role]
	return access.Actor{Account: a.ID, Name: a.Name, Role: role, Scope: access.Scope{All: true}, Via: access.ViaPage}
}

func TestSendingAFormTwiceBooksOnce(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	once := b.page(t, "/desk/new", http.StatusOK).attr("input[name=once]", "value")
	form := bookingForm(s, url.Values{"once": {once}, "ask": {"dosimeters"}, "dosimeters": {"1"}, "kit": {""}})
	first := b.sentOn(t, "/desk/new", form)
	if again := b.sentOn(t, "/desk/new", form); again != first {
		t.Errorf("the second press booked %s beside %s", again, first)
	}
	form.Set("title", "Another day")
	d := b.sent(t, "/desk/new", form, http.StatusConflict)
	d.has(".stop", "was made from this form already")
	form.Set("once", d.attr("input[name=once]", "value"))
	if other := b.sentOn(t, "/desk/new", form); other == first {
		t.Error("another booking could not be made")
	}
}

func TestRefusalNamesReasonsAndWaysOut(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	b.sentOn(t, "/desk/new", bookingForm(s, nil))
	d := b.sent(t, "/desk/new", bookingForm(s, url.Values{"title": {"Clash"}}), http.StatusConflict)
	d.has(".stop", "This cannot be promised.")
	d.has(".stop td", "Promised to B-2")
	ways := d.attrs(".stop li a", "href")
	if len(ways) == 0 {
		t.Fatal("the refusal names no way out")
	}
	again := b.page(t, ways[0], http.StatusOK)
	if v := again.attr("input#title", "value"); v != "Clash" {
		t.Errorf("the way out forgets the title: %q", v)
	}
	form := url.Values{}
	for _, id := range []string{"title", "from", "from_clock", "to", "to_clock"} {
		form.Set(id, again.attr("input#"+id, "value"))
	}
	form.Set("ask", again.attr("input[name=ask][checked]", "value"))
	form.Set("kit", again.attr("select#kit option[selected]", "value"))
	form.Set("start", s.depot.ID.String())
	b.sentOn(t, "/desk/new", form)
	d = b.sent(t, "/desk/new", bookingForm(s, url.Values{"ask": {"dosimeters"}, "dosimeters": {"9"}, "kit": {""}}), http.StatusConflict)
	d.has(".stop p", "of 9 can be had")
	b.sent(t, "/desk/new", bookingForm(s, url.Values{"ask": {"unit"}, "unit": {"Z-1"}, "kit": {""}}), http.StatusUnprocessableEntity).has(".error", "no unit with this tag")
	b.sent(t, "/desk/new", bookingForm(s, url.Values{"from": {"29 Mar 2026"}, "from_clock": {"01:30"}, "to": {"30 Mar 2026"}}), http.StatusUnprocessableEntity).has(".error", "There is no 01:30 on Sun 29 Mar 2026")
}

func TestBookingIsMovedHandedOutCheckedInAndCancelled(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	at := b.sentOn(t, "/desk/new", bookingForm(s, nil))
	d := b.page(t, at+"/move", http.StatusOK)
	if v := d.attr("input#to_clock", "value"); v != "17:00" {
		t.Errorf("the end opens as %q", v)
	}
	version := d.attr("input[name=version]", "value")
	moved := bookingForm(s, url.Values{"to": {"6 Mar 2026"}, "version": {version}})
	b.page(t, b.sentOn(t, at+"/move", moved), http.StatusOK).has(".say", "Fri 6 Mar, 17:00 GMT")
	d = b.sent(t, at+"/move", moved, http.StatusConflict)
	d.has(".stop", "Changed meanwhile.")
	d.has(".stop", "changed by somebody else")
	b = s.at(time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC), access.Coordinator)
	b.sentOn(t, "/units/D-001/facts", url.Values{"what": {"held"}, "reason": {"dropped"}})
	d = b.sent(t, at+"/hand-out", url.Values{"day": {"4 Mar"}, "clock": {"07:00"}}, http.StatusConflict)
	d.has(".stop", "B-2 was not handed out.")
	d.has(".stop li", "dropped")
	b.sentOn(t, at+"/hand-out", url.Values{"day": {"4 Mar"}, "clock": {"07:00"}, "override": {"only the case is scratched"}})
	d = b.page(t, at, http.StatusOK)
	d.has(".say .state", "out")
	b.page(t, "/units/D-001", http.StatusOK).has("#records", "only the case is scratched")
	b.sent(t, at+"/cancel", url.Values{"version": {d.attr("form[action="+at+"/check-in] input[name=version]", "value")}, "reason": {"x"}}, http.StatusConflict).has(".stop", "are out")
	b.sent(t, at+"/check-in", url.Values{"depot": {s.depot.ID.String()}}, http.StatusUnprocessableEntity).has(".stop", "Choose what came back.")
	b = s.at(time.Date(2026, 3, 6, 18, 0, 0, 0, time.UTC), access.Coordinator)
	b.sentOn(t, at+"/check-in", url.Values{"units": {"D-001", "C-001"}, "depot": {s.depot.ID.String()}, "day": {"6 Mar"}, "clock": {"17:30"}})
	b.page(t, at, http.StatusOK).has(".say .state", "back")
	other := b.sentOn(t, "/desk/new", bookingForm(s, url.Values{"from": {"16 Mar"}, "to": {"17 Mar"}, "ask": {"dosimeters"}, "dosimeters": {"1"}}))
	b.sentOn(t, other+"/cancel", url.Values{"version": {"1"}, "reason": {"the site closed"}})
	b.page(t, other, http.StatusOK).has(".say .state", "cancelled")
	b.page(t, "/desk?state=cancelled", http.StatusOK).has("tbody td", "Ashlock Sawmill")
}

// at moves the clock and logs in anew, for a login does not last for days.
func (s *site) at(t time.Time, role access.Role) *browser {
	s.h.Clock.Set(t)
	return s.as(role)
}

func TestSomebodyElsesBookingIsOnlyRead(t *testing.T) {
	s := newSite(t)
	at := s.as(access.Coordinator).sentOn(t, "/desk/new", bookingForm(s, nil))
	d := s.as(access.Surveyor).page(t, at, http.StatusOK)
	d.hasNot("form[action=" + at + "/hand-out]")
	d.hasNot("form[action=" + at + "/cancel]")
}

func TestSurveyAndWearPages(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	d := b.page(t, "/surveys", http.StatusOK)
	d.has("tbody td", "Fettling shop")
	d.has("tbody td", "Quillon Castings , Foundry")
	d = b.page(t, surveyPath(s.survey.ID), http.StatusOK)
	d.has("tbody th", "Hazel 2")
	d.has("tbody a", "R-1")
	d = b.page(t, wearPath(s.wear.ID), http.StatusOK)
	d.has("h1", "D-001 on Hazel 2")
	d.has(".guards b", "iso-9612: within 0.5 dB")
	d.has(".guards small", "ISO 9612:2009, 12.2")
	if n := len(d.all(".steps li.past")); n != 5 {
		t.Errorf("%d steps are past, want 5", n)
	}
}

func TestNewSurvey(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	b.sent(t, "/sites", url.Values{"what": {"site"}, "name": {"Yard"}, "client": {s.client.ID.String()}, "zone": {"Nowhere/Land"}}, http.StatusUnprocessableEntity).has(".error", "IANA")
	to := b.sentOn(t, "/sites", url.Values{"what": {"site"}, "name": {nasty[3]}, "client": {s.client.ID.String()}, "zone": {"Europe/London"}})
	d := b.page(t, to, http.StatusOK)
	site := d.attr("select#site option[selected]", "value")
	d = b.sent(t, "/surveys", url.Values{"title": {""}, "from": {"6 Mar"}, "to": {"5 Mar"}}, http.StatusUnprocessableEntity)
	for _, text := range []string{"Give it a title.", "Choose the site", "Choose at least one profile.", "last day lies before"} {
		d.has(".error", text)
	}
	at := b.sentOn(t, "/surveys", url.Values{"title": {nasty[2]}, "site": {site}, "from": {"5 Mar"}, "to": {"6 Mar"}, "profiles": {"eu-2003-10", "us-niosh"}, "group": {"fettlers"}, "size": {"9"}})
	d = b.page(t, at, http.StatusOK)
	d.has("h1", "S-2 "+nasty[2])
	d.has("dd", "Thu 5 Mar to Fri 6 Mar")
	if got := s.as(access.Surveyor).post("/clients", url.Values{"name": {"x"}, "code": {"x"}}); got.Code != http.StatusForbidden {
		t.Errorf("a surveyor added a client: %d", got.Code)
	}
	b.sentOn(t, "/clients", url.Values{"what": {"client"}, "name": {nasty[1]}, "code": {"CAL"}})
}

func TestWearFromHangingOnToCheck(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	at := surveyPath(s.survey.ID)
	d := b.sent(t, at+"/days", url.Values{"what": {"day"}, "worker": {"Hazel 5"}, "day": {"2 Mar"}, "clock": {"07:00"}, "hours": {"25"}}, http.StatusUnprocessableEntity)
	d.has(".error", "at most 24")
	b.sentOn(t, at+"/days", url.Values{"what": {"day"}, "worker": {"Hazel 5"}, "day": {"2 Mar"}, "clock": {"07:00"}, "hours": {"8"}, "gap": {string(survey.GapSame)}})
	d = b.page(t, at, http.StatusOK)
	d.has("tbody th", "Hazel 5")
	days := d.attrs("input[name=worker_day]", "value")
	hang := url.Values{"what": {"wear-" + days[len(days)-1]}, "worker_day": {days[len(days)-1]}, "tag": {"d-002"}, "side": {"right"}, "day": {"2 Mar"}, "clock": {"08:00"}}
	if _, err := s.Pool.Record(t.Context(), s.actor(access.Coordinator), fleet.Fact{Unit: s.two.ID, Body: fleet.Held{Reason: "cable frayed"}}); err != nil {
		t.Fatal(err)
	}
	d = b.sent(t, at+"/wears", hang, http.StatusConflict)
	d.has(".stop", "not to be worn now")
	if n := len(d.all("input[name=override]")); n != 1 {
		t.Errorf("%d fields for the override, want 1", n)
	}
	hang.Set("override", "the spare is at the bottom of the quarry")
	wear := b.sentOn(t, at+"/wears", hang)
	b.page(t, wear, http.StatusOK).has("dd", "bottom of the quarry")
	check := url.Values{"what": {"before"}, "calibrator": {s.calibrator.ID.String()}, "indicated": {"ninety"}, "day": {"2 Mar"}, "clock": {"07:50"}}
	b.sent(t, wear+"/checks", check, http.StatusUnprocessableEntity).has(".error", "not a number of decibels")
	check.Set("indicated", "94,3")
	check.Set("adjusted", "94.0")
	b.sentOn(t, wear+"/checks", check)
	s.h.Clock.Set(time.Date(2026, 3, 2, 16, 30, 0, 0, time.UTC))
	b.sent(t, wear+"/stop", url.Values{"what": {"stop"}, "day": {"2 Mar"}, "clock": {"07:00"}, "outcome": {"complete"}}, http.StatusUnprocessableEntity).has(".stop", "cannot end before")
	b.sentOn(t, wear+"/stop", url.Values{"what": {"stop"}, "day": {"2 Mar"}, "clock": {"16:00"}, "outcome": {"complete"}})
	b.sentOn(t, wear+"/checks", url.Values{"what": {"after"}, "calibrator": {s.calibrator.ID.String()}, "indicated": {"94.7"}, "day": {"2 Mar"}, "clock": {"16:10"}})
	d = b.page(t, wear, http.StatusOK)
	d.has("section p", "0.7 dB from before to after")
	d.has(".guards .look b", "iso-9612: not within 0.5 dB")
	b.sentOn(t, wear+"/day", url.Values{"what": {"day"}, "version": {d.attr("form[action="+wear+"/day] input[name=version]", "value")}, "hours": {"9.5"}, "gap": {"not exposed"}})
	b.page(t, wear, http.StatusOK).has("dd", "9 h 30 min")
}

// upload sends a file as browsers do.
func (b *browser) upload(name string, content []byte) answer {
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	if err := w.WriteField(formField, b.token()); err != nil {
		panic(err) // a buffer takes everything
	}
	part, err := w.CreateFormFile("file", name)
	if err == nil {
		_, err = part.Write(content)
	}
	if err != nil || w.Close() != nil {
		panic("a buffer takes everything")
	}
	return b.with("Sec-Fetch-Site", "same-origin").do(http.MethodPost, "/returns", w.FormDataContentType(), &body)
}

func TestReturnsAreReadLinkedAndJudged(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	got := b.upload("empty.csv", nil)
	if got.Code != http.StatusUnprocessableEntity || !strings.Contains(got.text(), "is empty (0 bytes)") {
		t.Errorf("an empty file: %d %.300s", got.Code, got.text())
	}
	got = b.upload("loud.csv", []byte("# kitd-csv: 1\n# start: 2026-02-27T08:00:00Z\n# step_s: 60\n# quantity: LAeq\nlevel_db\n85.0\n300\n"))
	if got.Code != http.StatusUnprocessableEntity || !strings.Contains(got.text(), "300") {
		t.Errorf("a level of 300 dB: %d %.300s", got.Code, got.text())
	}
	if list, err := s.Office.Returns(t.Context(), s.actor(access.Coordinator), survey.ReturnQuery{}); err != nil || len(list) != 1 {
		t.Fatalf("a refused file left something: %d returns, %v", len(list), err)
	}
	got = b.upload("<b onclick=x>.csv", returnFile("D-777", time.Date(2026, 2, 27, 8, 0, 0, 0, time.UTC), 60))
	if got.Code != http.StatusSeeOther {
		t.Fatalf("a return of an unknown unit: %d %.300s", got.Code, got.text())
	}
	at := got.Header().Get("Location")
	d := b.page(t, at, http.StatusOK)
	d.has("h2", "Which wear is it?")
	d.has("tbody td", "another unit than the file names")
	d.has("dd", "<b onclick=x>.csv")
	d.hasNot("dd b")
	b.page(t, "/returns?state=needs+linking", http.StatusOK).has(".say", "asks which wear")
	wear := d.attr("button[name=wear]", "value")
	link := url.Values{"wear": {wear}, "version": {"1"}}
	b.sent(t, at+"/link", link, http.StatusConflict).has(".stop", "is linked to that wear already")
	b.sentOn(t, returnPath(s.returned.ID)+"/reject", url.Values{"what": {"reject"}, "reason": {"the wrong file"}})
	b.sentOn(t, at+"/link", link)
	d = b.page(t, at, http.StatusOK)
	d.has(".say .state", "linked")
	b.sent(t, at+"/reject", url.Values{"what": {"reject"}, "version": {"2"}}, http.StatusUnprocessableEntity).has(".error", "Say why it is not to be used.")
	b.sentOn(t, at+"/reject", url.Values{"what": {"reject"}, "version": {"2"}, "reason": {"another machine"}})
	b.page(t, at, http.StatusOK).has(".say", "another machine")
}

func TestResultPage(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Viewer)
	b.page(t, "/results", http.StatusOK).has("tbody th", "R-1")
	d := b.page(t, resultPath(s.result.ID), http.StatusOK)
	d.has("h1", "Hazel 2")
	// 240 levels 84 … 88 dB(A), equally often: LAeq = 10 lg((10^8.4 + … + 10^8.8)/5) = 86.2 dB; L_EX,8h = 86.2 + 10 lg(4/8) = 83.2 dB
	// (ISO 9612:2009, 3.2 and 11.4, computed by hand).
	d.has(".figs .lead dd", "83.2 dB(A)")
	d.has(".say p", "The day is 83.2 dB(A), above (>) 80 dB(A).")
	for _, rule := range []string{"at or above (≥) 80 dB(A)", "above (>) 80 dB(A)", "at or above (≥) 85 dB(A)"} {
		d.has("tbody td", rule)
	}
	d.has(".state b", "below; the limit lies within the uncertainty")
	d.has(".chain b", "Return")
	d.has(".chain b", "Calibrator C-001")
	if links := d.attrs(".chain a", "href"); len(links) < 4 {
		t.Errorf("the chain leads to %q", links)
	}
	d.has(".hash", s.result.Hash)
	d.has("h2", "Read with care")
	d.has(".read p", "Local codes")
	d.has("svg.plot desc", "Equivalent level 86.2 dB")
	d.has("dd", "none applied")
}

func TestWalledThingsAreNotThere(t *testing.T) {
	s := newSite(t)
	walled := access.Account{Name: "walled", Display: "Walled", Role: access.Surveyor, Zone: "Europe/London"}
	if _, err := s.gate.AddAccount(t.Context(), access.System("test", access.ViaCommand), walled, sitePassword); err != nil {
		t.Fatal(err)
	}
	b := s.anonymous()
	token, _, err := s.gate.Login(t.Context(), access.Attempt{Name: "walled", Password: sitePassword})
	if err != nil {
		t.Fatal(err)
	}
	b.cookies[s.cookieName(sessionCookie)] = token
	for _, path := range []string{surveyPath(s.survey.ID), wearPath(s.wear.ID), returnPath(s.returned.ID), resultPath(s.result.ID), bookingPath(s.booking.ID)} {
		b.page(t, path, http.StatusNotFound)
	}
	for _, path := range []string{"/shelf", "/desk", "/surveys", "/returns", "/results", "/units/D-001", "/units/D-002", "/kits/K-1", "/desk/new"} {
		if text := textOf(b.page(t, path, http.StatusOK).one("main")); strings.Contains(text, "Quillon") || strings.Contains(text, "Hazel") || strings.Contains(text, "Fettling") {
			t.Errorf("%s shows what lies behind the wall: %.300s", path, text)
		}
	}
}

func TestResultSaysWhenItsEvidenceMoved(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	b.page(t, resultPath(s.result.ID), http.StatusOK).hasNot(".stop")
	check := url.Values{"what": {"after"}, "calibrator": {s.calibrator.ID.String()}, "indicated": {"94.2"}, "day": {"27 Feb"}, "clock": {"12:20"}}
	b.sentOn(t, wearPath(s.wear.ID)+"/checks", check)
	d := b.page(t, resultPath(s.result.ID), http.StatusOK)
	d.has(".stop", "What this result rests on was changed since.")
	d.has(".figs .lead dd", "83.2 dB(A)")
	again := b.sentOn(t, d.attr(".stop form", "action"), nil)
	if again == resultPath(s.result.ID) {
		t.Fatal("the result was changed in place")
	}
	b.page(t, again, http.StatusOK).has(".read p", "R-2 replaces R-1, which stays as it was.")
	d = b.page(t, resultPath(s.result.ID), http.StatusOK)
	d.has(".stop", "A later result replaces this one.")
	d.has(".stop a", "R-2")
	d.hasNot(".stop form")
}
