package planning

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// house invents a pool's charging: units come back and leave in working hours, somebody is there from 7 to 19 (or round the
// clock), a charge takes 150 minutes. load is the share of the positions' time that the jobs need if nothing is wasted.
func house(seed uint64, jobs, positions, days int, allDay bool, slack time.Duration) ChargeProblem {
	r := rand.New(rand.NewPCG(seed, 7))
	p := ChargeProblem{Slot: 15 * time.Minute, Positions: positions}
	for d := range days {
		if !allDay {
			p.Staffed = append(p.Staffed, Window{at(d*1440 + 7*60), at(d*1440 + 19*60)})
		}
	}
	if allDay {
		p.Staffed = []Window{{at(0), at(days * 1440)}}
	}
	end := days * 1440
	for k := range jobs {
		release := r.IntN(end - 2160)
		room := 180 + r.IntN(int(slack.Minutes()))
		if !allDay {
			room += 1260 // a whole staffed day between
		}
		p.Jobs = append(p.Jobs, Job{fmt.Sprintf("d%d", k), 150 * time.Minute, at(release), at(min(release+room, end))})
	}
	return p
}

func benchmarkCharge(b *testing.B, make func(seed uint64) ChargeProblem) {
	var problems []ChargeProblem
	for seed := range uint64(5) {
		problems = append(problems, make(seed))
	}
	var plan, exact, rule time.Duration
	feasible, missed, served, edf, rounds, least, edfRounds, n := 0, 0, 0, 0, 0, 0, 0, 0
	for b.Loop() {
		for _, p := range problems {
			began := time.Now()
			a, err := Charge(p, Limits{})
			if err != nil {
				b.Fatal(err)
			}
			plan += time.Since(began)

			began = time.Now()
			g := newGrid(p)
			ok := newStarts(g, g.tasks).fits(newBudget(Limits{Effort: 100})) && len(g.alone) == 0
			exact += time.Since(began)

			began = time.Now()
			g = newGrid(p)
			first := g.list(nil, nil)
			rule += time.Since(began)

			if ok != a.Feasible {
				b.Fatalf("feasible %v and %v", ok, a.Feasible)
			}
			n++
			served, edf = served+len(a.Assignments), edf+first.served()
			if ok {
				feasible++
				rounds, least, edfRounds = rounds+a.Rounds, least+a.RoundsAtLeast, edfRounds+g.rounds(first)
				if first.served() < len(p.Jobs) {
					missed++
				}
			}
		}
	}
	b.ReportMetric(float64(plan.Microseconds())/1000/float64(n), "plan-ms")
	b.ReportMetric(float64(exact.Microseconds())/1000/float64(n), "feasibility-ms")
	b.ReportMetric(float64(rule.Microseconds())/1000/float64(n), "edf-ms")
	b.ReportMetric(float64(plan)/float64(rule), "plan/edf")
	b.ReportMetric(float64(exact)/float64(rule), "feasibility/edf")
	b.ReportMetric(100*float64(feasible)/float64(n), "feasible-%")
	b.ReportMetric(100*float64(missed)/float64(max(feasible, 1)), "edf-misses-%-of-feasible")
	b.ReportMetric(float64(served)/float64(edf), "served/edf")
	if feasible > 0 {
		b.ReportMetric(float64(rounds)/float64(feasible), "rounds")
		b.ReportMetric(float64(least)/float64(feasible), "rounds-at-least")
		b.ReportMetric(float64(edfRounds)/float64(feasible), "edf-rounds")
	}
}

// A week of a large depot, and the whole pool for two weeks, against earliest deadline first on the same problems.
func BenchmarkCharge(b *testing.B) {
	b.Run("week-1142-jobs-20-positions-all-day", func(b *testing.B) {
		benchmarkCharge(b, func(seed uint64) ChargeProblem { return house(seed, 1142, 20, 7, true, 36*time.Hour) })
	})
	b.Run("week-600-jobs-20-positions-staffed", func(b *testing.B) {
		benchmarkCharge(b, func(seed uint64) ChargeProblem { return house(seed, 600, 20, 7, false, 72*time.Hour) })
	})
	b.Run("fortnight-5000-units-500-positions-all-day", func(b *testing.B) {
		benchmarkCharge(b, func(seed uint64) ChargeProblem { return house(seed, 5000, 500, 14, true, 72*time.Hour) })
	})
	b.Run("fortnight-5000-units-500-positions-staffed", func(b *testing.B) {
		benchmarkCharge(b, func(seed uint64) ChargeProblem { return house(seed, 5000, 500, 14, false, 96*time.Hour) })
	})
	b.Run("small-40-jobs-3-positions", func(b *testing.B) {
		benchmarkCharge(b, func(seed uint64) ChargeProblem { return house(seed, 40, 3, 3, false, 48*time.Hour) })
	})
}

// yard invents a placement problem: days are a hundred, most units have lapses, bookings last one to five days.
func yard(seed uint64, units, bookings int) PlacementProblem {
	r := rand.New(rand.NewPCG(seed, 11))
	var p PlacementProblem
	for k := range units {
		from := r.IntN(100 * 1440)
		p.Units = append(p.Units, Unit{ID: fmt.Sprintf("u%d", k), Depot: []string{"north", "south"}[k%2], Blackouts: []Window{{at(from), at(from + 14*1440)}}})
	}
	for k := range bookings {
		from := r.IntN(95) * 1440
		b := Booking{ID: fmt.Sprintf("b%d", k), Span: Window{at(from), at(from + (1+r.IntN(5))*1440)}, Count: 1 + r.IntN(6), Depot: []string{"north", "south"}[r.IntN(2)]}
		if r.IntN(10) == 0 {
			b.Depot, b.Pinned = "", []string{p.Units[r.IntN(units)].ID}
		}
		p.Bookings = append(p.Bookings, b)
	}
	return p
}

// Placement against plain first fit on the same problems.
func BenchmarkPlace(b *testing.B) {
	for _, size := range []struct{ units, bookings int }{{20, 100}, {200, 1500}, {500, 5000}} {
		b.Run(fmt.Sprintf("%d-units-%d-bookings", size.units, size.bookings), func(b *testing.B) {
			var search, rule time.Duration
			placed, first, most, n := 0, 0, 0, 0
			for b.Loop() {
				for seed := range uint64(3) {
					p := yard(seed, size.units, size.bookings)
					began := time.Now()
					a, err := Place(p, Limits{})
					if err != nil {
						b.Fatal(err)
					}
					search += time.Since(began)
					began = time.Now()
					pl := newPool(p)
					plain := pl.firstFit(pl.order, newBudget(Limits{}))
					rule += time.Since(began)
					placed, first, most, n = placed+len(a.Placed), first+plain.count(), most+a.AtMost, n+1
				}
			}
			b.ReportMetric(float64(search.Microseconds())/1000/float64(n), "place-ms")
			b.ReportMetric(float64(rule.Microseconds())/1000/float64(n), "first-fit-ms")
			b.ReportMetric(float64(search)/float64(rule), "place/first-fit")
			b.ReportMetric(float64(placed)/float64(first), "placed/first-fit")
			b.ReportMetric(float64(most)/float64(placed), "bound/placed")
		})
	}
}
