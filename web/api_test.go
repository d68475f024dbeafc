package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// program gives a caller with a token of the role.
func (s *site) program(role access.Role) *browser {
	s.t.Helper()
	a := s.ids[role]
	token, _, err := s.gate.IssueToken(context.Background(), access.Actor{Account: a.ID, Role: role}, "test", role, time.Time{})
	if err != nil {
		s.t.Fatal(err)
	}
	return s.anonymous().with("Authorization", "Bearer "+token)
}

// narrow makes an account of the role that sees only the clients, and gives a program and a browser of it.
func (s *site) narrow(role access.Role, clients ...ident.ID) (program, page *browser) {
	s.t.Helper()
	ctx, root := context.Background(), access.System("test", access.ViaCommand)
	name := fmt.Sprintf("narrow%d", len(clients))
	a, err := s.gate.AddAccount(ctx, root, access.Account{Name: name, Role: role, Clients: clients}, sitePassword)
	if err != nil {
		s.t.Fatal(err)
	}
	token, _, err := s.gate.IssueToken(ctx, access.Actor{Account: a.ID, Role: role}, "test", role, time.Time{})
	if err != nil {
		s.t.Fatal(err)
	}
	page = s.anonymous()
	if page.cookies[sessionCookie], _, err = s.gate.Login(ctx, access.Attempt{Name: name, Password: sitePassword}); err != nil {
		s.t.Fatal(err)
	}
	return s.anonymous().with("Authorization", "Bearer "+token), page
}

func (b *browser) send(method, path string, v any) answer {
	doc, err := json.Marshal(v)
	if err != nil {
		b.s.t.Fatal(err)
	}
	return b.do(method, path, "application/json", bytes.NewReader(doc))
}

// into decodes the answer and gives its value.
func into[T any](t *testing.T, a answer) (v T) {
	t.Helper()
	if err := json.Unmarshal(a.Body.Bytes(), &v); err != nil {
		t.Fatalf("%v: %s", err, a.text())
	}
	return v
}

type object = map[string]any

func (s *site) wish(days, count int) object {
	from := s.h.Clock.Now().AddDate(0, 0, days)
	return object{"title": "Fettling <shop>", "ask": object{"dosimeters": count}, "start_depot": s.depot.ID.String(),
		"visits": []object{{"from": object{"at": from.Format(time.RFC3339)}, "to": object{"at": from.Add(8 * time.Hour).Format(time.RFC3339)}}}}
}

// loseAnswers leaves of every call with an idempotency key what is there when kitd ends between the work and its answer.
func (s *site) loseAnswers() {
	s.t.Helper()
	if _, err := s.h.SQL(s.t).Exec("UPDATE answer SET status = 0, body = x''"); err != nil {
		s.t.Fatal(err)
	}
}

// factsOf lists the facts of a kind on record for a unit.
func (s *site) factsOf(tag, kind string) (out []fleet.Fact) {
	s.t.Helper()
	now := s.h.Clock.Now()
	v, err := s.Pool.Unit(context.Background(), access.System("test", access.ViaCommand), tag, fleet.Span{From: now, To: now.Add(time.Minute)}, time.Time{})
	if err != nil {
		s.t.Fatal(err)
	}
	for _, f := range v.Dossier.Facts {
		if f.Body.FactKind() == kind {
			out = append(out, f)
		}
	}
	return out
}

func TestAPINeedsAToken(t *testing.T) {
	s := newSite(t)
	page := s.as(access.Administrator)
	page.get("/api/v1/units").want(t, 401, "not-signed-in") // a cookie is no token
	s.anonymous().with("Authorization", "Bearer kitd_nothing").get("/api/v1/units").want(t, 401)
	s.anonymous().with("Authorization", "Basic YTpi").get("/api/v1/units").want(t, 401)
	got := s.anonymous().get("/api/v1/units")
	if got.Header().Get("WWW-Authenticate") != `Bearer realm="kitd"` {
		t.Errorf("got WWW-Authenticate %q", got.Header().Get("WWW-Authenticate"))
	}
	s.program(access.Viewer).get("/api/v1/units").want(t, 200)
	s.program(access.Viewer).get("/api/v1/nothing").want(t, 404, `"code":"no-such-page"`)
}

func TestUnitsByAPI(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	b := s.program(access.Viewer)
	got := b.get("/api/v1/units?limit=2")
	got.want(t, 200)
	first := into[apiShelf](t, got)
	if len(first.Items) != 2 || first.Next == "" || first.Total != 3 {
		t.Fatalf("got %d units of %d, next %q", len(first.Items), first.Total, first.Next)
	}
	second := into[apiShelf](t, b.get("/api/v1/units?limit=2&after="+first.Next))
	if len(second.Items) != 1 || second.Next != "" {
		t.Errorf("the second page has %d units, next %q", len(second.Items), second.Next)
	}
	seen := map[string]bool{}
	for _, u := range append(first.Items, second.Items...) {
		seen[u.Tag] = true
	}
	if len(seen) != 3 {
		t.Errorf("the pages show %v", seen)
	}
	one := b.get("/api/v1/units/d-001?from=2026-03-04T08:00:00Z&to=2026-03-05T08:00:00Z")
	one.want(t, 200, `"tag":"D-001"`, `"certificate_ends":"2027-01-11"`)
	d.matches(t, "Unit", one.Body.Bytes())
	late := into[apiUnit](t, b.get("/api/v1/units/D-001?from=2027-02-04T08:00:00Z&to=2027-02-05T08:00:00Z"))
	if late.Fit || len(late.Reasons) == 0 || late.Reasons[0].Code != "certificate" || late.Reasons[0].Text == "" {
		t.Errorf("after its certificate: got %+v", late)
	}
	for query, path := range map[string]string{"limit=0": "limit", "limit=501": "limit", "from=2026-03-04T08:00:00Z": "to", "stat=fit": "stat",
		"from=noon&to=2026-03-04T08:00:00Z": "from", "from=2026-03-05T08:00:00Z&to=2026-03-04T08:00:00Z": "to", "depot=alder": "depot", "kind=boat": "kind", "q=a&q=b": "q"} {
		b.get("/api/v1/units?"+query).want(t, 422, `"path":"`+path+`"`)
	}
	b.get("/api/v1/units/D-999").want(t, 404, "not-there")
	b.get("/api/v1/units?kind=calibrator").want(t, 200, "C-001")
}

func TestFactsByAPI(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	b := s.program(access.Surveyor)
	facts := object{"facts": []object{{"kind": "held", "occurred": "2026-03-02T07:30:00Z", "note": "heard a rattle", "body": object{"reason": "rattles"}}}}
	got := b.with("Idempotency-Key", "held-1").send("POST", "/api/v1/units/D-002/facts", facts)
	got.want(t, 201)
	d.matches(t, "FactsRecorded", got.Body.Bytes())
	b.get("/api/v1/units/D-002").want(t, 200, `"state":"held back"`, "rattles")
	again := b.with("Idempotency-Key", "held-1").send("POST", "/api/v1/units/D-002/facts", facts)
	again.want(t, 201)
	if again.text() != got.text() || again.Header().Get("Idempotent-Replay") != "true" {
		t.Errorf("the repeat answers %s, want %s", again.text(), got.text())
	}
	s.loseAnswers()
	again = b.with("Idempotency-Key", "held-1").send("POST", "/api/v1/units/D-002/facts", facts)
	if again.text() != got.text() || again.Header().Get("Idempotent-Replay") != "true" {
		t.Errorf("the repeat without a kept answer gives %s, want %s", again.text(), got.text())
	}
	again = b.with("Idempotency-Key", "held-1").send("POST", "/api/v1/units/D-002/facts", facts)
	if again.text() != got.text() {
		t.Errorf("the answer was not completed: %s", again.text())
	}
	// Another call that says the same is another call.
	b.with("Idempotency-Key", "held-2").send("POST", "/api/v1/units/D-002/facts", facts).want(t, 201)
	if n := len(s.factsOf("D-002", "held")); n != 2 {
		t.Errorf("%d facts are on record, want 2", n)
	}
	b.with("Idempotency-Key", "held-1").send("POST", "/api/v1/units/D-001/facts", facts).want(t, 409, "key-reused")
	for doc, path := range map[string]string{
		`{"facts":[]}`:                "/facts",
		`{"facts":[{"kind":"sold"}]}`: "/facts/0/kind",
		`{"facts":[{"kind":"held","body":{"reason":"x","why":"y"}}]}`:                         "/facts/0/body/why",
		`{"facts":[{"kind":"held","body":{"reason":null}}]}`:                                  "/facts/0/body/reason",
		`{"facts":[{"kind":"charge-on","body":{"position":"first"}}]}`:                        "/facts/0/body/position",
		`{"facts":[{"kind":"held","body":{"reason":""}}]}`:                                    "/facts/0/reason",
		`{"facts":[{"kind":"held","occurred":"2036-01-01T00:00:00Z","body":{"reason":"x"}}]}`: "/facts/0/occurred",
	} {
		b.do("POST", "/api/v1/units/D-002/facts", "application/json", strings.NewReader(doc)).want(t, 422, `"path":"`+path+`"`)
	}
	b.send("POST", "/api/v1/units/D-404/facts", facts).want(t, 404)
	s.program(access.Viewer).send("POST", "/api/v1/units/D-002/facts", facts).want(t, 403)
}

func TestBookingsByAPI(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	b := s.program(access.Surveyor)
	got := b.send("POST", "/api/v1/bookings", s.wish(1, 1))
	got.want(t, 201, `"state":"promised"`, "Fettling <shop>")
	d.matches(t, "Outcome", got.Body.Bytes())
	out := into[apiOutcome](t, got)
	path := "/api/v1/bookings/" + out.Booking.ID.String()
	if got.Header().Get("Location") != path || got.Header().Get("ETag") != `"1"` || out.Booking.OwnerName != "surveyor" || len(out.Booking.Units) != 1 {
		t.Errorf("got %v, %+v", got.Header(), out)
	}
	one := b.get(path)
	one.want(t, 200)
	d.matches(t, "Booking", one.Body.Bytes())
	b.with("If-None-Match", `"1"`).get(path).want(t, http.StatusNotModified)

	change := object{"title": "Moulding"}
	b.send("PATCH", path, change).want(t, http.StatusPreconditionRequired, "version-needed")
	b.with("If-Match", `"7"`).send("PATCH", path, change).want(t, http.StatusPreconditionFailed, "version-stale")
	moved := b.with("If-Match", `"1"`).send("PATCH", path, change)
	moved.want(t, 200, `"title":"Moulding"`, `"version":2`)
	if moved.Header().Get("ETag") != `"2"` {
		t.Errorf("got ETag %q", moved.Header().Get("ETag"))
	}
	if after := into[apiOutcome](t, moved).Booking; len(after.Visits) != 1 || !after.Visits[0].From.At.Equal(out.Booking.Visits[0].From.At) || after.Ask != out.Booking.Ask {
		t.Errorf("a change of the title changed more: %+v", after)
	}
	b.with("If-Match", `"1"`).do("DELETE", path, "", nil).want(t, http.StatusPreconditionFailed)
	b.with("If-Match", `"2"`).do("DELETE", path+"?reason=rain", "", nil).want(t, 200, `"state":"cancelled"`)
	b.with("If-Match", `"3"`).send("PATCH", path, change).want(t, 409)
	b.get("/api/v1/bookings/"+s.depot.ID.String()).want(t, 404)
	b.get("/api/v1/bookings/none").want(t, 404)
}

func TestOnlyOwnerAndKeepersChangeABooking(t *testing.T) {
	s := newSite(t)
	path := "/api/v1/bookings/" + s.booking.ID.String() // the coordinator's
	stranger := s.program(access.Surveyor).with("If-Match", "*")
	stranger.send("PATCH", path, object{"title": "Mine"}).want(t, 403, "not-allowed")
	stranger.do("DELETE", path, "", nil).want(t, 403, "not-allowed")
	s.program(access.Viewer).get(path).want(t, 200, `"version":1`, "Quillon, second day")
	s.program(access.Administrator).with("If-Match", "*").send("PATCH", path, object{"title": "Ours"}).want(t, 200, `"version":2`)
}

func TestARepeatedBookingIsOneBooking(t *testing.T) {
	s := newSite(t)
	b := s.program(access.Surveyor).with("Idempotency-Key", "call-1")
	got := b.send("POST", "/api/v1/bookings", s.wish(1, 1))
	got.want(t, 201)
	first := into[apiOutcome](t, got).Booking.ID
	again := b.send("POST", "/api/v1/bookings", s.wish(1, 1))
	if again.text() != got.text() || again.Code != 201 {
		t.Errorf("the repeat answers %d %s", again.Code, again.text())
	}
	b.send("POST", "/api/v1/bookings", s.wish(2, 1)).want(t, 409, "key-reused")
	s.loseAnswers()
	again = b.send("POST", "/api/v1/bookings", s.wish(1, 1))
	again.want(t, 201, `"unchanged":true`)
	if again.Header().Get("Location") == "" || again.Header().Get("ETag") != `"1"` {
		t.Errorf("got headers %v", again.Header())
	}
	if into[apiOutcome](t, again).Booking.ID != first {
		t.Error("a repeat whose answer was lost made a second booking")
	}
	other := s.program(access.Coordinator).with("Idempotency-Key", "call-1")
	other.send("POST", "/api/v1/bookings", s.wish(3, 1)).want(t, 201)
	for _, key := range []string{"two words", strings.Repeat("k", 201), "é"} {
		s.program(access.Surveyor).with("Idempotency-Key", key).send("POST", "/api/v1/bookings", s.wish(4, 1)).want(t, 422, "Idempotency-Key")
	}
}

// A place in what was sent is named as it was sent, and not at any length.
func TestFaultsPointIntoTheDocument(t *testing.T) {
	s := newSite(t)
	b := s.program(access.Surveyor)
	wish := s.wish(3, 1)
	wish["lead_minutes"] = -5
	b.send("POST", "/api/v1/bookings", wish).want(t, 422, `"path":"/lead_minutes"`)
	wish = s.wish(3, 1)
	visit := wish["visits"].([]object)[0]
	visit["to"] = visit["from"]
	b.send("POST", "/api/v1/bookings", wish).want(t, 422, `"path":"/visits/0/to"`)
	got := b.send("POST", "/api/v1/bookings", object{strings.Repeat("k", 100000): 1})
	got.want(t, 422, `"path":"/kkk`)
	if got.Body.Len() > 2000 {
		t.Errorf("a long key came back %d bytes long", got.Body.Len())
	}
}

func TestARefusalNamesReasonsAndWaysOut(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	got := s.program(access.Surveyor).send("POST", "/api/v1/bookings", s.wish(7, 2)) // Quillon has one of the two
	got.want(t, 409, `"code":"booking-refused"`)
	doc := into[struct{ Details apiRefusal }](t, got)
	if doc.Details.Wanted != 2 || doc.Details.Free != 1 || len(doc.Details.Reasons) == 0 || len(doc.Details.Alternatives) == 0 || doc.Details.Alternatives[0].Text == "" {
		t.Errorf("got %+v", doc.Details)
	}
	d.matches(t, "Problem", got.Body.Bytes())
	bad := s.wish(1, 1)
	bad["visits"] = []object{{"from": object{"local": "2026-03-29T01:30:00", "zone": "Europe/London"}, "to": object{"at": "2026-03-29T08:00:00Z"}}}
	s.program(access.Surveyor).send("POST", "/api/v1/bookings", bad).want(t, 422, "/visits/0/from")
}

func TestBookingListByAPI(t *testing.T) {
	s := newSite(t)
	b := s.program(access.Surveyor)
	for day := 10; day < 13; day++ {
		b.send("POST", "/api/v1/bookings", s.wish(day, 1)).want(t, 201)
	}
	seen, next := map[string]bool{}, ""
	for range 10 {
		page := into[pageOf[apiBooking]](t, b.get("/api/v1/bookings?limit=2&after="+next))
		for _, k := range page.Items {
			if seen[k.Number] {
				t.Errorf("%s is on two pages", k.Number)
			}
			seen[k.Number] = true
		}
		if next = page.Next; next == "" {
			break
		}
	}
	if len(seen) != 4 {
		t.Errorf("the pages show %v, want 4 bookings", seen)
	}
	if got := into[pageOf[apiBooking]](t, b.get("/api/v1/bookings?state=cancelled")); len(got.Items) != 0 {
		t.Errorf("got %d cancelled bookings", len(got.Items))
	}
	b.get("/api/v1/bookings?state=lost").want(t, 422, `"path":"state"`)
	b.get("/api/v1/bookings?after=nonsense").want(t, 422)
}

func TestReturnsByAPI(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	b := s.program(access.Surveyor)
	file := returnFile("D-002", s.h.Clock.Now().Add(-3*time.Hour), 60)
	got := b.do("POST", "/api/v1/returns?name=day.csv", "text/csv", bytes.NewReader(file))
	got.want(t, 201, `"state":"needs linking"`)
	d.matches(t, "Return", got.Body.Bytes())
	sum := sha256.Sum256(file)
	first := into[apiReturn](t, got)
	if first.File != hex.EncodeToString(sum[:]) || first.Count != 60 || first.Size != int64(len(file)) {
		t.Errorf("got %+v", first)
	}
	s.h.Clock.Add(time.Minute)
	again := into[apiReturn](t, b.do("POST", "/api/v1/returns?name=copy.csv", "application/octet-stream", bytes.NewReader(file)))
	if again.ID != first.ID {
		t.Error("the same file twice made two returns")
	}
	b.do("POST", "/api/v1/returns?name=empty.csv", "text/csv", strings.NewReader("")).want(t, 422)
	b.do("POST", "/api/v1/returns?name=loud.csv", "text/csv", bytes.NewReader(bytes.Replace(file, []byte("84.0"), []byte("300.0"), 1))).want(t, 422, "return-file", "line ")
	b.do("POST", "/api/v1/returns", "text/csv", bytes.NewReader(file)).want(t, 422, `"path":"name"`)
	b.do("POST", "/api/v1/returns?name=a.csv", "application/json", bytes.NewReader(file)).want(t, http.StatusUnsupportedMediaType)
	s.program(access.Viewer).do("POST", "/api/v1/returns?name=a.csv", "text/csv", bytes.NewReader(file)).want(t, 403)
}

func TestAReturnIsBounded(t *testing.T) {
	s := newSite(t, func(d *Deps) { d.Config.MaxUpload = 1024 })
	file := returnFile("D-002", s.h.Clock.Now().Add(-10*time.Hour), 500)
	s.program(access.Surveyor).do("POST", "/api/v1/returns?name=a.csv", "text/csv", bytes.NewReader(file)).want(t, http.StatusRequestEntityTooLarge, "1 KiB")
}

func TestResultsByAPI(t *testing.T) {
	s := newSite(t)
	d := readDescription(t)
	b := s.program(access.Viewer)
	path := "/api/v1/results/" + s.result.ID.String()
	got := b.get(path)
	got.want(t, 200, "competent person")
	d.matches(t, "Result", got.Body.Bytes())
	doc := into[struct {
		SHA256   string
		Document json.RawMessage
	}](t, got)
	if sum := sha256.Sum256(doc.Document); doc.SHA256 != hex.EncodeToString(sum[:]) || doc.SHA256 != s.result.Hash {
		t.Errorf("the document does not have the hash %s it is sent with", doc.SHA256)
	}
	b.with("If-None-Match", got.Header().Get("ETag")).get(path).want(t, http.StatusNotModified)
	b.get("/api/v1/results/"+s.depot.ID.String()).want(t, 404)
}

// stripped is an answer without what is new in every answer.
func stripped(a answer) string {
	return strings.ReplaceAll(a.text(), a.Header().Get("X-Request-Id"), "")
}

// TestTheWall: whoever does not see a client gets the same answer for its things as for things that are not there.
func TestTheWall(t *testing.T) {
	s := newSite(t)
	outside, _ := s.narrow(access.Coordinator)
	inside, _ := s.narrow(access.Coordinator, s.client.ID)
	nobody := ident.ID{1}.String()
	for _, c := range []struct{ method, path, id string }{
		{"GET", "/api/v1/bookings/", s.booking.ID.String()}, {"PATCH", "/api/v1/bookings/", s.booking.ID.String()},
		{"DELETE", "/api/v1/bookings/", s.booking.ID.String()}, {"GET", "/api/v1/results/", s.result.ID.String()},
	} {
		call := func(b *browser, id string) answer {
			if c.method == "PATCH" {
				return b.send(c.method, c.path+id, object{"title": "x"})
			}
			return b.do(c.method, c.path+id, "", nil)
		}
		hidden, absent := call(outside, c.id), call(outside, nobody)
		if hidden.Code != 404 || stripped(hidden) != stripped(absent) {
			t.Errorf("%s %s: behind the wall %d %s, absent %d %s", c.method, c.path, hidden.Code, hidden.text(), absent.Code, absent.text())
		}
		if seen := call(inside, c.id); seen.Code == 404 {
			t.Errorf("%s %s: hidden from one who sees the client", c.method, c.path)
		}
	}
	if list := into[pageOf[apiBooking]](t, outside.get("/api/v1/bookings")); len(list.Items) != 0 {
		t.Errorf("the list shows %+v", list.Items)
	}
	if list := into[pageOf[apiBooking]](t, inside.get("/api/v1/bookings")); len(list.Items) != 1 {
		t.Errorf("the list shows %d bookings to one who sees the client", len(list.Items))
	}
	for _, path := range []string{"/api/v1/units", "/api/v1/units/D-001", "/api/v1/units/D-002", "/api/v1/bookings"} {
		from := s.h.Clock.Now().AddDate(0, 0, 7)
		query := "?from=" + from.Format(time.RFC3339) + "&to=" + from.Add(time.Hour).Format(time.RFC3339)
		got := outside.get(path + query)
		got.want(t, 200)
		for _, secret := range []string{"Quillon", s.client.ID.String(), s.booking.ID.String(), s.booking.Label(), s.wear.ID.String(), s.survey.ID.String()} {
			if strings.Contains(got.text(), secret) {
				t.Errorf("%s shows %q across the wall: %.1500s", path, secret, got.text())
			}
		}
	}
	wish := s.wish(7, 2)
	refused := outside.send("POST", "/api/v1/bookings", wish)
	refused.want(t, 409)
	for _, secret := range []string{"Quillon", s.booking.ID.String(), s.booking.Label()} {
		if strings.Contains(refused.text(), secret) {
			t.Errorf("a refusal shows %q across the wall: %s", secret, refused.text())
		}
	}
	wish["client"] = s.client.ID.String()
	hidden := outside.send("POST", "/api/v1/bookings", wish)
	wish["client"] = nobody
	if absent := outside.send("POST", "/api/v1/bookings", wish); hidden.Code != 404 || stripped(hidden) != stripped(absent) {
		t.Errorf("booking for a hidden client: %s, for none: %s", hidden.text(), absent.text())
	}
}
