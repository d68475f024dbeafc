package schedule_test

import (
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/schedule"
)

func TestUnitsAreTakenFromWhereTheyAre(t *testing.T) {
	w, desk := newWorld(t)
	north, south := w.depot("north", berlin), w.depot("south", berlin)
	w.many(1, north, "N-")
	anna := person(w, access.Coordinator)
	from := func(start, end int, x schedule.Wish) schedule.Wish {
		depots := []fleet.Depot{north, south}
		x.StartDepot, x.EndDepot = depots[start].ID, depots[end].ID
		return x
	}
	one := schedule.Ask{Dosimeters: 1}
	trip := must(t)(desk.Book(ctx, anna, from(0, 1, wish(one, onDay(9)))))
	r := refused(t)(desk.Book(ctx, anna, from(0, 0, wish(schedule.Ask{Unit: w.tags["N-1"]}, onDay(11)))))
	if !strings.Contains(r.Sentence(), "In depot south then") {
		t.Errorf("it will be in the south, but: %s", r.Sentence())
	}
	refused(t)(desk.Book(ctx, anna, from(1, 1, wish(one, onDay(6))))) // not there yet
	must(t)(desk.Book(ctx, anna, from(0, 0, wish(one, onDay(6)))))
	there := must(t)(desk.Book(ctx, anna, from(1, 1, wish(one, onDay(11)))))
	if tags(there.Booking) != "N-1" {
		t.Errorf("from the south: %s", tags(there.Booking))
	}
	back := must(t)(desk.Book(ctx, anna, from(1, 0, wish(one, onDay(13)))))
	home := must(t)(desk.Book(ctx, anna, from(0, 0, wish(one, onDay(16)))))
	refused(t)(desk.Book(ctx, anna, from(0, 1, wish(one, onDay(7))))) // would not be home for the 9th
	if _, err := desk.Book(ctx, anna, from(0, 1, wish(one, onDay(18), onDay(20)))); !fault.Is(err, fault.BadInput) {
		t.Errorf("a series that ends elsewhere: %v", err)
	}

	// Without the trip, what starts in the south is at risk.
	must(t)(desk.Cancel(ctx, anna, trip.ID, trip.Version, ""))
	if _, err := desk.Reassess(ctx, access.System("reassess", access.ViaJob)); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		out  schedule.Outcome
		want schedule.State
	}{{there, schedule.AtRisk}, {back, schedule.AtRisk}, {home, schedule.Promised}} {
		if now, _ := desk.Get(ctx, anna, tt.out.ID); now.State != tt.want {
			t.Errorf("%s is %s, want %s: %+v", now.Label(), now.State, tt.want, now.Risk)
		}
	}
}
