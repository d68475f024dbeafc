package mailin_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ical"
	"kitd/internal/ident"
	"kitd/internal/itip"
	"kitd/internal/kittest"
	"kitd/internal/mailin"
	"kitd/internal/notify"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

const domain = "kits.example.org"

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

// real is the secretary over the desk and a database, as the server wires them.
type real struct {
	*itip.Secretary
	house  *storetest.House
	desk   *schedule.Desk
	ledger *itip.Ledger
	post   worker[notify.Store]
	admin  access.Actor
	gate   *access.Gate
	ada    ident.ID
}

func newReal(t testing.TB, h *storetest.House) *real {
	t.Helper()
	r := &real{house: h, admin: access.System("test", access.ViaCommand)}
	r.Secretary = &itip.Secretary{Files: h.DB, Now: h.Clock.Now, NewID: h.NewID, Domain: domain, Authserv: "mx.example.org", URL: "https://kits.example.org"}
	r.Do, r.View = rooms(h, func(tx *store.Tx) itip.Store { return tx })
	r.ledger = &itip.Ledger{Files: h.DB}
	_, r.ledger.View = rooms(h, func(tx *store.Tx) itip.LedgerStore { return tx })
	r.desk = &schedule.Desk{Now: h.Clock.Now, NewID: h.NewID}
	r.desk.Do, r.desk.View = rooms(h, func(tx *store.Tx) schedule.Store { return tx })
	r.post, _ = rooms(h, func(tx *store.Tx) notify.Store { return tx })
	passwords := must(access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, kittest.Random(3), 2))(t)
	r.gate = &access.Gate{Now: h.Clock.Now, NewID: h.NewID, Random: kittest.Random(4), Passwords: passwords, Limiter: access.NewLimiter(), Times: access.DefaultTimes}
	r.gate.Do, r.gate.View = rooms(h, func(tx *store.Tx) access.Store { return tx })
	r.stock(t)
	for _, a := range []access.Account{{Name: "ada", Role: access.Surveyor}, {Name: "ben", Role: access.Surveyor}, {Name: "cora", Role: access.Coordinator, AllClients: true}, {Name: "vic", Role: access.Viewer}} {
		a.Mail, a.Zone = a.Name+"@example.org", "Europe/Berlin"
		made := must(r.gate.AddAccount(t.Context(), r.admin, a, ""))(t)
		if a.Name == "ada" {
			r.ada = made.ID
		}
	}
	return r
}

// stock fills the pool: kits K-1 and K-2 of two dosimeters and a calibrator each.
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
	kits := map[string][]ident.ID{}
	for _, tag := range []string{"D-1", "D-2", "C-1", "D-3", "D-4", "C-2"} {
		model, line := dosimeter.ID, fleet.Line{Verdict: fleet.Pass}
		if strings.HasPrefix(tag, "C") {
			model, line.LevelDB = calibrator.ID, &level
		}
		u := must(keeper.AddUnit(ctx, who, fleet.Unit{Tag: tag, Serial: "S" + tag, Model: model, Depot: depot.ID, Ownership: fleet.Owned}))(t)
		line.Unit = u.ID
		certificate.Lines = append(certificate.Lines, line)
		code := "K-1"
		if len(certificate.Lines) > 3 {
			code = "K-2"
		}
		kits[code] = append(kits[code], u.ID)
	}
	must(keeper.EnterCertificate(ctx, who, certificate))(t)
	for _, code := range []string{"K-1", "K-2"} {
		kit := must(keeper.AddKit(ctx, who, fleet.Kit{Name: "Case " + code, Code: code, Depot: depot.ID}))(t)
		if err := keeper.SetKit(ctx, who, kit.ID, kits[code], time.Time{}); err != nil {
			t.Fatal(err)
		}
	}
}

// fixture reads a message of testdata/mail with the line ends of the wire.
func fixture(t testing.TB, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "testdata", "mail", name+".eml"))
	if err != nil {
		t.Fatal(err)
	}
	return bytes.ReplaceAll(raw, []byte("\n"), []byte("\r\n"))
}

func (r *real) take(t testing.TB, raw []byte, to string) itip.Receipt {
	t.Helper()
	l := mailin.Read(raw)
	l.EnvelopeFrom = l.From
	return must(r.Receive(t.Context(), l, to))(t)
}

// sent empties the outbox.
func (r *real) sent(t testing.TB) []notify.Message {
	t.Helper()
	var all []notify.Message
	err := r.post(t.Context(), r.admin, func(s notify.Store) (err error) {
		if all, err = s.Claim(r.house.Clock.Now(), time.Time{}, 100); err != nil {
			return err
		}
		for _, m := range all {
			m.State = notify.Sent
			if err := s.Settle(m); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// standing shows what is promised: title, units, visits.
func (r *real) standing(t testing.TB) string {
	t.Helper()
	page := must(r.desk.List(t.Context(), r.admin, schedule.Query{States: []schedule.State{schedule.Promised, schedule.AtRisk, schedule.OutNow}}))(t)
	var all []string
	for _, b := range page.Bookings {
		one := b.Title + " ["
		for i, u := range b.Units {
			if i > 0 {
				one += " "
			}
			one += u.Tag
		}
		one += "]"
		for _, o := range b.Occurrences {
			one += " " + o.Span.From.Format("02.01T15:04") + "/" + o.Span.To.Format("02T15:04")
		}
		all = append(all, one)
	}
	return strings.Join(all, "; ")
}

// The messages of the big senders, rebuilt by hand, one after the other at one desk.
func TestFixtures(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		const k1, anyHarrow = "K-1@Kits.example.org", "any-harrow@kits.example.org"
		series := "Press shop, wöchentlich [D-1 D-2 C-1] 09.03T07:00/09T15:00 17.03T07:00/17T15:00 23.03T07:00/23T15:00 30.03T06:00/30T14:00"
		for _, c := range []struct {
			name, to string
			outcome  itip.Outcome
			status   string // PARTSTAT of the reply; "-" no answer, "text" words only
			says     string
			stands   string // part of what stands afterwards; starts with "!": must not
		}{
			{"series", k1, itip.Booked, "ACCEPTED", "for 4 visits", series},
			{"series", k1, itip.Booked, "-", "", series},
			{"series-update", k1, itip.Moved, "ACCEPTED", "10 Mar", "Press shop [D-1 D-2 C-1] 10.03T07:00/10T15:00 17.03T07:00/17T15:00 24.03T07:00/24T15:00 31.03T06:00/31T14:00"},
			{"cancel-one", k1, itip.Moved, "-", "", "17.03T07:00/17T15:00 31.03T06:00/31T14:00"},
			{"cancel", k1, itip.Cancelled, "-", "B-1 given up", "!Press shop"},
			{"forwarded", k1, itip.Explained, "text", "The organizer of this event is bo@elsewhere.test", "!Site meeting"},
			{"delegate", k1, itip.Booked, "ACCEPTED", "B-2", "Foundry [D-1 D-2 C-1] 03.04T06:00/03T14:00"},
			{"no-method", k1, itip.Booked, "ACCEPTED", "D-1, D-2, C-1", "Sawmill"},
			{"twin", k1, itip.Booked, "ACCEPTED", "B-4: promised", "Bottling"},
			{"tnef", k1, itip.Explained, "text", "iCalendar", "!Paint"},
			{"latin1", k1, itip.Booked, "ACCEPTED", "", "Härterei Süd"},
			{"latin1-undeclared", k1, itip.Booked, "ACCEPTED", "", "Härterei Nord"},
			{"generated", k1, itip.Booked, "ACCEPTED", "", "Quarry [D-1 D-2 C-1] 10.04T06:00/10T14:00"},
			{"all-day", k1, itip.Booked, "ACCEPTED", "", "Two days [D-1 D-2 C-1] 12.04T22:00/14T22:00"},
			{"any-kits", anyHarrow, itip.Booked, "ACCEPTED", "Understood: 2 kits of Harrow Lane", "rolling mill [D-3 D-4 C-2]"},
			{"any-dosimeters", anyHarrow, itip.Booked, "ACCEPTED", "Understood: 3 dosimeters and a calibrator", "Rolling mill ["},
			{"any-too-many", anyHarrow, itip.Declined, "DECLINED", "2 of 5 kits of Harrow Lane", "!5 kits"},
			{"stranger", k1, itip.Ignored, "-", "no enabled account", "!Mine"},
			{"spoofed", k1, itip.Ignored, "-", "does not vouch", "!Mine"},
			{"list", k1, itip.Ignored, "-", "mailing list", "!Mine"},
			{"vacation", k1, itip.Ignored, "-", "auto-replied", ""},
			{"plain", k1, itip.Explained, "text", "invite k-1@kits.example.org", ""},
			{"endless", k1, itip.Declined, "DECLINED", "never ends", "!Every week"},
			{"unknown-zone", k1, itip.Declined, "DECLINED", "Middle of Nowhere", "!Nowhere"},
			{"published", k1, itip.Explained, "text", "published", "!Public"},
			{"add-unknown", k1, itip.Refreshed, "REFRESH", "whole event", "!One more"},
		} {
			got := r.take(t, fixture(t, c.name), c.to)
			if got.Outcome != c.outcome || !strings.Contains(got.Said, c.says) {
				t.Errorf("%s: %s: %s", c.name, got.Outcome, got.Said)
			}
			stands := r.standing(t)
			if want, no := strings.CutPrefix(c.stands, "!"); no == strings.Contains(stands, want) {
				t.Errorf("%s: %q in\n%s", c.name, c.stands, stands)
			}
			answered(t, c.name, c.status, c.says, r.sent(t))
		}
		for _, f := range must(h.Check(t.Context()))(t) {
			if f.Check != "accounts" { // nobody here has a password
				t.Errorf("%v", f)
			}
		}
	})
}

// answered checks what was sent: nothing, words, or a calendar with our status.
func answered(t *testing.T, name, status, says string, sent []notify.Message) {
	t.Helper()
	if status == "-" {
		if len(sent) > 0 {
			t.Errorf("%s was answered: %q", name, sent[0].Body)
		}
		return
	}
	if len(sent) != 1 {
		t.Errorf("%s: %d answers", name, len(sent))
		return
	}
	m := sent[0]
	if m.InReplyTo != strings.TrimSuffix(name, ".eml")+"@desk.example.org" || !strings.HasSuffix(m.From, "@"+domain) || !strings.Contains(m.Body, says) {
		t.Errorf("%s: %+v", name, m)
	}
	if (status == "text") != (m.Calendar == nil) {
		t.Errorf("%s: calendar %q", name, m.Calendar)
	}
	if m.Calendar == nil || status == "REFRESH" {
		return
	}
	reply, err := ical.ParseMessage(m.Calendar, ical.Options{Zone: time.UTC})
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, m.Calendar)
	}
	h := reply.Heads[0]
	if reply.Method != "REPLY" || m.Method != "REPLY" || len(h.Attendees) != 1 || h.Attendees[0].Status != status || h.Comment == "" || h.Organizer.Address == "" {
		t.Errorf("%s: %s", name, m.Calendar)
	}
}

// vary makes one message of another: by pairs of old and new text.
func vary(t testing.TB, raw []byte, pairs ...string) []byte {
	t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		if !bytes.Contains(raw, []byte(pairs[i])) {
			t.Fatalf("%q is not in the message", pairs[i])
		}
		raw = bytes.ReplaceAll(raw, []byte(pairs[i]), []byte(pairs[i+1]))
	}
	return raw
}

func TestRescheduleThatClashes(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		base := fixture(t, "no-method")
		r.take(t, base, "k-1@"+domain)
		r.take(t, vary(t, base, "nm-1", "nm-2", "20260406T", "20260408T"), "k-1@"+domain)
		before := r.standing(t)
		r.sent(t)
		move := vary(t, base, "20260406T", "20260408T", "SEQUENCE:0", "SEQUENCE:1", "Message-ID: <no-method", "Message-ID: <clash")
		got := r.take(t, move, "k-1@"+domain)
		if got.Outcome != itip.Declined || !strings.Contains(got.Said, "B-1 stays as it was: on Mon 6 Apr 2026") || r.standing(t) != before {
			t.Errorf("%s: %s\n%s", got.Outcome, got.Said, r.standing(t))
		}
		if sent := r.sent(t); len(sent) != 1 || !bytes.Contains(sent[0].Calendar, []byte("PARTSTAT=DECLINED")) || !bytes.Contains(sent[0].Calendar, []byte("SEQUENCE:1\r\n")) {
			t.Errorf("%+v", sent)
		}
		// The old version again, from another hop: it is late, and changes nothing.
		if got := r.take(t, vary(t, base, "id 4F1", "id 5A9"), "k-1@"+domain); got.Outcome != itip.Late || len(r.sent(t)) != 0 {
			t.Errorf("%s: %s", got.Outcome, got.Said)
		}
		// Asked where the matter stands, kitd says what is promised (RFC 5546, 3.2.6).
		refresh := vary(t, base, "METHOD:REQUEST", "METHOD:REFRESH", "Message-ID: <no-method", "Message-ID: <ask")
		if got := r.take(t, refresh, "k-1@"+domain); got.Outcome != itip.Refreshed || !strings.Contains(got.Said, "B-1") || len(r.sent(t)) != 1 {
			t.Errorf("%s: %s", got.Outcome, got.Said)
		}
		// Taken off the guest list, the kit is free.
		off := vary(t, base, "MAILTO:K-1@kits.example.org", "mailto:ben@example.org", "SEQUENCE:0", "SEQUENCE:2", "Message-ID: <no-method", "Message-ID: <off")
		if got := r.take(t, off, "k-1@"+domain); got.Outcome != itip.Cancelled || strings.Contains(r.standing(t), "06.04") {
			t.Errorf("%s: %s\n%s", got.Outcome, got.Said, r.standing(t))
		}
	})
}

func TestWhoMayAsk(t *testing.T) {
	r := newReal(t, storetest.SQLite(t))
	base := fixture(t, "no-method")
	r.take(t, base, "k-1@"+domain)
	r.sent(t)
	before := r.standing(t)
	as := func(name string, pairs ...string) []byte {
		return vary(t, base, append([]string{"ada@example.org", name + "@example.org", "SEQUENCE:0", "SEQUENCE:1", "Message-ID: <no-method", "Message-ID: <" + name}, pairs...)...)
	}
	for name, raw := range map[string][]byte{
		"somebody else's UID":      as("ben", "20260406T", "20260501T"),
		"somebody else's CANCEL":   as("ben", "METHOD:REQUEST", "METHOD:CANCEL"),
		"a viewer":                 as("vic", "nm-1", "nm-9", "20260406T", "20260501T"),
		"a name in the From alone": vary(t, as("ben"), "mailto:ben@", "mailto:ada@"),
	} {
		got := r.take(t, raw, "k-1@"+domain)
		if got.Outcome != itip.Declined && got.Outcome != itip.Explained || r.standing(t) != before {
			t.Errorf("%s: %s %s\n%s", name, got.Outcome, got.Said, r.standing(t))
		}
		for _, m := range r.sent(t) {
			if m.To == "ada@example.org" {
				t.Errorf("%s: the owner was told %q", name, m.Body)
			}
		}
	}
	// The stranger's higher SEQUENCE did not shut the owner out, and a coordinator may do what the desk lets them.
	if got := r.take(t, vary(t, base, "DTSTAMP:20260302T080000Z", "DTSTAMP:20260302T080100Z", "20260406T", "20260407T"), "k-1@"+domain); got.Outcome != itip.Moved {
		t.Errorf("%s: %s", got.Outcome, got.Said)
	}
	if got := r.take(t, as("cora", "METHOD:REQUEST", "METHOD:CANCEL"), "k-1@"+domain); got.Outcome != itip.Cancelled || r.standing(t) != "" {
		t.Errorf("%s: %s", got.Outcome, got.Said)
	}
	if _, err := r.Receive(t.Context(), mailin.Read(base), "k-9@"+domain); !fault.Is(err, fault.NotThere) {
		t.Errorf("%v", err)
	}
}

// A storm of one sender waits at the mail server, and what waited comes through later.
func TestStorm(t *testing.T) {
	r := newReal(t, storetest.SQLite(t))
	base := fixture(t, "plain")
	var refused error
	for n := 0; n < itip.MaxHourly+1 && refused == nil; n++ {
		l := mailin.Read(vary(t, base, "Message-ID: <plain", "Message-ID: <"+strings.Repeat("x", n)))
		l.EnvelopeFrom = l.From
		_, refused = r.Receive(t.Context(), l, "k-1@"+domain)
	}
	if !fault.Is(refused, fault.MailTooOften) || len(r.sent(t)) > itip.MaxHourly {
		t.Fatalf("%v", refused)
	}
	r.house.Clock.Add(61 * time.Minute)
	if got := r.take(t, vary(t, base, "Message-ID: <plain", "Message-ID: <later"), "k-1@"+domain); got.Outcome != itip.Explained {
		t.Error(got.Outcome)
	}
}

// What kitd broke over is kept, and handled anew when it is asked to.
func TestShelvedAndReplayed(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		r := newReal(t, h)
		l := mailin.Read(fixture(t, "no-method"))
		l.EnvelopeFrom = l.From
		kept := must(r.Shelve(t.Context(), l, "k-1@"+domain, "it broke"))(t)
		if kept.Outcome != itip.Failed || r.standing(t) != "" {
			t.Fatalf("%+v", kept)
		}
		if done, left, err := mailin.Replay(t.Context(), r.admin, r.ledger, r); done != 1 || left != 0 || err != nil {
			t.Fatalf("%d %d %v", done, left, err)
		}
		list := must(r.ledger.Receipts(t.Context(), r.admin, itip.ReceiptQuery{}))(t)
		if len(list) != 1 || list[0].Outcome != itip.Booked || !strings.Contains(r.standing(t), "Sawmill") {
			t.Fatalf("%+v", list)
		}
		_, body, err := r.ledger.Raw(t.Context(), r.admin, list[0].ID)
		if err != nil {
			t.Fatal(err)
		}
		if raw, err := io.ReadAll(body); err != nil || !bytes.Equal(raw, l.Raw) {
			t.Errorf("the bytes changed: %v", err)
		}
		if _, err := r.ledger.Receipts(t.Context(), access.Actor{Account: r.ada, Role: access.Surveyor}, itip.ReceiptQuery{}); !fault.Is(err, fault.NotAllowed) {
			t.Errorf("a surveyor sees all mail: %v", err)
		}
	})
}

// The calendar to be shown and its attached twin are one.
func TestTwin(t *testing.T) {
	if l := mailin.Read(fixture(t, "twin")); len(l.Calendars) != 1 || l.Trouble != nil {
		t.Errorf("%d calendars, %v", len(l.Calendars), l.Trouble)
	}
}
