package schedule_test

import (
	"fmt"
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

func at(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, time.UTC) }

func TestHandOutAndCheckIn(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(2, depot, "D-")...)
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	w.clock.Set(at(5, 6))
	out := must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	if out.State != schedule.OutNow || out.Version != 2 {
		t.Errorf("handed out: %s, version %d", out.State, out.Version)
	}
	c, ok := w.units[w.tags["D-1"]].Facts[0].Body.(fleet.Custody)
	if !ok || c.State != fleet.Out || c.Booking != b.ID || !c.Due.Equal(at(5, 19)) { // 16:00 CET and 4 h of lag
		t.Errorf("custody %+v", c)
	}
	if again := must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{})); !again.Unchanged {
		t.Error("handing out twice did something")
	}
	if _, err := desk.Cancel(ctx, anna, b.ID, 2, ""); !fault.Is(err, fault.BookingOut) {
		t.Errorf("cancelling what is out: %v", err)
	}
	x := wish(schedule.Ask{Kit: kit.ID}, onDay(6))
	if _, err := desk.Move(ctx, anna, b.ID, 2, x); !fault.Is(err, fault.BookingOut) {
		t.Errorf("moving the start of what is out: %v", err)
	}
	x.Occurrences[0].FromCivil = onDay(5).FromCivil
	if longer := must(t)(desk.Move(ctx, anna, b.ID, 2, x)); longer.State != schedule.OutNow || !longer.Whole().To.Equal(at(6, 19)) {
		t.Errorf("a longer visit: %s to %v", longer.State, longer.Whole().To)
	}
	w.clock.Set(at(5, 12))
	part := must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{Units: b.UnitIDs()[:1]}))
	if part.State != schedule.OutNow {
		t.Errorf("one of two back: %s", part.State)
	}
	back := must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{}))
	if back.State != schedule.Back {
		t.Errorf("all back: %s", back.State)
	}
	must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, visit(berlin, "2026-03-05T18:00", "2026-03-05T20:00")))) // free at once
}

func TestHandOutIsGuardedButFactsAreNot(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	id := w.many(1, depot, "D-")[0]
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: id}, onDay(5))))
	w.fact(id, fleet.Worn{Wear: w.newID(), Minutes: 480}) // its data are unread: work
	w.clock.Set(at(5, 6))
	r := refused(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	if r.Code != fault.HandOutRefused || r.Reasons[0].Reasons[0].Code != fleet.ReasonUnread {
		t.Errorf("refusal %+v", r)
	}
	facts := len(w.units[id].Facts)
	if _, err := desk.HandOut(ctx, anna, b.ID, schedule.HandOut{Override: "  "}); fault.Of(err).Code != fault.HandOutRefused || len(w.units[id].Facts) != facts {
		t.Errorf("a blank reason passed: %v", err)
	}
	out := must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{Override: "memory card read by hand"}))
	last := w.audit[len(w.audit)-1]
	if out.State != schedule.OutNow || !strings.Contains(fmt.Sprint(last.Private), "read by hand") {
		t.Errorf("state %s, audit %+v", out.State, last)
	}
	must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{}))
	// What happened is recorded though the booking is over and the data are unread.
	w.clock.Set(at(9, 6))
	late := must(t)(desk.RecordHandOut(ctx, anna, b.ID, schedule.HandOut{At: at(5, 5)}))
	if late.State != schedule.Back || len(w.units[id].Facts) != facts+3 {
		t.Errorf("a late fact: %s, %d facts", late.State, len(w.units[id].Facts))
	}
	if _, err := desk.RecordHandOut(ctx, anna, b.ID, schedule.HandOut{At: at(10, 6), Units: b.UnitIDs()}); !fault.Is(err, fault.BadInput) {
		t.Errorf("what has not happened yet: %v", err)
	}
}

func TestASeriesGoesOutAgain(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	id := w.many(1, depot, "D-")[0]
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: id}, onDay(5), onDay(9))))
	w.clock.Set(at(5, 6))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 16))
	if back := must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{})); back.State != schedule.Promised {
		t.Errorf("after the first visit: %s", back.State)
	}
	refused(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: id}, onDay(9)))) // the second visit still stands
	w.clock.Set(at(9, 6))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(9, 16))
	if back := must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{})); back.State != schedule.Back {
		t.Errorf("after the last visit: %s", back.State)
	}
}

// TestAUnitStillOutWhenItsNextBookingStarts: reality outranks the promise.
func TestAUnitStillOutWhenItsNextBookingStarts(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	far := civil.Date{Year: 2026, Month: 5, Day: 31}
	id := w.unit("D-1", fleet.Dosimeter, depot, far)
	anna, bert := person(w, access.Surveyor), person(w, access.Surveyor)
	job := access.System("reassess", access.ViaJob)
	late := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: id}, onDay(5))))
	any := must(t)(desk.Book(ctx, bert, wish(schedule.Ask{Dosimeters: 1}, onDay(6))))
	named := must(t)(desk.Book(ctx, bert, wish(schedule.Ask{Unit: id}, onDay(9))))
	w.clock.Set(at(5, 6))
	must(t)(desk.HandOut(ctx, anna, late.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 18))
	if done, err := desk.Reassess(ctx, job); err != nil || len(done) != 0 {
		t.Fatalf("not due back yet: %+v, %v", done, err)
	}
	w.clock.Set(at(6, 4)) // due back at 19:00 the day before
	done, err := desk.Reassess(ctx, job)
	if err != nil || len(done) != 2 {
		t.Fatalf("late: %+v, %v", done, err)
	}
	for _, b := range []schedule.Outcome{any, named} {
		now, _ := desk.Get(ctx, bert, b.ID)
		if now.State != schedule.AtRisk || len(now.Risk) != 1 || now.Risk[0].Reasons[0].Code != fleet.ReasonCustody {
			t.Errorf("%s is %s: %+v", now.Label(), now.State, now.Risk)
		}
	}
	if again, err := desk.Reassess(ctx, job); err != nil || len(again) != 0 {
		t.Errorf("the next minute: %+v, %v", again, err)
	}
	other := w.unit("D-2", fleet.Dosimeter, depot, far)
	done, err = desk.Reassess(ctx, job)
	if err != nil || len(done) != 1 || done[0].Booking.ID != any.ID || done[0].Booking.State != schedule.Promised || done[0].Moved[0].To.Unit != other {
		t.Fatalf("with another unit at hand: %+v, %v", done, err)
	}
	w.clock.Set(at(6, 9))
	must(t)(desk.CheckIn(ctx, anna, late.ID, schedule.CheckIn{}))
	done, err = desk.Reassess(ctx, job)
	if err != nil || len(done) != 1 || done[0].Booking.ID != named.ID || done[0].Booking.State != schedule.Promised {
		t.Errorf("after it came back: %+v, %v", done, err)
	}
}

func TestZoneDataChange(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(2, depot, "D-")
	anna, job := person(w, access.Surveyor), access.System("rederive", access.ViaJob)
	moved := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: w.tags["D-1"]}, onDay(5))))
	fixed := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: w.tags["D-2"]}, schedule.Occurrence{Span: fleet.Span{From: at(5, 7), To: at(5, 15)}})))
	// As if zone data had said UTC+2 when it was booked.
	b := w.bookings[moved.ID]
	b.Occurrences = []schedule.Occurrence{b.Occurrences[0]}
	b.Occurrences[0].Span = fleet.Span{From: at(5, 6), To: at(5, 14)}
	w.bookings[b.ID] = b
	done, err := desk.Rederive(ctx, job)
	if err != nil || len(done) != 1 || done[0].Booking.ID != moved.ID {
		t.Fatalf("%+v, %v", done, err)
	}
	now, _ := desk.Get(ctx, anna, moved.ID)
	if s := now.Occurrences[0].Span; !s.From.Equal(at(5, 7)) || now.State != schedule.Promised || now.Version != 2 {
		t.Errorf("derived anew: %v, %s", s, now.State)
	}
	if now, _ := desk.Get(ctx, anna, fixed.ID); now.Version != 1 || now.Occurrences[0].FromCivil.Zone != "UTC" {
		t.Errorf("what was given as an instant moved: %+v", now.Occurrences)
	}
}

func TestZoneDataChangeIntoAnotherBooking(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	w.many(1, depot, "D-")
	anna, job := person(w, access.Surveyor), access.System("rederive", access.ViaJob)
	first := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, visit(berlin, "2026-03-05T08:00", "2026-03-05T10:00"))))
	next := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Dosimeters: 1}, visit(berlin, "2026-03-05T18:00", "2026-03-05T20:00"))))
	b := w.bookings[next.ID]
	b.Occurrences = []schedule.Occurrence{b.Occurrences[0]}
	b.Occurrences[0].FromCivil.Local, b.Occurrences[0].ToCivil.Local = "2026-03-05T17:00:00", "2026-03-05T19:00:00"
	w.bookings[b.ID] = b
	if _, err := desk.Rederive(ctx, job); err != nil {
		t.Fatal(err)
	}
	now, _ := desk.Get(ctx, anna, next.ID)
	if now.State != schedule.AtRisk || len(now.Units) != 0 {
		t.Errorf("the booking that was moved onto another is %s with %s", now.State, tags(now))
	}
	must(t)(desk.Cancel(ctx, anna, first.ID, 1, ""))
	if _, err := desk.Reassess(ctx, job); err != nil {
		t.Fatal(err)
	}
	if now, _ := desk.Get(ctx, anna, next.ID); now.State != schedule.Promised || tags(now) != "D-1" {
		t.Errorf("after room was made it is %s with %s", now.State, tags(now))
	}
}

func TestAMoveKeepsWhatItDoesNotMention(t *testing.T) {
	w, desk := newWorld(t)
	north, south := w.depot("north", berlin), w.depot("south", berlin)
	w.many(2, north, "D-")
	w.many(2, south, "S-")
	anna := person(w, access.Surveyor)
	none := time.Duration(0)
	x := wish(schedule.Ask{Dosimeters: 1}, onDay(5))
	x.StartDepot, x.EndDepot, x.Lead = south.ID, north.ID, &none
	b := must(t)(desk.Book(ctx, anna, x))
	moved := must(t)(desk.Move(ctx, anna, b.ID, 1, wish(schedule.Ask{Dosimeters: 2}, onDay(6))))
	if moved.Lead != 0 || moved.Lag != 4*time.Hour || moved.StartDepot != south.ID || moved.EndDepot != north.ID || tags(moved.Booking) != "S-1 S-2" {
		t.Errorf("moved to %+v", moved.Booking)
	}
}

// What came back early is somebody else's by now; a longer visit asks only for what is still out.
func TestALongerVisitAsksOnlyForWhatIsOut(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	kit := w.kit("K-1", depot, w.many(2, depot, "D-")...)
	anna := person(w, access.Surveyor)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	w.clock.Set(at(5, 6))
	must(t)(desk.HandOut(ctx, anna, b.ID, schedule.HandOut{}))
	w.clock.Set(at(5, 10))
	in := must(t)(desk.CheckIn(ctx, anna, b.ID, schedule.CheckIn{Units: []ident.ID{w.tags["D-1"]}}))
	other := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: w.tags["D-1"]}, onDay(6))))
	longer := wish(schedule.Ask{Kit: kit.ID}, onDay(6))
	longer.Occurrences[0].FromCivil = onDay(5).FromCivil
	out := must(t)(desk.Move(ctx, anna, b.ID, in.Version, longer))
	if tags(out.Booking) != "D-1 D-2" || out.State != schedule.OutNow {
		t.Errorf("%s with %s", out.State, tags(out.Booking))
	}
	if now, _ := desk.Get(ctx, anna, other.ID); now.Version != 1 || now.State != schedule.Promised {
		t.Errorf("the other booking is %s", now.State)
	}
}

func TestABookedKitThatIsPackedAnew(t *testing.T) {
	w, desk := newWorld(t)
	depot := w.depot("north", berlin)
	units := w.many(4, depot, "D-")
	kit := w.kit("K-1", depot, units[:2]...)
	anna, job := person(w, access.Surveyor), access.System("reassess", access.ViaJob)
	b := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Kit: kit.ID}, onDay(5))))
	w.members[kit.ID] = []ident.ID{units[0], units[2]}
	taken := must(t)(desk.Book(ctx, anna, wish(schedule.Ask{Unit: units[2]}, onDay(5))))
	if _, err := desk.Reassess(ctx, job); err != nil {
		t.Fatal(err)
	}
	now, _ := desk.Get(ctx, anna, b.ID)
	if now.State != schedule.AtRisk || tags(now) != "D-1 D-2" || now.Risk[0].Tag != "D-3" {
		t.Errorf("with a unit that is promised elsewhere: %s with %s, %+v", now.State, tags(now), now.Risk)
	}
	must(t)(desk.Cancel(ctx, anna, taken.ID, 1, ""))
	if _, err := desk.Reassess(ctx, job); err != nil {
		t.Fatal(err)
	}
	if now, _ = desk.Get(ctx, anna, b.ID); now.State != schedule.Promised || tags(now) != "D-1 D-3" {
		t.Errorf("after that: %s with %s", now.State, tags(now))
	}
}
