package schedule_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
	"kitd/internal/trail"
)

// world is a store in memory: it refuses overlapping promises and stale versions as the databases do, and undoes what failed.
type world struct {
	t        *testing.T
	clock    *kittest.Clock
	newID    ident.Source
	depots   []fleet.Depot
	kits     []fleet.Kit
	members  map[ident.ID][]ident.ID // kit → units
	units    map[ident.ID]*fleet.Dossier
	tags     map[string]ident.ID
	bookings map[ident.ID]schedule.Booking
	holds    []hold
	audit    []trail.Change
	number   int
	taken    int // how many of the next saves find a unit taken
	who      access.Actor
	writing  bool
	locked   map[ident.ID]bool
}

type hold struct {
	schedule.Hold
	booking ident.ID
}

func newWorld(t *testing.T) (*world, *schedule.Desk) {
	clock := kittest.NewClock()
	w := &world{
		t: t, clock: clock, newID: kittest.IDs(clock, 1), members: map[ident.ID][]ident.ID{}, units: map[ident.ID]*fleet.Dossier{},
		tags: map[string]ident.ID{}, bookings: map[ident.ID]schedule.Booking{},
	}
	desk := &schedule.Desk{Now: clock.Now, NewID: w.newID}
	desk.Do = func(_ context.Context, who access.Actor, fn func(schedule.Store) error) error {
		bookings, holds, audit, number := maps.Clone(w.bookings), slices.Clone(w.holds), slices.Clone(w.audit), w.number
		w.who, w.writing, w.locked = who, true, map[ident.ID]bool{}
		err := fn(w)
		if err != nil {
			w.bookings, w.holds, w.audit, w.number = bookings, holds, audit, number
		}
		w.writing = false
		w.check()
		return err
	}
	desk.View = func(_ context.Context, who access.Actor, fn func(schedule.Store) error) error {
		w.who = who
		return fn(w)
	}
	return w, desk
}

// check looks for overlapping live promises by brute force.
func (w *world) check() {
	w.t.Helper()
	for i, a := range w.holds {
		for _, b := range w.holds[:i] {
			if a.Live && b.Live && a.Unit == b.Unit && a.Span.Overlaps(b.Span) {
				w.t.Errorf("unit %s is promised twice: %v and %v", w.units[a.Unit].Unit.Tag, a, b)
			}
		}
	}
}

func (w *world) depot(code, zone string) fleet.Depot {
	d := fleet.Depot{ID: w.newID(), Name: code, Code: code, Zone: zone, Version: 1}
	w.depots = append(w.depots, d)
	return d
}

// unit adds a charged unit whose certificate covers until due.
func (w *world) unit(tag string, kind fleet.Kind, depot fleet.Depot, due civil.Date) ident.ID {
	id := w.newID()
	model := fleet.Model{ID: w.newID(), Name: "M", Kind: kind, CalibrationMonths: 12, MemoryRuns: 1, HoldsData: kind == fleet.Dosimeter}
	calibrated := due.AddMonths(-12)
	w.units[id] = &fleet.Dossier{
		Unit: fleet.Unit{ID: id, Tag: tag, Serial: "s" + tag, Model: model.ID, Depot: depot.ID, Ownership: fleet.Owned}, Model: model, Depot: depot,
		Lines: []fleet.Line{{ID: w.newID(), Unit: id, Verdict: fleet.Pass, Due: due, Number: "C-" + tag, Calibrated: calibrated}},
	}
	w.tags[tag] = id
	return id
}

// many adds n dosimeters D-1 … with a certificate far beyond.
func (w *world) many(n int, depot fleet.Depot, prefix string) []ident.ID {
	ids := make([]ident.ID, n)
	for i := range ids {
		ids[i] = w.unit(fmt.Sprintf("%s%d", prefix, i+1), fleet.Dosimeter, depot, civil.Date{Year: 2027, Month: 1, Day: 31})
	}
	return ids
}

func (w *world) kit(code string, depot fleet.Depot, units ...ident.ID) fleet.Kit {
	k := fleet.Kit{ID: w.newID(), Name: code, Code: code, Depot: depot.ID, Version: 1}
	w.kits = append(w.kits, k)
	w.members[k.ID] = units
	for _, u := range units {
		w.units[u].Kit, w.units[u].KitCode = k.ID, code
	}
	return k
}

func (w *world) fact(unit ident.ID, body fleet.Body) {
	now := w.clock.Now()
	w.units[unit].Facts = append(w.units[unit].Facts, fleet.Fact{ID: w.newID(), Unit: unit, Occurred: now, Entered: now, By: "tester", Body: body})
}

func (w *world) Depots() ([]fleet.Depot, error) { return w.depots, nil }

func (w *world) Kits(depot ident.ID) ([]fleet.Kit, error) {
	return slices.DeleteFunc(slices.Clone(w.kits), func(k fleet.Kit) bool { return k.Depot != depot }), nil
}

func (w *world) Kit(id ident.ID) (fleet.Kit, error) {
	for _, k := range w.kits {
		if k.ID == id {
			return k, nil
		}
	}
	return fleet.Kit{}, fault.New(fault.NotThere, "noun", "kit")
}

func (w *world) UnitByID(id ident.ID) (fleet.Unit, error) {
	d, ok := w.units[id]
	if !ok || !w.who.Scope.Sees(d.Unit.Client) {
		return fleet.Unit{}, fault.New(fault.NotThere, "noun", "unit")
	}
	return d.Unit, nil
}

func (w *world) KitUnits(kit ident.ID, _ time.Time) ([]ident.ID, error) {
	return slices.Clone(w.members[kit]), nil
}

func (w *world) UnitsInDepot(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error) {
	var ids []ident.ID
	for id, d := range w.units {
		if d.Unit.Depot == depot && (len(kinds) == 0 || slices.Contains(kinds, d.Model.Kind)) {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

func (w *world) BareDossiers(ids []ident.ID, _ time.Time) ([]fleet.Dossier, error) {
	var all []fleet.Dossier
	for _, id := range ids {
		if d, ok := w.units[id]; ok && w.who.Scope.Sees(d.Unit.Client) {
			all = append(all, *d)
		}
	}
	return all, nil
}

func (w *world) AppendFacts(facts []fleet.Fact) error {
	for _, f := range facts {
		w.units[f.Unit].Facts = append(w.units[f.Unit].Facts, f)
	}
	return nil
}

func (w *world) AccountName(ident.ID) (string, error) { return "somebody", nil }

func (w *world) LockUnits(ids []ident.ID) error {
	if !w.writing {
		w.t.Error("units locked in a reading transaction")
	}
	for _, id := range ids {
		w.locked[id] = true
	}
	return nil
}

func (w *world) Claims(units []ident.ID, span fleet.Span) ([]schedule.Claim, error) {
	var claims []schedule.Claim
	for _, h := range w.holds {
		if h.Live && slices.Contains(units, h.Unit) && h.Span.Overlaps(span) {
			b := w.bookings[h.booking]
			claims = append(claims, schedule.Claim{Unit: h.Unit, Booking: b.ID, Client: b.Client, Number: b.Number, Owner: b.OwnerName, Pinned: h.Pinned, Span: h.Span,
				From: b.StartDepot, To: b.EndDepot})
		}
	}
	return claims, nil
}

func (w *world) Trips(units []ident.ID, after time.Time) ([]schedule.Claim, error) {
	claims, err := w.Claims(units, fleet.Span{From: after, To: after.AddDate(100, 0, 0)})
	return slices.DeleteFunc(claims, func(c schedule.Claim) bool { return c.From == c.To }), err
}

func (w *world) Visitors(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error) {
	var ids []ident.ID
	for _, b := range w.bookings {
		for _, u := range b.Units {
			if b.StartDepot != b.EndDepot && b.EndDepot == depot && (len(kinds) == 0 || slices.Contains(kinds, u.Kind)) {
				ids = append(ids, u.Unit)
			}
		}
	}
	return ids, nil
}

func (w *world) PromisedSince(_ []ident.ID, since time.Time) (map[ident.ID]time.Duration, error) {
	used := map[ident.ID]time.Duration{}
	for _, h := range w.holds {
		if h.Live && h.Span.To.After(since) {
			used[h.Unit] += h.Span.To.Sub(h.Span.From)
		}
	}
	return used, nil
}

func (w *world) Booking(id ident.ID) (schedule.Booking, error) {
	b, ok := w.bookings[id]
	if !ok || !w.who.Scope.Sees(b.Client) {
		return schedule.Booking{}, fault.New(fault.NotThere, "noun", "booking")
	}
	return b, nil
}

func (w *world) BookingByUID(collection ident.ID, uid string) (schedule.Booking, bool, error) {
	for _, b := range w.bookings {
		if b.Collection() == collection && b.Calendar.UID == uid && b.State != schedule.Cancelled {
			return b, true, nil
		}
	}
	return schedule.Booking{}, false, nil
}

func (w *world) BookingsAcross(ids []ident.ID) ([]schedule.Booking, error) {
	var all []schedule.Booking
	for _, id := range ids {
		all = append(all, w.bookings[id])
	}
	return all, nil
}

func (w *world) Bookings(q schedule.Query) (schedule.Page, error) {
	var p schedule.Page
	for _, b := range w.bookings {
		if b.Whole().Overlaps(q.Span) && slices.Contains(q.States, b.State) && w.who.Scope.Sees(b.Client) {
			p.Bookings = append(p.Bookings, b)
		}
	}
	slices.SortFunc(p.Bookings, func(a, b schedule.Booking) int { return a.Number - b.Number })
	return p, nil
}

func (w *world) NextBookingNumber() (int, error) { w.number++; return w.number, nil }

func (w *world) SaveBookings(bookings []schedule.Booking) error {
	if w.taken > 0 {
		w.taken--
		return fault.New(fault.PromiseTaken)
	}
	for _, b := range bookings {
		if w.bookings[b.ID].Version != b.Version-1 {
			return fault.New(fault.Changed, "noun", "booking")
		}
		w.bookings[b.ID] = b
		w.holds = slices.DeleteFunc(w.holds, func(h hold) bool { return h.booking == b.ID })
	}
	for _, b := range bookings {
		for _, h := range b.Holds() {
			if h.Live && !w.locked[h.Unit] {
				w.t.Errorf("unit %s is promised without being locked", w.units[h.Unit].Unit.Tag)
			}
			for _, other := range w.holds {
				if h.Live && other.Live && other.Unit == h.Unit && other.Span.Overlaps(h.Span) {
					return fault.New(fault.PromiseTaken)
				}
			}
			w.holds = append(w.holds, hold{h, b.ID})
		}
	}
	return nil
}

func (w *world) Record(c trail.Change) error { w.audit = append(w.audit, c); return nil }
