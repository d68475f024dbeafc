package caldav_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/caldav"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// real is the handler over the desk and the database as the server wires them.
type real struct {
	*world // for its calls only
	house  *storetest.House
	desk   *schedule.Desk
	gate   *access.Gate
	admin  access.Actor
	ada    access.Actor
	kit    ident.ID
}

// worker is the kind of function that a domain package is given for its transactions.
type worker[S any] = func(context.Context, access.Actor, func(S) error) error

func rooms[S any](h *storetest.House, as func(*store.Tx) S) (do, view worker[S]) {
	do = func(ctx context.Context, who access.Actor, fn func(S) error) error {
		return h.Do(ctx, who, func(tx *store.Tx) error { return fn(as(tx)) })
	}
	view = func(ctx context.Context, who access.Actor, fn func(S) error) error {
		return h.View(ctx, who, func(tx *store.Tx) error { return fn(as(tx)) })
	}
	return do, view
}

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func newReal(t testing.TB, h *storetest.House) *real {
	t.Helper()
	r := &real{house: h, admin: access.System("test", access.ViaCommand)}
	passwords := must(access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, kittest.Random(3), 2))(t)
	r.gate = &access.Gate{Now: h.Clock.Now, NewID: h.NewID, Random: kittest.Random(4), Passwords: passwords, Limiter: access.NewLimiter(), Times: access.DefaultTimes}
	r.gate.Do, r.gate.View = rooms(h, func(tx *store.Tx) access.Store { return tx })
	r.desk = &schedule.Desk{Now: h.Clock.Now, NewID: h.NewID}
	r.desk.Do, r.desk.View = rooms(h, func(tx *store.Tx) schedule.Store { return tx })
	reader := &agenda.Reader{}
	_, reader.View = rooms(h, func(tx *store.Tx) agenda.Store { return tx })
	r.stock(t)
	handler := &caldav.Handler{Gate: r.gate, Desk: r.desk, Agenda: reader, Now: h.Clock.Now}
	r.world = &world{t: t, handler: handler, server: httptest.NewServer(handler), passwords: map[string]string{}}
	t.Cleanup(r.server.Close)
	r.ada = r.account(t, access.Account{Name: "ada", Display: "Ada", Mail: "ada@example.org", Role: access.Surveyor, Locale: "en", Zone: "Europe/Berlin"})
	r.account(t, access.Account{Name: "cora", Display: "Cora", Role: access.Coordinator, Locale: "en", Zone: "Europe/Berlin", AllClients: true})
	return r
}

// account makes an account with an app password.
func (r *real) account(t testing.TB, a access.Account) access.Actor {
	t.Helper()
	a = must(r.gate.AddAccount(t.Context(), r.admin, a, ""))(t)
	who := access.Actor{Account: a.ID, Name: a.Name, Role: a.Role, Scope: a.Scope(), Via: access.ViaPage}
	secret, _, err := r.gate.IssueAppPassword(t.Context(), who, "calendar")
	if err != nil {
		t.Fatal(err)
	}
	r.passwords[a.Name] = secret
	return who
}

// stock fills the pool: kit K-1 of two dosimeters and a calibrator, all with certificates.
func (r *real) stock(t testing.TB) {
	t.Helper()
	keeper := &fleet.Keeper{Now: r.house.Clock.Now, NewID: r.house.NewID}
	keeper.Do, keeper.View = rooms(r.house, func(tx *store.Tx) fleet.Store { return tx })
	ctx, who := t.Context(), r.admin
	depot := must(keeper.AddDepot(ctx, who, fleet.Depot{Name: "Harrow Lane", Code: "harrow", Zone: "Europe/Berlin"}))(t)
	dosimeter := must(keeper.AddModel(ctx, who, fleet.Model{Name: "Shoulder 2", Maker: "Quiet Works", Kind: fleet.Dosimeter, CalibrationMonths: 24, MemoryRuns: 1, HoldsData: true}))(t)
	calibrator := must(keeper.AddModel(ctx, who, fleet.Model{Name: "Tone", Maker: "Quiet Works", Kind: fleet.Calibrator, CalibrationMonths: 24}))(t)
	lab := must(keeper.AddLaboratory(ctx, who, fleet.Laboratory{Name: "Lab of Invented Measures", DueRule: fleet.Anniversary}))(t)
	certificate := fleet.Certificate{Number: "C-1", Laboratory: lab.ID, Calibrated: civil.Date{Year: 2026, Month: 2, Day: 1}}
	level := 94.0
	var units []ident.ID
	for _, tag := range []string{"D-1", "D-2", "C-1"} {
		model, line := dosimeter.ID, fleet.Line{Verdict: fleet.Pass}
		if tag == "C-1" {
			model, line.LevelDB = calibrator.ID, &level
		}
		u := must(keeper.AddUnit(ctx, who, fleet.Unit{Tag: tag, Serial: "S" + tag, Model: model, Depot: depot.ID, Ownership: fleet.Owned}))(t)
		line.Unit = u.ID
		units, certificate.Lines = append(units, u.ID), append(certificate.Lines, line)
	}
	must(keeper.EnterCertificate(ctx, who, certificate))(t)
	kit := must(keeper.AddKit(ctx, who, fleet.Kit{Name: "Case 1", Code: "K-1", Depot: depot.ID}))(t)
	r.kit = kit.ID
	if err := keeper.SetKit(ctx, who, kit.ID, units, time.Time{}); err != nil {
		t.Fatal(err)
	}
}

func (r *real) bookings(t testing.TB) []schedule.Booking {
	t.Helper()
	page := must(r.desk.List(t.Context(), r.admin, schedule.Query{Kit: r.kit, States: []schedule.State{schedule.Promised, schedule.AtRisk, schedule.OutNow}, Limit: 500}))(t)
	return page.Bookings
}

// The same desk answers here as everywhere: a PUT books, moves and gives up; a refusal names the unit and stores nothing; what
// another door changes appears in the next synchronization.
func TestOnTheRealDesk(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		sync := func(token string) multistatus {
			return r.call("REPORT", "/caldav/kits/K-1/", syncBody(token, 0)).multi()
		}
		token := sync("").Token
		body := ics("a", "Foundry", "DTSTART;TZID=W. Europe Standard Time:20260309T080000", "DTEND;TZID=W. Europe Standard Time:20260309T160000")
		tag := r.call("PUT", at, body, "If-None-Match: *").want(http.StatusCreated).header.Get("ETag")
		same(t, r.call("GET", at, "").want(http.StatusOK).body, body)
		same(t, r.call("PUT", at, body, "If-None-Match: *").want(http.StatusNoContent).header.Get("ETag"), tag)
		list := r.bookings(t)
		if len(list) != 1 || len(list[0].Units) != 3 || list[0].OwnerName != "ada" || list[0].Occurrences[0].FromCivil != (schedule.Civil{Local: "2026-03-09T08:00:00", Zone: "Europe/Berlin"}) {
			t.Fatalf("%+v", list)
		}
		m := sync(token)
		same(t, m.hrefs(), "K-1/a.ics")
		token = m.Token

		no := r.call("PUT", "/caldav/kits/K-1/b.ics", ics("b", "Sawmill", day(9, 18, 20)...)).want(http.StatusConflict, "booking-refused", "D-1", "Could be booked")
		if strings.Contains(no.body, "{") {
			t.Error(no.body)
		}
		same(t, sync(token).hrefs(), "")
		if len(r.bookings(t)) != 1 {
			t.Error("a refused event is stored")
		}

		old := list[0]
		occ := old.Occurrences[0]
		occ.FromCivil.Local, occ.ToCivil.Local, occ.Span = "2026-03-10T08:00:00", "2026-03-10T16:00:00", fleet.Span{}
		must(r.desk.Move(t.Context(), r.ada, old.ID, old.Version, schedule.Wish{Title: "Foundry, by web", Ask: old.Ask, Occurrences: []schedule.Occurrence{occ}}))(t)
		m = sync(token)
		same(t, m.hrefs(), "K-1/a.ics")
		token = m.Token
		r.call("PUT", at, body, "If-Match: "+tag).want(http.StatusPreconditionFailed)
		got := r.call("GET", at, "").want(http.StatusOK, "SUMMARY:Foundry\\, by web", "DTSTART;TZID=Europe/Berlin:20260310T080000", "UID:a")
		r.call("PUT", at, strings.ReplaceAll(got.body, "20260310T", "20260311T"), "If-Match: "+got.header.Get("ETag")).want(http.StatusNoContent)
		series := ics("s", "Weekly", append(day(16, 8, 10), "RRULE:FREQ=WEEKLY;COUNT=3")...)
		r.call("PUT", "/caldav/kits/K-1/s.ics", series).want(http.StatusCreated)
		same(t, r.call("REPORT", "/caldav/kits/K-1/", query(timeRange("20260323T000000Z", "20260324T000000Z"), "")).multi().inOrder(), "s.ics")
		same(t, sync(token).hrefs(), "K-1/a.ics K-1/s.ics")
		r.call("REPORT", "/caldav/kits/K-1/", `<C:free-busy-query xmlns:C="urn:ietf:params:xml:ns:caldav">`+timeRange("20260310T000000Z", "20260312T000000Z")+`</C:free-busy-query>`).
			want(http.StatusOK, "FREEBUSY;FBTYPE=BUSY:20260311T030000Z/20260311T190000Z")

		r.call("DELETE", at, "").want(http.StatusNoContent)
		same(t, sync(token).hrefs(), "-K-1/a.ics K-1/s.ics")
		r.call("PUT", "/caldav/kits/K-1/b.ics", ics("b", "Sawmill", day(9, 18, 20)...)).want(http.StatusCreated)
		if list = r.bookings(t); len(list) != 2 {
			t.Errorf("%+v", list)
		}
		r.call("GET", at, "", "As: nobody").want(http.StatusUnauthorized)
		r.sound(t)
		raw := h.SQL(t)
		for _, spoil := range []string{"UPDATE calendar_object SET version = version + 1 WHERE name = 's.ics'", "UPDATE calendar_object SET gone = 0 WHERE name = 'a.ics'", "UPDATE counter SET value = 1 WHERE name LIKE 'calendar %'"} {
			if _, err := raw.ExecContext(t.Context(), spoil); err != nil {
				t.Fatal(err)
			}
		}
		if findings := r.findings(t); len(findings) != 3 {
			t.Errorf("three things were spoilt, found: %v", findings)
		}
	})
}

// findings is what the check of the database says of bookings and calendars.
func (r *real) findings(t testing.TB) (found []store.Finding) {
	t.Helper()
	for _, f := range must(r.house.Check(t.Context()))(t) {
		if f.Check == "calendar" || f.Check == "promises" {
			found = append(found, f)
		}
	}
	return found
}

func (r *real) sound(t testing.TB) {
	t.Helper()
	if found := r.findings(t); len(found) > 0 {
		t.Error(found)
	}
}

// Many programs at once: one slot is promised once, one event sent many times is one booking, and everybody gets an answer.
func TestManyProgramsAtOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		all := func(n int, send func(i int) int) []int {
			status := make([]int, n)
			var wg sync.WaitGroup
			for i := range n {
				wg.Go(func() { status[i] = send(i) })
			}
			wg.Wait()
			slices.Sort(status)
			return status
		}
		got := all(8, func(i int) int {
			return r.call("PUT", fmt.Sprintf("/caldav/kits/K-1/slot%d.ics", i), ics(fmt.Sprint("slot", i), "x", day(9, 8, 16)...)).status
		})
		same(t, fmt.Sprint(got), "[201 409 409 409 409 409 409 409]")
		body := ics("one", "x", day(12, 8, 16)...)
		got = all(8, func(int) int { return r.call("PUT", "/caldav/kits/K-1/one.ics", body).status })
		same(t, fmt.Sprint(got), "[201 204 204 204 204 204 204 204]")
		if n := len(r.bookings(t)); n != 2 {
			t.Errorf("%d bookings, want 2", n)
		}
		r.sound(t)
	})
}

func TestRealFeedAndWalls(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		r.call("PUT", at, ics("a", "Foundry", day(9, 8, 16)...)).want(http.StatusCreated)
		secret, _, err := r.gate.IssueFeed(t.Context(), r.ada)
		if err != nil {
			t.Fatal(err)
		}
		feed := &caldav.Feed{Holders: r.gate, Bookings: r.desk, Now: h.Clock.Now}
		read := func(secret string) *reply {
			rec := httptest.NewRecorder()
			feed.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), "GET", "/feeds/"+secret+".ics", nil))
			return &reply{t, "feed", rec.Code, rec.Header(), rec.Body.String()}
		}
		read(secret).want(http.StatusOK, "SUMMARY:Foundry")
		read(secret + "x").want(http.StatusNotFound)

		// The coordinator puts the booking behind a client's wall; for its maker it is gone in every way.
		client := h.NewID()
		b := r.bookings(t)[0]
		must(r.desk.Move(t.Context(), r.admin, b.ID, b.Version, schedule.Wish{Title: b.Title, Client: client, Ask: b.Ask, Occurrences: b.Occurrences}))(t)
		read(secret).want(http.StatusOK, "!Foundry")
		r.call("GET", at, "").want(http.StatusNotFound)
		r.call("DELETE", at, "").want(http.StatusNotFound)
		r.call("PROPFIND", "/caldav/kits/K-1/", props("D:getetag"), "Depth: 1").want(http.StatusMultiStatus, "!a.ics")
		r.call("GET", at, "", "As: cora").want(http.StatusOK)
	})
}

// A surveyor's own programs against the whole of it: khal writes, vdirsyncer carries, the desk answers.
func TestPeerDesktopOnTheRealDesk(t *testing.T) {
	program(t, "vdirsyncer")
	program(t, "khal")
	r := newReal(t, storetest.SQLite(t))
	d := newDesktop(t, r.server.URL, r.passwords["ada"])
	d.must("khal", "new", "2026-03-09", "08:00", "16:00", "Foundry")
	d.must("khal", "new", "2026-03-12", "08:00", "16:00", "Sawmill")
	d.sync()
	list := r.bookings(t)
	if len(list) != 2 || list[0].Title != "Foundry" || len(list[0].Units) != 3 {
		t.Fatalf("%+v", list)
	}
	d.must("khal", "new", "2026-03-09", "15:00", "18:00", "Too late")
	if out, err := d.run("vdirsyncer", "sync"); err == nil || !strings.Contains(out, "409") {
		t.Errorf("the clash went by: %v\n%s", err, out)
	}
	for _, title := range []string{"Too late", "Foundry"} {
		if err := os.Remove(d.file(title)); err != nil {
			t.Fatal(err)
		}
	}
	d.sync()
	if list = r.bookings(t); len(list) != 1 || list[0].Title != "Sawmill" {
		t.Errorf("%+v", list)
	}
	r.sound(t)
}
