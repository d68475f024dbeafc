package caldav_test

import (
	"cmp"
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/caldav"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
)

// world is a desk and an agenda in memory: one promise of a kit at a time, versions, tombstones and walls as the databases keep
// them. It lets the protocol be tested without a database; the tests on the real desk are beside it.
type world struct {
	mu       sync.Mutex
	t        testing.TB
	clock    *kittest.Clock
	newID    ident.Source
	depot    fleet.Depot
	kits     []fleet.Kit
	accounts map[string]access.Account
	bookings map[ident.ID]schedule.Booking
	rows     []row
	serials  map[ident.ID]int64
	before   func() // runs once, before the next change at the desk
	server   *httptest.Server
	handler  *caldav.Handler

	passwords map[string]string // app passwords by name; nil: everybody has the same
}

type row struct {
	agenda.Entry
	client ident.ID
}

const password = "app-password"

func newWorld(t testing.TB) *world {
	clock := kittest.NewClock()
	w := &world{t: t, clock: clock, newID: kittest.IDs(clock, 1), bookings: map[ident.ID]schedule.Booking{}, serials: map[ident.ID]int64{}, accounts: map[string]access.Account{}}
	w.depot = fleet.Depot{ID: w.newID(), Name: "Harrow Lane", Code: "HL", Zone: "Europe/Berlin"}
	for _, code := range []string{"K-1", "K-2", "Kit 3/ä+"} {
		w.kits = append(w.kits, fleet.Kit{ID: w.newID(), Code: code, Name: "Case " + code, Depot: w.depot.ID})
	}
	for name, role := range map[string]access.Role{"ada": access.Surveyor, "ben": access.Surveyor, "cora": access.Coordinator, "vic": access.Viewer} {
		w.accounts[name] = access.Account{ID: w.newID(), Name: name, Role: role, Mail: name + "@example.org", AllClients: role == access.Coordinator}
	}
	w.handler = &caldav.Handler{Gate: w, Desk: w, Now: clock.Now, Agenda: &agenda.Reader{View: func(_ context.Context, who access.Actor, fn func(agenda.Store) error) error {
		w.mu.Lock()
		defer w.mu.Unlock()
		return fn(seen{w, who})
	}}}
	w.server = httptest.NewServer(w.handler)
	t.Cleanup(w.server.Close)
	return w
}

func (w *world) Authenticate(_ context.Context, name, pass string, via access.Via) (access.Actor, error) {
	a, ok := w.accounts[name]
	if !ok || pass != password {
		return access.Actor{}, fault.New(fault.NotSignedIn)
	}
	return access.Actor{Account: a.ID, Name: a.Name, Role: a.Role, Scope: a.Scope(), Via: via}, nil
}

func (w *world) Account(_ context.Context, who access.Actor, id ident.ID) (access.Account, error) {
	return w.accounts[who.Name], nil
}

func (w *world) start() {
	w.mu.Lock()
	f := w.before
	w.before = nil
	w.mu.Unlock()
	if f != nil {
		f()
	}
}

func (w *world) Book(_ context.Context, who access.Actor, wish schedule.Wish) (schedule.Outcome, error) {
	w.start()
	w.mu.Lock()
	defer w.mu.Unlock()
	if !who.Books() {
		return schedule.Outcome{}, fault.New(fault.NotAllowed, "what", "book")
	}
	b := schedule.Booking{ID: w.newID(), Version: 1, Number: len(w.bookings) + 1, State: schedule.Promised, Owner: who.Account, OwnerName: who.Name,
		Entered: w.clock.Now(), Client: wish.Client, Lead: 4 * time.Hour, Lag: 2 * time.Hour}
	return w.keep(b, wish)
}

func (w *world) Move(_ context.Context, who access.Actor, id ident.ID, version int, wish schedule.Wish) (schedule.Outcome, error) {
	w.start()
	w.mu.Lock()
	defer w.mu.Unlock()
	b, err := w.open(who, id, version)
	if err != nil {
		return schedule.Outcome{}, err
	}
	b.Version++
	b.Client = wish.Client
	if wish.Lead == nil {
		b.Lead = 4 * time.Hour
	}
	return w.keep(b, wish)
}

func (w *world) Cancel(_ context.Context, who access.Actor, id ident.ID, version int, reason string) (schedule.Outcome, error) {
	w.start()
	w.mu.Lock()
	defer w.mu.Unlock()
	b, err := w.open(who, id, version)
	if err != nil {
		return schedule.Outcome{}, err
	}
	if b.State == schedule.OutNow {
		return schedule.Outcome{}, fault.New(fault.BookingOut, "number", b.Label(), "what", "check them in, then cancel")
	}
	b.Version, b.State = b.Version+1, schedule.Cancelled
	w.save(b)
	return schedule.Outcome{Booking: b}, nil
}

func (w *world) Busy(_ context.Context, _ access.Actor, units []ident.ID, span fleet.Span) (out []schedule.Block, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range w.bookings {
		for _, s := range b.Spans() {
			if b.Live() && slices.Contains(units, b.Ask.Kit) && s.Overlaps(span) {
				out = append(out, schedule.Block{Span: s})
			}
		}
	}
	return out, nil
}

func (w *world) open(who access.Actor, id ident.ID, version int) (schedule.Booking, error) {
	b := w.bookings[id]
	switch {
	case !who.Scope.Sees(b.Client):
		return b, fault.New(fault.NotThere, "noun", "booking")
	case !schedule.MayChange(who, b):
		return b, fault.New(fault.NotAllowed, "what", "move "+b.Label()+", which is somebody else's booking")
	case b.Version != version:
		return b, fault.New(fault.Changed, "noun", "booking")
	}
	return b, nil
}

func (w *world) keep(b schedule.Booking, wish schedule.Wish) (schedule.Outcome, error) {
	b.Title, b.Ask, b.Occurrences, b.Calendar, b.Changed = wish.Title, wish.Ask, wish.Occurrences, wish.Calendar, w.clock.Now()
	for _, o := range b.Occurrences {
		if !o.Span.Valid() {
			return schedule.Outcome{}, fault.New(fault.BadInput, "what", "the end is not after the start; choose a later end")
		}
	}
	for _, other := range w.bookings {
		if other.ID == b.ID || !other.Live() || other.Ask.Kit != b.Ask.Kit {
			continue
		}
		if other.Calendar.UID == b.Calendar.UID || other.Calendar.Name == b.Calendar.Name {
			return schedule.Outcome{}, fault.New(fault.AlreadyUsed, "noun", "calendar entry", "value", b.Calendar.UID)
		}
		for _, s := range other.Spans() {
			for _, mine := range b.Spans() {
				if s.Overlaps(mine) {
					return schedule.Outcome{}, &schedule.Refusal{Code: fault.BookingRefused, Asked: "kit K-1", Reasons: []schedule.UnitReasons{{Tag: "D-031"}}}
				}
			}
		}
	}
	w.save(b)
	return schedule.Outcome{Booking: b}, nil
}

// save keeps a booking and logs it as the store does.
func (w *world) save(b schedule.Booking) {
	w.bookings[b.ID] = b
	c := b.Collection()
	for i, r := range w.rows {
		if !r.Gone && r.Booking == b.ID && (r.client != b.Client || r.Collection != c || r.Name != b.Calendar.Name) {
			w.serials[r.Collection]++
			w.rows[i].Gone, w.rows[i].Serial = true, w.serials[r.Collection]
		}
	}
	w.rows = slices.DeleteFunc(w.rows, func(r row) bool {
		return r.Collection == c && r.Name == b.Calendar.Name && r.client == b.Client
	})
	w.serials[c]++
	w.rows = append(w.rows, row{agenda.Entry{Collection: c, Name: b.Calendar.Name, UID: b.Calendar.UID, Booking: b.ID, Version: b.Version,
		Span:    fleet.Span{From: b.Occurrences[0].Span.From, To: b.Occurrences[len(b.Occurrences)-1].Span.To},
		Entered: b.Entered, Changed: b.Changed, Serial: w.serials[c], Gone: b.State == schedule.Cancelled}, b.Client})
}

// byWeb changes a booking as another door does.
func (w *world) byWeb(uid string, change func(*schedule.Booking)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range w.bookings {
		if b.Calendar.UID == uid {
			change(&b)
			b.Version++
			w.save(b)
			return
		}
	}
	w.t.Fatalf("no booking %s", uid)
}

// seen is the world as an actor sees it, inside one look.
type seen struct {
	*world
	who access.Actor
}

func (s seen) Depots() ([]fleet.Depot, error)     { return []fleet.Depot{s.depot}, nil }
func (s seen) Kits(ident.ID) ([]fleet.Kit, error) { return s.kits, nil }
func (s seen) CalendarMark(_ ident.ID, serial int64) (string, error) {
	return fmt.Sprint("mark", serial), nil
}
func (s seen) Depot(ident.ID) (fleet.Depot, error) { return s.depot, nil }
func (s seen) KitByCode(code string) (fleet.Kit, error) {
	for _, k := range s.kits {
		if strings.EqualFold(k.Code, code) {
			return k, nil
		}
	}
	return fleet.Kit{}, fault.New(fault.NotThere, "noun", "kit")
}
func (s seen) KitUnits(kit ident.ID, _ time.Time) ([]ident.ID, error) { return []ident.ID{kit}, nil }
func (s seen) CalendarSerial(collection ident.ID) (int64, error)      { return s.serials[collection], nil }
func (s seen) BookingsAcross(ids []ident.ID) ([]schedule.Booking, error) {
	var out []schedule.Booking
	for _, id := range ids {
		if b, ok := s.bookings[id]; ok {
			out = append(out, b)
		}
	}
	return out, nil
}

func (s seen) find(collection ident.ID, match func(row) bool) []agenda.Entry {
	var out []agenda.Entry
	for _, r := range s.rows {
		if r.Collection == collection && s.who.Scope.Sees(r.client) && match(r) {
			out = append(out, r.Entry)
		}
	}
	return out
}

func (s seen) CalendarEntries(collection ident.ID, span fleet.Span) ([]agenda.Entry, error) {
	out := s.find(collection, func(r row) bool {
		return !r.Gone && (span.From.IsZero() || r.Span.To.After(span.From)) && (span.To.IsZero() || r.Span.From.Before(span.To))
	})
	slices.SortFunc(out, func(a, b agenda.Entry) int { return a.Span.From.Compare(b.Span.From) })
	return out, nil
}

func (s seen) CalendarEntriesNamed(collection ident.ID, names []string) ([]agenda.Entry, error) {
	return s.find(collection, func(r row) bool { return !r.Gone && slices.Contains(names, r.Name) }), nil
}

func (s seen) CalendarEntryByUID(collection ident.ID, uid string) (agenda.Entry, bool, error) {
	out := s.find(collection, func(r row) bool { return !r.Gone && r.UID == uid })
	if len(out) == 0 {
		return agenda.Entry{}, false, nil
	}
	return out[0], true, nil
}

func (s seen) CalendarChanges(collection ident.ID, after int64, limit int) ([]agenda.Entry, error) {
	out := s.find(collection, func(r row) bool { return r.Serial > after })
	slices.SortFunc(out, func(a, b agenda.Entry) int { return cmp.Compare(a.Serial, b.Serial) })
	return out[:min(len(out), limit)], nil
}

// reply is what came back.
type reply struct {
	t      testing.TB
	what   string
	status int
	header http.Header
	body   string
}

// call sends a request as ada, with headers given as "Name: value"; a header "As: NAME" is somebody else, "As: -" nobody.
func (w *world) call(method, path, body string, headers ...string) *reply {
	w.t.Helper()
	req, err := http.NewRequestWithContext(context.Background(), method, w.server.URL+path, strings.NewReader(body))
	if err != nil {
		w.t.Fatal(err)
	}
	pass := func(name string) string { return cmp.Or(w.passwords[name], password) }
	req.SetBasicAuth("ada", pass("ada"))
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		switch {
		case name == "As" && value == "-":
			req.Header.Del("Authorization")
		case name == "As":
			req.SetBasicAuth(value, pass(value))
		default:
			req.Header.Set(name, value)
		}
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	raw, err := io.ReadAll(res.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return &reply{w.t, method + " " + path, res.StatusCode, res.Header, string(raw)}
}

// want checks the status and that the body holds the words; a word after "!" must not be there.
func (r *reply) want(status int, words ...string) *reply {
	r.t.Helper()
	if r.status != status {
		r.t.Errorf("%s: status %d, want %d\n%s", r.what, r.status, status, r.body)
	}
	for _, word := range words {
		if not, ok := strings.CutPrefix(word, "!"); ok == strings.Contains(r.body, not) && (ok || !strings.Contains(r.body, word)) {
			r.t.Errorf("%s: about %q, in\n%s", r.what, word, r.body)
		}
	}
	return r
}

type multistatus struct {
	Token     string     `xml:"DAV: sync-token"`
	Responses []response `xml:"DAV: response"`
}

type response struct {
	Href   string `xml:"DAV: href"`
	Status string `xml:"DAV: status"`
	Stat   []struct {
		Status string `xml:"DAV: status"`
		Prop   struct {
			Props []struct {
				XMLName xml.Name
				Inner   string `xml:",innerxml"`
				Text    string `xml:",chardata"`
			} `xml:",any"`
		} `xml:"DAV: prop"`
	} `xml:"DAV: propstat"`
}

// multi reads a multistatus.
func (r *reply) multi() multistatus {
	r.t.Helper()
	r.want(http.StatusMultiStatus)
	var m multistatus
	if err := xml.Unmarshal([]byte(r.body), &m); err != nil {
		r.t.Fatalf("%s: %v\n%s", r.what, err, r.body)
	}
	return m
}

// hrefs lists the addresses of a multistatus, those that are gone after a minus.
func (m multistatus) hrefs() string {
	var out []string
	for _, r := range m.Responses {
		mark := ""
		if strings.Contains(r.Status, "404") {
			mark = "-"
		}
		if strings.Contains(r.Status, "507") {
			mark = "…"
		}
		out = append(out, mark+strings.TrimPrefix(r.Href, "/caldav/kits/"))
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// prop gives a property's text of the response with the address, and its status.
func (m multistatus) prop(href, local string) (text, status string) {
	for _, r := range m.Responses {
		if r.Href != href {
			continue
		}
		for _, s := range r.Stat {
			for _, p := range s.Prop.Props {
				if p.XMLName.Local == local {
					return cmp.Or(strings.TrimSpace(p.Text), p.Inner), s.Status
				}
			}
		}
	}
	return "", "absent"
}

// ics is an event with CRLF; times are UTC hours of a day in March 2026, or whole lines.
func ics(uid, summary string, lines ...string) string {
	all := append([]string{"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//test//EN", "BEGIN:VEVENT", "UID:" + uid, "DTSTAMP:20260301T000000Z", "SUMMARY:" + summary}, lines...)
	return strings.Join(append(all, "END:VEVENT", "END:VCALENDAR"), "\r\n") + "\r\n"
}

func day(d, from, to int) []string {
	return []string{fmt.Sprintf("DTSTART:202603%02dT%02d0000Z", d, from), fmt.Sprintf("DTEND:202603%02dT%02d0000Z", d, to)}
}

func same(t testing.TB, got, want string) {
	t.Helper()
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
