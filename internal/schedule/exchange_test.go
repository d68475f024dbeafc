package schedule_test

import (
	"fmt"
	"math/rand/v2"
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
	"kitd/internal/trail"
)

func onDay(day int) schedule.Occurrence {
	return visit(berlin, fmt.Sprintf("2026-03-%02dT08:00", day), fmt.Sprintf("2026-03-%02dT16:00", day))
}

func TestUnitsOfOthersAreExchangedToMakeRoom(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	w.many(1, depot, "L-")
	w.unit("L-2", fleet.Dosimeter, depot, civil.Date{Year: 2027, Month: 2, Day: 28})
	anna, bert := person(w, access.Surveyor), person(w, access.Surveyor)
	first := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	if tags(first.Booking) != "K-1" {
		t.Fatalf("the whole kit comes first, got %s", tags(first.Booking))
	}
	out := must(t)(desk.Book(ctx, bert, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	if tags(out.Booking) != "K-1" || len(out.Moved) != 1 || out.Moved[0].Booking.ID != first.ID || out.Moved[0].From.Tag != "K-1" || out.Moved[0].To.Tag != "L-1" {
		t.Errorf("booked %s, moved %+v", tags(out.Booking), out.Moved)
	}
	now, err := desk.Get(ctx, anna, first.ID)
	if err != nil || tags(now) != "L-1" || now.Version != 2 {
		t.Errorf("the moved booking stands as %s, version %d, %v", tags(now), now.Version, err)
	}
	i := slices.IndexFunc(w.audit, func(c trail.Change) bool { return c.Verb == "exchange unit" })
	if i < 0 || w.audit[i].ID != first.ID {
		t.Errorf("no audit entry tells of the exchange: %+v", w.audit)
	}
}

func TestPinnedUnitsAreNeverExchanged(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	w.many(3, depot, "L-")
	anna := person(w, access.Surveyor)
	named := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: w.tags["K-1"]}, onDay(5))))
	refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	if now, _ := desk.Get(ctx, anna, named.ID); now.Version != 1 {
		t.Error("the named unit's booking was touched")
	}
}

func TestWhatIsBeingPackedIsNotExchanged(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	anna := person(w, access.Surveyor)
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	w.many(3, depot, "L-")
	w.clock.Set(time.Date(2026, 3, 5, 3, 0, 0, 0, time.UTC)) // the lead has just begun
	refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
}

func TestChainsOfExchanges(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	// A serves both days, B only until 6 March: the booking of the 9th must leave A's early day to B and so on.
	w.unit("A", fleet.Dosimeter, depot, civil.Date{Year: 2027, Month: 1, Day: 31})
	w.unit("B", fleet.Dosimeter, depot, civil.Date{Year: 2026, Month: 3, Day: 6})
	anna := person(w, access.Surveyor)
	short := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	if tags(short.Booking) != "A" {
		t.Fatalf("B's certificate leaves no margin, so A comes first; got %s", tags(short.Booking))
	}
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5), onDay(9))))
	if tags(out.Booking) != "A" || len(out.Moved) != 1 || out.Moved[0].To.Tag != "B" {
		t.Errorf("booked %s, moved %+v", tags(out.Booking), out.Moved)
	}
}

func TestAcrossAWallOnlyTheTimeIsTold(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	own, other := w.newID(), w.newID()
	anna, bert := person(w, access.Surveyor, own), person(w, access.Surveyor, other)
	bert.Name = "bert-of-the-other-client"
	hidden := wish(schedule.Ask{Kit: kit.ID}, onDay(5))
	hidden.Client, hidden.Title = other, "secret works"
	there := must(t)(desk.Book(ctx, bert, hidden))
	r := refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	reason := r.Reasons[0].Reasons[0]
	if reason.Form != "promise-walled" || len(reason.Evidence) > 0 && !reason.Evidence[0].ID.IsZero() {
		t.Errorf("the reason tells too much: %+v", reason)
	}
	if text := r.Error(); strings.Contains(text, "bert") || strings.Contains(text, "B-1") || strings.Contains(text, "secret") {
		t.Errorf("the refusal tells too much: %s", text)
	}
	for name, call := range map[string]func() error{
		"get":      func() error { _, err := desk.Get(ctx, anna, there.ID); return err },
		"cancel":   func() error { _, err := desk.Cancel(ctx, anna, there.ID, 1, ""); return err },
		"move":     func() error { _, err := desk.Move(ctx, anna, there.ID, 1, hidden); return err },
		"hand out": func() error { _, err := desk.HandOut(ctx, anna, there.ID, schedule.HandOut{}); return err },
		"check in": func() error { _, err := desk.CheckIn(ctx, anna, there.ID, schedule.CheckIn{}); return err },
		"book":     func() error { _, err := desk.Book(ctx, anna, hidden); return err },
	} {
		if err := call(); !fault.Is(err, fault.NotThere) {
			t.Errorf("%s across the wall: %v", name, err)
		}
	}
	if _, err := desk.Get(ctx, anna, w.newID()); !fault.Is(err, fault.NotThere) {
		t.Errorf("an absent booking: %v", err)
	}
	blocks, err := desk.Busy(ctx, anna, []ident.ID{w.tags["K-1"]}, there.Whole())
	if err != nil || len(blocks) != 1 || !blocks[0].Booking.IsZero() || blocks[0].Label != "" {
		t.Errorf("the time line tells %+v, %v", blocks, err)
	}
}

func TestExchangesAcrossAWallStayUntold(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	own, other := w.newID(), w.newID()
	anna, bert := person(w, access.Surveyor, own), person(w, access.Surveyor, other)
	x := wish(schedule.Ask{Dosimeters: 1}, onDay(5))
	x.Client = other
	there := must(t)(desk.Book(ctx, bert, x))
	w.many(1, depot, "L-")
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	if len(out.Moved) != 0 {
		t.Errorf("told %+v", out.Moved)
	}
	if now, _ := desk.Get(ctx, bert, there.ID); tags(now) != "L-1" {
		t.Errorf("the other booking holds %s", tags(now))
	}
}

func TestClientOwnedUnitsServeTheirClientOnly(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	owner := w.newID()
	w.units[w.many(1, depot, "X-")[0]].Unit.Client = owner
	anna := person(w, access.Coordinator)
	refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: w.tags["X-1"]}, onDay(5))))
	x := wish(schedule.Ask{Dosimeters: 1}, onDay(5))
	x.Client = owner
	must(t)(desk.Book(ctx, anna, x))
}

func TestAlternativesCanBeBooked(t *testing.T) {
	w, desk := newWorld(t)
	north, south := w.depot("north", berlin), w.depot("south", berlin)
	k1 := w.kit("K-1", north, w.many(2, north, "A-")...)
	w.kit("K-2", north, w.many(2, north, "B-")...)
	w.many(3, south, "S-")
	anna := person(w, access.Coordinator)
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: k1.ID}, onDay(5))))
	any := wish(schedule.Ask{Dosimeters: 3}, onDay(5))
	any.StartDepot = north.ID
	for name, ask := range map[string]schedule.Wish{
		"kit": wish(schedule.Ask{Kit: k1.ID}, onDay(5)), "unit": wish(schedule.Ask{Unit: w.tags["A-1"]}, onDay(5)), "any": any,
	} {
		r := refused(t)(desk.Book(ctx, anna, ask))
		if len(r.Alternatives) < 3 {
			t.Errorf("%s: only %d alternatives", name, len(r.Alternatives))
		}
		for _, a := range r.Alternatives {
			if !strings.Contains(r.Sentence(), a.Text) {
				t.Errorf("%s: %q is not offered in %q", name, a.Text, r.Sentence())
			}
			out, err := desk.Book(ctx, anna, a.Wish)
			if err != nil {
				t.Errorf("%s: alternative %q cannot be booked: %v", name, a.Text, err)
				continue
			}
			first, last := out.Occurrences[0], out.Occurrences[len(out.Occurrences)-1]
			if !first.Span.From.Equal(a.From) || !last.Span.To.Equal(a.To) || out.StartDepot != a.Depot || out.Ask.Dosimeters != a.Dosimeters || out.Ask.Kit != a.Kit {
				t.Errorf("%s: alternative %+v became %+v", name, a, out.Booking)
			}
			must(t)(desk.Cancel(ctx, anna, out.ID, 1, ""))
		}
	}
}

func TestMove(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(4, depot, "D-")
	anna := person(w, access.Surveyor)
	first := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 2}, onDay(5))))
	x := wish(schedule.Ask{Dosimeters: 2}, onDay(5))
	if out := must(t)(desk.Move(ctx, anna, first.ID, 1, x)); !out.Unchanged || out.Version != 1 {
		t.Errorf("the same wish made version %d", out.Version)
	}
	x.Title = "Foundry"
	out := must(t)(desk.Move(ctx, anna, first.ID, 1, x))
	if out.Version != 2 || tags(out.Booking) != tags(first.Booking) || out.Title != "Foundry" {
		t.Errorf("another title: %+v", out.Booking)
	}
	x.Occurrences = []schedule.Occurrence{onDay(6)}
	out = must(t)(desk.Move(ctx, anna, first.ID, 2, x))
	if tags(out.Booking) != tags(first.Booking) {
		t.Errorf("another day, other units: %s", tags(out.Booking))
	}
	x.Ask.Dosimeters = 3
	out = must(t)(desk.Move(ctx, anna, first.ID, 3, x))
	for _, u := range first.UnitIDs() {
		if !slices.Contains(out.UnitIDs(), u) {
			t.Errorf("one more dosimeter cost a unit: %s", tags(out.Booking))
		}
	}
	if _, err := desk.Move(ctx, anna, first.ID, 3, x); !fault.Is(err, fault.Changed) {
		t.Errorf("a stale version: %v", err)
	}
	x.Ask.Dosimeters = 5
	refused(t)(desk.Move(ctx, anna, first.ID, 4, x))
	if now, _ := desk.Get(ctx, anna, first.ID); now.Version != 4 || len(now.Units) != 3 {
		t.Error("a refused move changed the booking")
	}
	if out := must(t)(desk.Cancel(ctx, anna, first.ID, 4, "rain")); out.State != schedule.Cancelled {
		t.Errorf("cancelled: %s", out.State)
	}
	if out := must(t)(desk.Cancel(ctx, anna, first.ID, 4, "rain")); !out.Unchanged {
		t.Error("cancelling twice did something")
	}
	if _, err := desk.Move(ctx, anna, first.ID, 5, x); !fault.Is(err, fault.BookingClosed) {
		t.Errorf("moving a cancelled booking: %v", err)
	}
}

func TestRepeatedBookingIsOne(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "K-")...)
	anna := person(w, access.Surveyor)
	x := wish(schedule.Ask{Kit: kit.ID}, onDay(5))
	x.Calendar = schedule.Calendar{UID: "one@calendar", Name: "one.ics", Raw: []byte("BEGIN:VCALENDAR")}
	first := must(t)(desk.Book(ctx, anna, x))
	again := must(t)(desk.Book(ctx, anna, x))
	if !again.Unchanged || again.ID != first.ID || again.Version != 1 || len(w.bookings) != 1 {
		t.Errorf("repeated: %+v", again)
	}
	x.Occurrences = []schedule.Occurrence{onDay(6)}
	if _, err := desk.Book(ctx, anna, x); !fault.Is(err, fault.AlreadyUsed) {
		t.Errorf("the same UID for something else: %v", err)
	}
	must(t)(desk.Cancel(ctx, anna, first.ID, 1, ""))
	if out := must(t)(desk.Book(ctx, anna, x)); out.ID == first.ID {
		t.Error("a cancelled entry came back")
	}
}

func TestAUnitTakenMeanwhileIsLookedAtAnew(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(1, depot, "D-")
	w.taken = 1
	must(t)(desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	w.taken = 100
	if _, err := desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Dosimeters: 1}, onDay(9))); !fault.Is(err, fault.PromiseTaken) {
		t.Errorf("a unit always taken: %v", err)
	}
	if w.taken > 97 {
		t.Error("the desk gave up at once")
	}
}

func TestWhoMayDoWhat(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(3, depot, "D-")
	anna, bert, carl, dora := person(w, access.Surveyor), person(w, access.Surveyor), person(w, access.Viewer), person(w, access.Coordinator)
	out := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, onDay(5))))
	for _, who := range []access.Actor{bert, carl} {
		x := wish(schedule.Ask{Dosimeters: 1}, onDay(6))
		calls := map[string]func() error{
			"move":     func() error { _, err := desk.Move(ctx, who, out.ID, 1, x); return err },
			"cancel":   func() error { _, err := desk.Cancel(ctx, who, out.ID, 1, ""); return err },
			"hand out": func() error { _, err := desk.HandOut(ctx, who, out.ID, schedule.HandOut{}); return err },
			"record":   func() error { _, err := desk.RecordHandOut(ctx, who, out.ID, schedule.HandOut{}); return err },
			"check in": func() error { _, err := desk.CheckIn(ctx, who, out.ID, schedule.CheckIn{}); return err },
		}
		if who.Role == access.Viewer {
			calls["book"] = func() error { _, err := desk.Book(ctx, who, x); return err }
			calls["ask"] = func() error { _, err := desk.Answer(ctx, who, x); return err }
		}
		for name, call := range calls {
			if err := call(); !fault.Is(err, fault.NotAllowed) {
				t.Errorf("%s may %s: %v", who.Role, name, err)
			}
		}
		if _, err := desk.Get(ctx, who, out.ID); err != nil {
			t.Errorf("%s may not read: %v", who.Role, err)
		}
	}
	x := wish(schedule.Ask{Dosimeters: 1}, onDay(6))
	x.For = bert.Account
	if _, err := desk.Book(ctx, anna, x); !fault.Is(err, fault.NotAllowed) {
		t.Errorf("a surveyor books for another: %v", err)
	}
	for2 := must(t)(desk.Book(ctx, dora, x))
	if for2.Owner != bert.Account || for2.OwnerName != "somebody" {
		t.Errorf("booked for %v %s", for2.Owner, for2.OwnerName)
	}
	must(t)(desk.Cancel(ctx, bert, for2.ID, 1, ""))
	must(t)(desk.Cancel(ctx, dora, out.ID, 1, ""))
}

// TestRandomDays lets people book, move and cancel at random; the store of the test looks for double promises after each call,
// and every refusal by number is compared with what is free by brute force.
func TestRandomDays(t *testing.T) {
	for seed := range uint64(20) {
		random := rand.New(rand.NewPCG(seed, 1))
		w, desk := newWorld(t)
		depot := w.depot("north", berlin)
		units := w.many(6, depot, "D-")
		kits := []fleet.Kit{w.kit("K-1", depot, units[:2]...), w.kit("K-2", depot, units[2:5]...)}
		who := person(w, access.Coordinator)
		var live []schedule.Booking
		for range 60 {
			ask := schedule.Ask{Dosimeters: 1 + random.IntN(3)}
			switch random.IntN(4) {
			case 0:
				ask = schedule.Ask{Kit: kits[random.IntN(2)].ID}
			case 1:
				ask = schedule.Ask{Unit: units[random.IntN(6)]}
			}
			from, days := 4+random.IntN(10), random.IntN(3)
			o := onDay(from)
			o.ToCivil = onDay(from + days).ToCivil
			x := wish(ask, o)
			free := freeUnits(w, units, o)
			var out schedule.Outcome
			var err error
			switch i := random.IntN(4); {
			case i == 0 && len(live) > 0:
				k := random.IntN(len(live))
				b, _ := desk.Get(ctx, who, live[k].ID)
				_, err = desk.Move(ctx, who, b.ID, b.Version, x)
			case i == 1 && len(live) > 0:
				k := random.IntN(len(live))
				b, _ := desk.Get(ctx, who, live[k].ID)
				_, err = desk.Cancel(ctx, who, b.ID, b.Version, "")
				live = slices.Delete(live, k, k+1)
			default:
				if out, err = desk.Book(ctx, who, x); err == nil {
					live = append(live, out.Booking)
				} else if free >= ask.Dosimeters && ask.Dosimeters > 0 {
					t.Errorf("seed %d: %d of %d free, and refused: %v", seed, free, ask.Dosimeters, err)
				}
			}
			if err != nil && !fault.Is(err, fault.BookingRefused) {
				t.Fatalf("seed %d: %v", seed, err)
			}
		}
		for _, b := range w.bookings {
			if b.Live() && b.Ask.Dosimeters > 0 && len(b.Units) != b.Ask.Dosimeters {
				t.Errorf("seed %d: %s holds %d of %d", seed, b.Label(), len(b.Units), b.Ask.Dosimeters)
			}
		}
	}
}

// freeUnits counts the units that no live promise touches for the visit, lead and lag included.
func freeUnits(w *world, units []ident.ID, o schedule.Occurrence) int {
	loc, _ := time.LoadLocation(berlin)
	at := func(c schedule.Civil) time.Time {
		t, _ := time.ParseInLocation("2006-01-02T15:04:05", c.Local, loc)
		return t
	}
	span := fleet.Span{From: at(o.FromCivil).Add(-4 * time.Hour), To: at(o.ToCivil).Add(4 * time.Hour)}
	n := 0
	for _, u := range units {
		if !slices.ContainsFunc(w.holds, func(h hold) bool { return h.Live && h.Unit == u && h.Span.Overlaps(span) }) {
			n++
		}
	}
	return n
}
