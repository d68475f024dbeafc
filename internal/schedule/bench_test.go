package schedule_test

import (
	"fmt"
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

// yard tells the bench of a depot from the world as it stands.
func (w *world) yard(depot fleet.Depot) schedule.Bench {
	now := w.clock.Now()
	var all []fleet.Dossier
	for id, d := range w.units {
		x := *d
		for _, h := range w.holds {
			if h.Live && h.Unit == id {
				b := w.bookings[h.booking]
				x.Promises = append(x.Promises, fleet.Promise{Unit: id, Booking: b.ID, Client: b.Client, Span: h.Span, Label: b.Label()})
			}
		}
		slices.SortFunc(x.Promises, func(a, b fleet.Promise) int { return a.Span.From.Compare(b.Span.From) })
		x.Power = map[ident.ID]fleet.Supply{}
		for c, y := range w.units {
			if y.Model.Kind == fleet.Charger {
				x.Power[c] = fleet.Supply{Tag: y.Unit.Tag, Facts: y.Facts}
			}
		}
		all = append(all, x)
	}
	var bookings []schedule.Booking
	for _, b := range w.bookings {
		bookings = append(bookings, b)
	}
	return schedule.Yard{Depot: depot, Pool: fleet.NewPool(all, now), Bookings: bookings, At: now}.Bench()
}

// charged makes the unit one that needs 150 minutes for a full charge, which counts for three days.
func (w *world) charged(ids ...ident.ID) {
	for _, id := range ids {
		m := &w.units[id].Model
		m.ChargeMinutes, m.ReadyDays, m.TopUpDays = 150, 3, 28
	}
}

func (w *world) charger(tag string, places int, depot fleet.Depot) ident.ID {
	id := w.unit(tag, fleet.Charger, depot, civil.Date{Year: 2027, Month: 1, Day: 31})
	w.units[id].Model.Positions, w.units[id].Model.CalibrationMonths = places, 0
	w.fact(id, fleet.PowerSeen{Good: true})
	return id
}

// lines writes the jobs one a line: task, when, units with their places.
func lines(b schedule.Bench) string {
	var text []string
	for _, j := range b.Jobs {
		due := "some time"
		if !j.Due.IsZero() {
			due = j.Due.UTC().Format("2 15:04")
		}
		var units []string
		for _, u := range j.Units {
			name := u.Tag
			if u.Position > 0 {
				name += fmt.Sprintf(">%s/%d", u.OnTag, u.Position)
			}
			units = append(units, name)
		}
		text = append(text, fmt.Sprintf("%s by %s: %s", j.Task, due, strings.Join(units, " ")))
	}
	return strings.Join(text, "\n")
}

func wantLines(t *testing.T, b schedule.Bench, want ...string) {
	t.Helper()
	if got := lines(b); got != strings.Join(want, "\n") {
		t.Errorf("the bench says\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

// The clock of the tests begins on Mon 2 Mar 2026, 08:00 UTC; Berlin is one hour ahead.
func TestBenchFollowsABooking(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	units := w.many(3, depot, "D-")
	w.charged(units...)
	charger := w.charger("N-1", 2, depot)
	kit := w.kit("K-1", depot, units[:2]...)
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5)))) // 08:00 to 16:00 CET, lead from 03:00 UTC
	w.clock.Set(at(2, 9))
	// Full must they be at 03:00 UTC on the 5th, which takes 150 minutes; D-3 is promised to nobody.
	wantLines(t, w.yard(depot), "put on by 5 00:30: D-1>N-1/1 D-2>N-1/2")
	w.fact(units[0], fleet.ChargeOn{Charger: charger, Position: 1})
	w.clock.Set(at(2, 10))
	wantLines(t, w.yard(depot), "put on by 5 00:30: D-2>N-1/2")
	board := w.yard(depot).Boards[0]
	if p := board.Places[0]; p.Tag != "D-1" || p.Full || !p.Since.Equal(at(2, 9)) || !p.Ready.Equal(at(2, 11).Add(30*time.Minute)) {
		t.Errorf("the first place: %+v", p)
	}
	if p := board.Places[1]; !p.Unit.IsZero() || board.Dark {
		t.Errorf("the second place: %+v, dark %v", p, board.Dark)
	}
	w.fact(units[1], fleet.ChargeOn{Charger: charger, Position: 2})
	w.clock.Set(at(4, 9)) // the day before: both are full and go out tomorrow
	wantLines(t, w.yard(depot), "take off by 5 07:00: D-1 D-2", "hand out by 5 07:00: D-1 D-2")
	if j := w.yard(depot).Jobs[1]; !j.Ready || j.Booking == nil || j.Booking.Label() != "B-1" {
		t.Errorf("the hand-out is %+v", j)
	}
	must(t)(desk.RecordHandOut(ctx, anna, b.ID, schedule.HandOut{}))
	wantLines(t, w.yard(depot), "check in by 5 19:00: D-1 D-2") // 16:00 CET and 4 h of lag
	w.clock.Set(at(6, 9))
	wantLines(t, w.yard(depot), "chase by 5 19:00: D-1 D-2")
	must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{}))
	wantLines(t, w.yard(depot))
}

func TestBenchReadsClearsSendsAndLooks(t *testing.T) {
	w, _ := newWorld(t)
	depot, other := w.depot("north", berlin), w.depot("south", berlin)
	units := w.many(3, depot, "D-")
	lapsing := w.unit("C-1", fleet.Calibrator, depot, civil.Date{Year: 2026, Month: 3, Day: 20})
	lapsed := w.unit("C-2", fleet.Calibrator, depot, civil.Date{Year: 2026, Month: 2, Day: 20})
	w.unit("C-3", fleet.Calibrator, other, civil.Date{Year: 2026, Month: 2, Day: 20})
	w.units[lapsing].Lines[0].LabName = "Sedge Metrology"
	wear, read := w.newID(), w.newID()
	w.fact(units[0], fleet.Worn{Wear: wear, Minutes: 480})
	w.fact(units[1], fleet.Worn{Wear: read, Minutes: 480})
	w.fact(units[1], fleet.ReturnAccepted{Wear: read})
	dark := w.charger("N-2", 6, depot)
	w.units[dark].Facts = nil
	w.clock.Set(at(2, 10))
	wantLines(t, w.yard(depot), "look at by 2 10:00: N-2", "send by 20 23:00: C-1", // the end of 20 March in Berlin
		"read by some time: D-1", "clear by some time: D-2", "send by some time: C-2")
	jobs := w.yard(depot).Jobs
	if u := jobs[1].Units[0]; u.Holder != "Sedge Metrology" || u.Ends != (civil.Date{Year: 2026, Month: 3, Day: 20}) {
		t.Errorf("C-1 goes to %q, certificate to %s", u.Holder, u.Ends)
	}
	if since := jobs[2].From; !since.Equal(at(2, 8)) {
		t.Errorf("unread since %s", since)
	}
	w.fact(lapsed, fleet.Custody{State: fleet.AtLaboratory, Depot: depot.ID, Due: at(1, 12)})
	w.fact(lapsing, fleet.Custody{State: fleet.AtLaboratory, Depot: depot.ID, Due: at(9, 12)})
	w.fact(units[2], fleet.Custody{State: fleet.InDepot, Depot: other.ID})
	wantLines(t, w.yard(depot), "bring back by 1 12:00: C-2", "look at by 2 10:00: N-2",
		"read by some time: D-1", "clear by some time: D-2", "bring back by some time: D-3")
}

func TestBenchSendsNothingThatIsPromised(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	id := w.unit("C-1", fleet.Calibrator, depot, civil.Date{Year: 2026, Month: 3, Day: 20})
	must(t)(desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Unit: id}, onDay(10))))
	w.clock.Set(at(2, 9))
	wantLines(t, w.yard(depot))
}

// TestBenchMakesRoom: three units want the two places of a charger on which two full ones stand.
func TestBenchMakesRoom(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	units := w.many(3, depot, "D-")
	w.charged(units...)
	charger := w.charger("N-1", 2, depot)
	w.fact(units[1], fleet.ChargeOn{Charger: charger, Position: 1})
	w.fact(units[2], fleet.ChargeOn{Charger: charger, Position: 2})
	anna := person(w, access.Surveyor)
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: units[0]}, onDay(4))))
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: units[2]}, onDay(9))))
	w.clock.Set(at(2, 14))
	// D-2 is promised to nobody, so it makes room before D-3.
	wantLines(t, w.yard(depot), "take off by 2 14:00: D-2", "put on by 4 00:30: D-1")
	if j := w.yard(depot).Jobs[1]; j.Ready {
		t.Error("D-1 has a place though both are taken")
	}
	w.fact(units[1], fleet.ChargeOff{})
	wantLines(t, w.yard(depot), "put on by 4 00:30: D-1>N-1/1")
}

// TestBenchKeepsStaffedHours: what is due while nobody is there is due when the last person leaves.
func TestBenchKeepsStaffedHours(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	for d := time.Monday; d <= time.Friday; d++ {
		depot.Hours = append(depot.Hours, fleet.Hours{Weekday: d, From: 8 * 60, To: 16 * 60})
	}
	id := w.many(1, depot, "D-")[0]
	must(t)(desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Unit: id}, visit(berlin, "2026-03-08T09:00", "2026-03-08T12:00"))))
	w.clock.Set(at(7, 9))                                   // Saturday; the visit is on Sunday
	wantLines(t, w.yard(depot), "hand out by 6 15:00: D-1") // Friday, 16:00 CET
	must(t)(desk.Book(ctx, person(w, access.Surveyor), wish(schedule.Ask{Unit: id}, visit(berlin, "2026-03-09T11:00", "2026-03-09T12:00"))))
	w.clock.Set(at(8, 20))
	wantLines(t, w.yard(depot), "hand out by 9 10:00: D-1") // inside the hours of Monday
}

func TestTakeBackAHandOut(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(2, depot, "D-")...)
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	w.clock.Set(at(5, 6))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 7))
	if _, err := desk.TakeBack(ctx, person(w, access.Viewer), b.ID, at(5, 6), "slip"); !fault.Is(err, fault.NotAllowed) {
		t.Errorf("a viewer takes back: %v", err)
	}
	if _, err := desk.TakeBack(ctx, anna, b.ID, at(5, 5), "slip"); !fault.Is(err, fault.NotThere) {
		t.Errorf("taking back what never was: %v", err)
	}
	back := must(t)(desk.TakeBack(ctx, anna, b.ID, at(5, 6), "slip"))
	if back.State != schedule.Promised || !back.Units[0].Out.IsZero() || back.Version != 3 {
		t.Errorf("after taking back: %s, out %s, version %d", back.State, back.Units[0].Out, back.Version)
	}
	d := *w.units[w.tags["D-1"]]
	if p := fleet.Whereabouts(d, at(5, 8), at(5, 8)); p.State != fleet.InDepot || len(d.Facts) != 2 {
		t.Errorf("D-1 is %s, with %d facts", p.State, len(d.Facts))
	}
	w.clock.Set(at(5, 9))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 15))
	must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{}))
	w.clock.Set(at(5, 16))
	out := must(t)(desk.TakeBack(ctx, anna, b.ID, at(5, 15), "they are still there"))
	if out.State != schedule.OutNow || !out.Units[0].Out.Equal(at(5, 9)) || !out.Units[0].IsOut() {
		t.Errorf("after taking back the check-in: %s, %+v", out.State, out.Units[0])
	}
}

// TestTakeBackCannotPromiseTwice: once the units that came back are promised anew, the check-in stands.
func TestTakeBackCannotPromiseTwice(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(1, depot, "D-")...)
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	w.clock.Set(at(5, 6))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 9))
	must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{}))
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T14:30", "2026-03-05T16:00"))))
	if _, err := desk.TakeBack(ctx, anna, b.ID, at(5, 9), "slip"); !fault.Is(err, fault.PromiseTaken) {
		t.Errorf("taken back over a promise: %v", err)
	}
	if now := w.bookings[b.ID]; now.State != schedule.Back {
		t.Errorf("the booking is %s", now.State)
	}
}
