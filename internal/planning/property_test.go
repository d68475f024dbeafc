package planning

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"kitd/internal/fault"
)

func mustCharge(t testing.TB, p ChargeProblem, l Limits) ChargeAnswer {
	t.Helper()
	a, err := Charge(p, l)
	if err != nil {
		t.Fatal(err)
	}
	verifyCharge(t, p, a)
	return a
}

func mustPlace(t testing.TB, p PlacementProblem, l Limits) PlacementAnswer {
	t.Helper()
	a, err := Place(p, l)
	if err != nil {
		t.Fatal(err)
	}
	verifyPlacement(t, p, a)
	return a
}

// Every remedy is applied and solved again.
func TestRemediesCure(t *testing.T) {
	count := map[string]int{}
	for seed := range uint64(150) {
		p := newChance(seed).charge(8, 20, seed%3 == 0)
		a := mustCharge(t, p, Limits{})
		verifyRemedies(t, p, a)
		for _, r := range a.Remedies {
			count[r.Kind]++
		}
		if a.Feasible && len(a.Remedies) > 0 {
			t.Errorf("seed %d: a feasible plan has remedies", seed)
		}
	}
	for _, kind := range []string{LaterDeadlines, MorePositions, StaffedWindow} {
		if count[kind] < 5 {
			t.Errorf("only %d remedies of kind %s", count[kind], kind)
		}
	}
}

// What helps never hurts: more positions, later deadlines, earlier releases and fewer jobs serve at least as many.
func TestChargeIsMonotone(t *testing.T) {
	for seed := range uint64(120) {
		c := newChance(seed)
		p := c.charge(9, 24, seed%2 == 0)
		before := len(mustCharge(t, p, Limits{}).Assignments)
		q := p
		q.Positions++
		if n := len(mustCharge(t, q, Limits{}).Assignments); n < before {
			t.Errorf("seed %d: %d served, with one more position %d", seed, before, n)
		}
		q = p
		q.Jobs = slices.Clone(p.Jobs)
		k := c.IntN(len(q.Jobs))
		q.Jobs[k].Deadline = q.Jobs[k].Deadline.Add(time.Hour)
		q.Jobs[k].Release = q.Jobs[k].Release.Add(-time.Hour)
		if n := len(mustCharge(t, q, Limits{}).Assignments); n < before {
			t.Errorf("seed %d: %d served, with a wider window %d", seed, before, n)
		}
		q.Jobs = slices.Delete(slices.Clone(p.Jobs), k, k+1)
		if n := len(mustCharge(t, q, Limits{}).Assignments); n < before-1 || n > before {
			t.Errorf("seed %d: %d served, with one job less %d", seed, before, n)
		}
	}
}

// The same problem gives the same answer, whatever the order of windows, and moved in time as a whole.
func TestChargeDoesNotDependOnWriting(t *testing.T) {
	for seed := range uint64(60) {
		p := newChance(seed).charge(8, 20, seed%2 == 0)
		a := mustCharge(t, p, Limits{})
		q := p
		q.Staffed = slices.Clone(p.Staffed)
		slices.Reverse(q.Staffed)
		q.Staffed = append(q.Staffed, q.Staffed[0])
		if b := mustCharge(t, q, Limits{}); !reflect.DeepEqual(a.Assignments, b.Assignments) {
			t.Errorf("seed %d: windows in another order change the plan", seed)
		}
		if b := mustCharge(t, p, Limits{}); !reflect.DeepEqual(a, b) {
			t.Errorf("seed %d: the same problem has two answers", seed)
		}
	}
}

// Equal lengths are decided by constraints, one odd job that fits everywhere makes the problem mixed: the two ways agree.
func TestEqualAndMixedAgree(t *testing.T) {
	for seed := range uint64(150) {
		p := newChance(seed).charge(8, 20, false)
		a := mustCharge(t, p, Limits{})
		end := at(60 * 24 * 60)
		q := p
		q.Staffed = append(slices.Clone(p.Staffed), Window{end, end.Add(4 * time.Hour)})
		q.Jobs = append(slices.Clone(p.Jobs), Job{"odd", p.Jobs[0].Length + p.Slot, end, end.Add(48 * time.Hour)})
		for k := range p.Jobs { // nobody may use the new window
			if p.Jobs[k].Deadline.After(at(30 * 24 * 60)) {
				t.Fatal("the windows meet")
			}
		}
		b := mustCharge(t, q, Limits{})
		odd := 1
		if slices.Contains(b.Unserved, "odd") {
			odd = 0
		}
		if len(b.Assignments)-odd != len(a.Assignments) || a.RoundsOptimal && b.RoundsOptimal && b.Rounds-2*odd != a.Rounds {
			t.Errorf("seed %d: %d in %d rounds, with a foreign job %d in %d", seed, len(a.Assignments), a.Rounds, len(b.Assignments), b.Rounds)
		}
	}
}

func TestPlacementNeverServesFewerThanFirstFit(t *testing.T) {
	gained := 0
	for seed := range uint64(40) {
		p := yard(seed, 12, 80)
		a := mustPlace(t, p, Limits{})
		pl := newPool(p)
		if first := pl.firstFit(pl.order, newBudget(Limits{})).count(); len(a.Placed) < first {
			t.Errorf("seed %d: %d placed, first fit %d", seed, len(a.Placed), first)
		} else if len(a.Placed) > first {
			gained++
		}
	}
	if gained < 20 {
		t.Errorf("only %d of 40 problems gained over first fit", gained)
	}
}

// A search that is out of time at once still answers validly, says that it stopped, and claims nothing it did not prove.
func TestExpiredSearchesAnswer(t *testing.T) {
	over := Limits{Expired: func() bool { return true }}
	for seed := range uint64(80) {
		p := newChance(seed).charge(10, 24, seed%2 == 0)
		a, full := mustCharge(t, p, over), mustCharge(t, p, Limits{})
		if a.ServedOptimal && len(a.Assignments) != len(full.Assignments) || a.RoundsOptimal && a.Rounds != full.Rounds || a.Exact && a.Feasible != full.Feasible {
			t.Errorf("seed %d: claims %+v, the truth is %+v", seed, a, full)
		}
		if proved := a.Exact && a.ServedOptimal && a.RoundsOptimal; !proved && !strings.Contains(a.Stopped, "time limit") {
			t.Errorf("seed %d: stopped %q", seed, a.Stopped)
		}
		b := mustPlace(t, newChance(seed).placement(8, 16), over)
		if !b.Exact && !strings.Contains(b.Stopped, "time limit") {
			t.Errorf("seed %d: stopped %q", seed, b.Stopped)
		}
	}
}

func TestDefinedEdges(t *testing.T) {
	day := []Window{{at(480), at(720)}}
	job := Job{"d1", time.Hour, at(480), at(600)}
	hour := func(p ChargeProblem) ChargeAnswer { p.Slot = time.Hour; return mustCharge(t, p, Limits{}) }
	if a := hour(ChargeProblem{Positions: 1, Staffed: day}); !a.Feasible || !a.Exact || !a.RoundsOptimal || a.Rounds != 0 {
		t.Errorf("no job: %+v", a)
	}
	if a := hour(ChargeProblem{Staffed: day, Jobs: []Job{job}}); a.Feasible || !a.Exact || !a.ServedOptimal || len(a.Remedies) == 0 || a.Remedies[0].Positions != 1 {
		t.Errorf("no position: %+v", a)
	}
	if a := hour(ChargeProblem{Positions: 1, Jobs: []Job{job}}); a.Feasible || !a.Exact || len(a.Unserved) != 1 || len(a.Remedies) == 0 || a.Remedies[0].Kind != StaffedWindow {
		t.Errorf("nobody there: %+v", a)
	}
	back := Job{"d2", time.Hour, at(600), at(480)}
	if a := hour(ChargeProblem{Positions: 1, Staffed: day, Jobs: []Job{job, back}}); !slices.Equal(a.Unserved, []string{"d2"}) || !a.Exact || !a.ServedOptimal {
		t.Errorf("deadline before release: %+v", a)
	}
	off := Job{"d3", 59*time.Minute + 30*time.Second, at(480).Add(time.Nanosecond), at(660).Add(-time.Nanosecond)}
	if a := hour(ChargeProblem{Positions: 1, Staffed: day, Jobs: []Job{off}}); !a.Feasible || a.Assignments[0].On != at(540) || a.Assignments[0].Off != at(600) {
		t.Errorf("between the slots: %+v", a)
	}
	same := ChargeProblem{Positions: 1, Staffed: day, Jobs: []Job{{"a", time.Hour, at(480), at(540)}, {"b", time.Hour, at(540), at(600)}}}
	if a := hour(same); !a.Feasible || a.Rounds != 3 || a.Assignments[1].Position != 1 {
		t.Errorf("off and on at one instant: %+v", a)
	}
}

func TestManyJobsEndInTime(t *testing.T) {
	mixed := house(3, 10_000, 300, 14, false, 96*time.Hour)
	for k := range mixed.Jobs {
		mixed.Jobs[k].Length = time.Duration(90+k%4*30) * time.Minute
	}
	for _, p := range []ChargeProblem{house(2, 10_000, 300, 14, false, 96*time.Hour), mixed} {
		p.Jobs = slices.Clone(p.Jobs)
		a, err := Charge(p, Limits{})
		if err != nil || len(a.Assignments)+len(a.Unserved) != 10_000 || len(a.Assignments) < 5_000 {
			t.Errorf("%v: %d assigned, %d left out", err, len(a.Assignments), len(a.Unserved))
		}
	}
}

func TestMistakesNameTheirPlace(t *testing.T) {
	jobs := func(s string) string {
		return `{"slot_minutes":15,"positions":1,"staffed":[{"from":"2026-03-02T08:00:00Z","to":"2026-03-02T12:00:00Z"}],"jobs":[` + s + `]}`
	}
	const good = `{"id":"a","minutes":60,"release":"2026-03-02T08:00:00Z","deadline":"2026-03-02T12:00:00Z"}`
	unit := func(s string) string { return `{"units":[{"id":"u"}],` + s + `}` }
	for _, c := range []struct{ doc, where string }{
		{``, "the top level"},
		{`[]`, "the top level"},
		{jobs(good) + `{}`, "the top level"},
		{`{}`, "/slot_minutes"},
		{jobs(good + "," + good), "/jobs/1/id"},
		{jobs(strings.Replace(good, `"a"`, `""`, 1)), "/jobs/0/id"},
		{jobs(strings.Replace(good, `60`, `0`, 1)), "/jobs/0/minutes"},
		{jobs(strings.Replace(good, `60`, `-5`, 1)), "/jobs/0/minutes"},
		{jobs(strings.Replace(good, `60`, `1e300`, 1)), "/jobs/0/minutes"},
		{jobs(strings.Replace(good, `60`, `null`, 1)), "/jobs/0/minutes"},
		{jobs(strings.Replace(good, `60`, `"60"`, 1)), "/jobs/0/minutes"},
		{jobs(strings.Replace(good, `T08:00:00Z`, `T08:00:00`, 1)), "/jobs/0/release"},
		{jobs(strings.Replace(good, `T08:00:00Z`, `T8:00:00Z`, 1)), "/jobs/0/release"},
		{jobs(strings.Replace(good, `T08:00:00Z`, `T08:00:00+24:00`, 1)), "/jobs/0/release"},
		{jobs(strings.Replace(good, `minutes`, `Minutes`, 1)), "/jobs/0/Minutes"},
		{jobs(strings.Replace(good, `"minutes":60,`, ``, 1)), "/jobs/0/minutes"},
		{strings.Replace(jobs(good), `"positions":1`, `"positions":-1`, 1), "/positions"},
		{strings.Replace(jobs(good), `"positions":1`, `"positions":1.5`, 1), "/positions"},
		{strings.Replace(jobs(good), `"positions":1`, `"positions":1,"positions":2`, 1), "/positions"},
		{strings.Replace(jobs(good), `"positions":1`, `"positions":1,"occupied":[{"position":2,"until":"2026-03-02T12:00:00Z"}]`, 1), "/occupied/0/position"},
		{strings.Replace(jobs(good), `"slot_minutes":15`, `"slot_minutes":0`, 1), "/slot_minutes"},
		{strings.Replace(jobs(good), `"slot_minutes":15`, `"slot_minutes":0.001`, 1), "/staffed"},
		{strings.Replace(jobs(good), `"to":"2026-03-02`, `"to":"2026-03-01`, 1), "/staffed/0/to"},
		{unit(`"bookings":[{"id":"b","from":"2026-03-02T08:00:00Z","to":"2026-03-02T08:00:00Z","count":1}]`), "/bookings/0/to"},
		{unit(`"bookings":[{"id":"b","from":"2026-03-02T08:00:00Z","to":"2026-03-02T09:00:00Z","count":0}]`), "/bookings/0/count"},
		{unit(`"bookings":[{"id":"b","from":"2026-03-02T08:00:00Z","to":"2026-03-02T09:00:00Z","count":1,"pinned":["u","u"]}]`), "/bookings/0/pinned/1"},
		{unit(`"bookings":[{"id":"b","from":"2026-03-02T08:00:00Z","to":"2026-03-02T09:00:00Z","count":1,"pinned":["v"]}]`), "/bookings/0/pinned/0"},
		{unit(`"bookings":[],"held":[{"unit":"v","from":"2026-03-02T08:00:00Z","to":"2026-03-02T09:00:00Z"}]`), "/held/0/unit"},
		{`{"units":[{"id":"u"},{"id":"u"}],"bookings":[]}`, "/units/1/id"},
		{`{"units":[{"id":"u","blackouts":[{"from":"2026-03-02T08:00:00Z"}]}],"bookings":[]}`, "/units/0/blackouts/0/to"},
	} {
		run := RunCharge
		if strings.Contains(c.doc, `"units"`) {
			run = RunPlacement
		}
		_, err := run([]byte(c.doc), Limits{})
		f := fault.Of(err)
		if err == nil || f.Code != fault.PlanningProblem || len(f.Fields) == 0 || f.Fields[0].Path != c.where || len(f.Fields[0].Text) < 10 {
			t.Errorf("%s: %v, want a fault at %s", short(c.doc), err, c.where)
		}
	}
}

// Each refusal code has one plain cause.
func TestRefusalsNameTheObstacle(t *testing.T) {
	all := Window{at(0), at(600)}
	p := PlacementProblem{
		Units: []Unit{{ID: "u1", Depot: "north"}, {ID: "u2", Depot: "north", Blackouts: []Window{{at(100), at(200)}}}, {ID: "u3", Depot: "south"}},
		Held:  []Held{{"u3", Window{at(300), at(400)}}},
		Bookings: []Booking{
			{"many", all, 3, "north", nil}, {"names", all, 1, "", []string{"u1", "u3"}}, {"away", all, 1, "north", []string{"u3"}},
			{"held", all, 1, "", []string{"u3"}}, {"black", Window{at(150), at(160)}, 2, "north", nil},
			{"a", Window{at(210), at(220)}, 2, "north", nil}, {"late", Window{at(205), at(300)}, 1, "north", nil}, {"b", Window{at(280), at(290)}, 2, "north", nil},
		},
	}
	want := map[string][2]string{
		"many": {TooFewUnits, "2 units in all"}, "names": {PinnedTooMany, "names 2 units"}, "away": {PinnedElsewhere, "depot south"},
		"held": {PinnedBlocked, "u3 from 2026-03-02T05:00:00Z"}, "black": {UnitsBlocked, "u2 from 2026-03-02T01:40:00Z"}, "late": {UnitsTaken, "serves a"},
	}
	a := mustPlace(t, p, Limits{})
	if len(a.Refused) != len(want) || !a.Exact {
		t.Errorf("refused: %+v", a.Refused)
	}
	for _, r := range a.Refused {
		if w := want[r.ID]; r.Code != w[0] || !strings.Contains(r.Reason, w[1]) {
			t.Errorf("%s: %s %q, want %v", r.ID, r.Code, r.Reason, w)
		}
	}
}

func FuzzReadCharge(f *testing.F) {
	for seed := range uint64(4) {
		p := newChance(seed).charge(4, 8, true)
		f.Add(chargeDocument(p))
	}
	f.Add([]byte(`{"slot_minutes":15,"positions":0,"staffed":[],"jobs":[]}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		p, err := ReadCharge(doc)
		if err != nil {
			if fault.Of(err).Code != fault.PlanningProblem {
				t.Fatal(err)
			}
			return
		}
		if again, err := ReadCharge(chargeDocument(p)); err != nil || len(again.Jobs) != len(p.Jobs) {
			t.Fatalf("what was read is not read again: %v", err)
		}
		if p.check() != nil || len(p.Jobs) > 6 || len(p.Staffed) > 6 {
			return
		}
		steps := 0
		a, err := Charge(p, Limits{Expired: func() bool { steps++; return steps > 2000 }})
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Assignments)+len(a.Unserved) != len(p.Jobs) {
			t.Fatalf("%d jobs: %+v", len(p.Jobs), a)
		}
	})
}

// chargeDocument writes a problem the way people do.
func chargeDocument(p ChargeProblem) []byte {
	type object = map[string]any
	staffed, jobs, occupied := []object{}, []object{}, []object{}
	for _, w := range p.Staffed {
		staffed = append(staffed, object{"from": w.From, "to": w.To})
	}
	for _, j := range p.Jobs {
		jobs = append(jobs, object{"id": j.ID, "minutes": j.Length.Minutes(), "release": j.Release, "deadline": j.Deadline})
	}
	for _, o := range p.Occupied {
		occupied = append(occupied, object{"position": o.Position, "until": o.Until})
	}
	doc, err := json.Marshal(object{"slot_minutes": p.Slot.Minutes(), "positions": p.Positions, "staffed": staffed, "jobs": jobs, "occupied": occupied})
	if err != nil {
		panic(fmt.Sprint(err))
	}
	return doc
}

func FuzzReadPlacement(f *testing.F) {
	f.Add([]byte(`{"units":[{"id":"u1","depot":"north","blackouts":[{"from":"2026-03-02T08:00:00Z","to":"2026-03-02T09:00:00Z"}]},{"id":"u2"}],"held":[{"unit":"u2","from":"2026-03-02T08:00:00+01:00","to":"2026-03-02T09:00:00Z"}],"bookings":[{"id":"b","from":"2026-03-02T08:30:00Z","to":"2026-03-02T10:00:00Z","count":1,"pinned":["u2"]}]}`))
	f.Add([]byte(`{"units":[],"bookings":[{"id":"b","from":"2026-03-02T08:30:00Z","to":"2026-03-02T10:00:00Z","count":1000000}]}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		p, err := ReadPlacement(doc)
		if err != nil {
			if fault.Of(err).Code != fault.PlanningProblem {
				t.Fatal(err)
			}
			return
		}
		if p.check() != nil || len(p.Units) > 6 || len(p.Bookings) > 6 {
			return
		}
		steps := 0
		a, err := Place(p, Limits{Expired: func() bool { steps++; return steps > 2000 }})
		if err != nil {
			t.Fatal(err)
		}
		verifyPlacement(t, p, a)
	})
}
