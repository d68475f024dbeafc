package schedule_test

import (
	"context"
	"errors"
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
)

var ctx = context.Background()

// person gives an actor with a role and, unless all is true, exactly the clients.
func person(w *world, role access.Role, clients ...ident.ID) access.Actor {
	return access.Actor{Account: w.newID(), Name: string(role), Role: role, Scope: access.Scope{All: len(clients) == 0, Clients: clients}, Via: access.ViaPage}
}

// visit is one occurrence on the wall clock of a zone.
func visit(zone, from, to string) schedule.Occurrence {
	return schedule.Occurrence{FromCivil: schedule.Civil{Local: from + ":00", Zone: zone}, ToCivil: schedule.Civil{Local: to + ":00", Zone: zone}}
}

func wish(ask schedule.Ask, visits ...schedule.Occurrence) schedule.Wish {
	return schedule.Wish{Title: "Press shop", Ask: ask, Occurrences: visits}
}

func must(t *testing.T) func(schedule.Outcome, error) schedule.Outcome {
	return func(out schedule.Outcome, err error) schedule.Outcome {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
}

func refused(t *testing.T) func(schedule.Outcome, error) *schedule.Refusal {
	return func(_ schedule.Outcome, err error) *schedule.Refusal {
		t.Helper()
		var r *schedule.Refusal
		if !errors.As(err, &r) {
			t.Fatalf("want a refusal, got %v", err)
		}
		if fault.KindOf(err) != fault.Conflict {
			t.Fatalf("a refusal is a %v, want a conflict", fault.KindOf(err))
		}
		return r
	}
}

func tags(b schedule.Booking) string {
	var all []string
	for _, u := range b.Units {
		all = append(all, u.Tag)
	}
	slices.Sort(all)
	return strings.Join(all, " ")
}

const berlin = "Europe/Berlin"

func TestBookingAKitPromisesItsUnits(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(2, depot, "D-")...)
	anna := person(w, access.Surveyor)
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00"))))
	if tags(out.Booking) != "D-1 D-2" || out.Number != 1 || out.Owner != anna.Account || out.State != schedule.Promised {
		t.Errorf("booked %+v", out.Booking)
	}
	span := out.Spans()[0]
	if want := time.Date(2026, 3, 5, 3, 0, 0, 0, time.UTC); !span.From.Equal(want) { // 08:00 CET less 4 h
		t.Errorf("promised from %v, want %v", span.From, want)
	}
	if out.Calendar.UID == "" || out.Calendar.Name == "" {
		t.Error("a booking without a calendar entry got no UID and name")
	}
	r := refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T19:59", "2026-03-05T22:00"))))
	if len(r.Reasons) != 2 || r.Reasons[0].Reasons[0].Code != fleet.ReasonPromise {
		t.Errorf("reasons: %+v", r.Reasons)
	}
	if !strings.Contains(r.Sentence(), "D-1") || !strings.Contains(r.Sentence(), "B-1") {
		t.Errorf("sentence %q names neither unit nor booking", r.Sentence())
	}
	// Lag ends at 20:00, lead of a visit at 24:00 begins at 20:00: half-open spans only touch.
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-06T00:00", "2026-03-06T05:00"))))
}

func TestWishesThatCannotBe(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(2, depot, "D-")...)
	anna := person(w, access.Surveyor)
	day := visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00")
	long := 15 * 24 * time.Hour
	many := make([]schedule.Occurrence, 201)
	for i := range many {
		many[i] = day
	}
	tests := map[string]struct {
		wish schedule.Wish
		path string
		says string
	}{
		"end before start": {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T08:00", "2026-03-05T07:59")), "/occurrences/0/to", "not after the start"},
		"no length":        {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T08:00", "2026-03-05T08:00")), "/occurrences/0/to", "not after the start"},
		"past":             {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-01T08:00", "2026-03-05T08:00")), "/occurrences/0/from", "past"},
		"years ahead":      {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2036-03-01T08:00", "2036-03-01T09:00")), "/occurrences/0/to", "ahead"},
		"no visit":         {wish(schedule.Ask{Kit: kit.ID}), "/occurrences", "has 0"},
		"too many visits":  {wish(schedule.Ask{Kit: kit.ID}, many...), "/occurrences", "has 201"},
		"visits overlap":   {wish(schedule.Ask{Kit: kit.ID}, day, day), "/occurrences", "overlap"},
		"nothing asked":    {wish(schedule.Ask{}, day), "/ask", "exactly one"},
		"two things asked": {wish(schedule.Ask{Kit: kit.ID, Dosimeters: 2}, day), "/ask", "exactly one"},
		"negative number":  {wish(schedule.Ask{Dosimeters: -1}, day), "/ask/dosimeters", "between 1 and 500"},
		"too many units":   {wish(schedule.Ask{Dosimeters: 501}, day), "/ask/dosimeters", "between 1 and 500"},
		"calibrator alone": {wish(schedule.Ask{Kit: kit.ID, Calibrator: true}, day), "/ask/calibrator", "number of dosimeters"},
		"no time at all":   {wish(schedule.Ask{Kit: kit.ID}, schedule.Occurrence{}), "/occurrences/0/from", "missing"},
		"no such zone":     {wish(schedule.Ask{Kit: kit.ID}, visit("Europe/Nowhere", "2026-03-05T08:00", "2026-03-05T09:00")), "/occurrences/0/from", "IANA"},
		"the local zone":   {wish(schedule.Ask{Kit: kit.ID}, visit("Local", "2026-03-05T08:00", "2026-03-05T09:00")), "/occurrences/0/from", "IANA"},
		"no such time":     {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05 08:00", "2026-03-05T09:00")), "/occurrences/0/from", "form"},
		// Directive 2000/84/EC, article 2: summer time begins at 01:00 UTC on the last Sunday of March.
		"in the gap": {wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-29T02:30", "2026-03-29T09:00")), "/occurrences/0/from", "go forward"},
		"lead":       {schedule.Wish{Ask: schedule.Ask{Kit: kit.ID}, Lead: &long, Occurrences: []schedule.Occurrence{day}}, "/lead", "14 days"},
		"title":      {schedule.Wish{Title: "a\x00b", Ask: schedule.Ask{Kit: kit.ID}, Occurrences: []schedule.Occurrence{day}}, "/title", "one line"},
		"long title": {schedule.Wish{Title: strings.Repeat("ä", 201), Ask: schedule.Ask{Kit: kit.ID}, Occurrences: []schedule.Occurrence{day}}, "/title", "200 characters"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := desk.Book(ctx, anna, tt.wish)
			f := fault.Of(err)
			if f == nil || f.Code != fault.BadInput || f.Fields[0].Path != tt.path || !strings.Contains(f.Fields[0].Text, tt.says) {
				t.Errorf("got %v", err)
			}
		})
	}
	if len(w.bookings) != 0 || len(w.audit) != 0 {
		t.Error("something was stored")
	}
}

func TestStrangeTitlesAreKept(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(1, depot, "D-")
	for _, title := range []string{"<script>alert(1)</script>", "=cmd()", "🎧 loud", "\u202eright to left", ""} {
		x := wish(schedule.Ask{Dosimeters: 1}, visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00"))
		x.Title = title
		out := must(t)(desk.Book(ctx, person(w, access.Surveyor), x))
		if out.Title != title {
			t.Errorf("title %q became %q", title, out.Title)
		}
		must(t)(desk.Cancel(ctx, person(w, access.Coordinator), out.ID, 1, ""))
	}
}

func TestClockChanges(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(1, depot, "D-")
	anna := person(w, access.Surveyor)
	book := func(o schedule.Occurrence) fleet.Span {
		t.Helper()
		out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, o)))
		must(t)(desk.Cancel(ctx, anna, out.ID, 1, ""))
		return out.Occurrences[0].Span
	}
	// The night to 29 March 2026 has seven hours between 22:00 and 06:00, that to 25 October nine (Directive 2000/84/EC).
	if s := book(visit(berlin, "2026-03-28T22:00", "2026-03-29T06:00")); s.To.Sub(s.From) != 7*time.Hour {
		t.Errorf("spring night of %v", s.To.Sub(s.From))
	}
	if s := book(visit(berlin, "2026-10-24T22:00", "2026-10-25T06:00")); s.To.Sub(s.From) != 9*time.Hour {
		t.Errorf("autumn night of %v", s.To.Sub(s.From))
	}
	// 02:30 comes twice on 25 October: the first unless the later one is asked for (RFC 5545, 3.3.5).
	twice := visit(berlin, "2026-10-25T02:30", "2026-10-25T06:00")
	if s := book(twice); !s.From.Equal(time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)) {
		t.Errorf("the first 02:30 is %v", s.From)
	}
	twice.FromCivil.Later = true
	if s := book(twice); !s.From.Equal(time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC)) {
		t.Errorf("the second 02:30 is %v", s.From)
	}
	// A calendar reads 02:30 of 29 March with the offset before the gap: 01:30 UTC (RFC 5545, 3.3.5).
	gap := visit(berlin, "2026-03-29T02:30", "2026-03-29T06:00")
	gap.Span = fleet.Span{From: time.Date(2026, 3, 29, 1, 30, 0, 0, time.UTC), To: time.Date(2026, 3, 29, 4, 0, 0, 0, time.UTC)}
	if s := book(gap); s != gap.Span {
		t.Errorf("the calendar's reading became %v", s)
	}
	gap.Span.From = gap.Span.From.Add(time.Hour)
	if _, err := desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, gap)); !fault.Is(err, fault.BadInput) {
		t.Errorf("contradicting instant and local time: %v", err)
	}
}

func TestSeriesIsAllOrNothing(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "D-")...)
	anna := person(w, access.Surveyor)
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-12T08:00", "2026-03-12T16:00"))))
	var series []schedule.Occurrence
	for _, day := range []string{"05", "12", "19"} {
		series = append(series, visit(berlin, "2026-03-"+day+"T08:00", "2026-03-"+day+"T16:00"))
	}
	r := refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, series...)))
	if len(r.Clashes) != 1 || r.Clashes[0] != (civil.Date{Year: 2026, Month: 3, Day: 12}) || !strings.Contains(r.Sentence(), "not on Thu 12 Mar 2026;") {
		t.Errorf("clashes %v in %q", r.Clashes, r.Sentence())
	}
	if len(w.bookings) != 1 {
		t.Error("part of the series was stored")
	}
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, series[0], series[2])))
	if len(out.Spans()) != 2 {
		t.Errorf("promised for %v", out.Spans())
	}
}

func TestVisitsWhoseLeadAndLagMeetShareOnePromise(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(1, depot, "D-")
	out := must(t)(desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Dosimeters: 1},
		visit(berlin, "2026-03-05T06:00", "2026-03-05T22:00"), visit(berlin, "2026-03-06T06:00", "2026-03-06T22:00"))))
	if spans := out.Spans(); len(spans) != 1 || spans[0].To.Sub(spans[0].From) != 48*time.Hour {
		t.Errorf("promised for %v", spans)
	}
}

func TestPlacementOrder(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	far := civil.Date{Year: 2027, Month: 1, Day: 31}
	w.unit("D-long", fleet.Dosimeter, depot, far)
	w.unit("D-short", fleet.Dosimeter, depot, civil.Date{Year: 2026, Month: 4, Day: 30})
	w.unit("D-edge", fleet.Dosimeter, depot, civil.Date{Year: 2026, Month: 3, Day: 8}) // covers the visit, not a week more
	w.unit("D-over", fleet.Dosimeter, depot, civil.Date{Year: 2026, Month: 3, Day: 4})
	anna := person(w, access.Surveyor)
	at := visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00")
	var order []string
	for range 3 {
		order = append(order, tags(must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, at))).Booking))
	}
	if want := []string{"D-short", "D-long", "D-edge"}; !slices.Equal(order, want) {
		t.Errorf("placed %v, want %v", order, want)
	}
	r := refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, at)))
	i := slices.IndexFunc(r.Reasons, func(u schedule.UnitReasons) bool { return u.Tag == "D-over" })
	if i < 0 || r.Reasons[i].Reasons[0].Code != fleet.ReasonCertificate {
		t.Errorf("reasons %+v", r.Reasons)
	}
}

func TestWholeKitsComeBeforeBrokenOnes(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.kit("K-1", depot, w.many(3, depot, "A-")...)
	w.kit("K-2", depot, w.many(2, depot, "B-")...)
	w.kit("K-3", depot, w.many(2, depot, "C-")...)
	w.many(1, depot, "L-")
	anna := person(w, access.Surveyor)
	for n, want := range map[int]string{2: "B-1 B-2", 3: "A-1 A-2 A-3", 4: "B-1 B-2 C-1 C-2", 5: "A-1 A-2 A-3 B-1 B-2", 1: "L-1"} {
		a, err := desk.Answer(ctx, anna, wish(schedule.Ask{Dosimeters: n}, visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00")))
		if err != nil || a.Refusal != nil {
			t.Fatal(err, a.Refusal)
		}
		if got := tags(schedule.Booking{Units: a.Serve}); got != want {
			t.Errorf("%d dosimeters: %s, want %s", n, got, want)
		}
	}
	// With A-1 away, K-1 is broken already: its rest serves before another kit is broken.
	w.fact(w.tags["A-1"], fleet.Held{Reason: "clip torn"})
	w.fact(w.tags["L-1"], fleet.Held{Reason: "clip torn"})
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00"))))
	if tags(out.Booking) != "A-2" {
		t.Errorf("placed %s, want A-2", tags(out.Booking))
	}
}

func TestCalibratorComesFromTheChosenKit(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	far := civil.Date{Year: 2027, Month: 1, Day: 31}
	w.unit("C-0", fleet.Calibrator, depot, far)
	w.kit("K-1", depot, append(w.many(2, depot, "D-"), w.unit("C-1", fleet.Calibrator, depot, far))...)
	out := must(t)(desk.Book(ctx, person(w, access.Surveyor),
		wish(schedule.Ask{Dosimeters: 2, Calibrator: true}, visit(berlin, "2026-03-05T08:00", "2026-03-05T16:00"))))
	if tags(out.Booking) != "C-1 D-1 D-2" {
		t.Errorf("placed %s", tags(out.Booking))
	}
}

func TestEvenUse(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(3, depot, "D-")
	anna := person(w, access.Surveyor)
	seen := map[string]bool{}
	for _, day := range []string{"05", "06", "07"} {
		out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, visit(berlin, "2026-03-"+day+"T10:00", "2026-03-"+day+"T12:00"))))
		seen[tags(out.Booking)] = true
	}
	if len(seen) != 3 {
		t.Errorf("three bookings used %d units", len(seen))
	}
}
