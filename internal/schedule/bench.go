package schedule

import (
	"cmp"
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Task is one kind of work with the hands.
type Task string

// The tasks of a bench.
const (
	TaskHandOut   Task = "hand out"   // pack what a booking is promised and hand it out
	TaskTakeOff   Task = "take off"   // off the charger: it goes out, or others need the place
	TaskPutOn     Task = "put on"     // on a charger
	TaskCheckIn   Task = "check in"   // due back
	TaskChase     Task = "chase"      // should be back
	TaskRead      Task = "read"       // returned with data that nobody accepted
	TaskClear     Task = "clear"      // its data were read, its memory holds no further run
	TaskSend      Task = "send"       // to the laboratory
	TaskBringBack Task = "bring back" // from the laboratory, the carrier or another depot
	TaskLook      Task = "look at"    // a charger whose power nobody knows
)

// tasks in the order in which work of the same moment is done.
var tasks = []Task{TaskLook, TaskChase, TaskCheckIn, TaskRead, TaskClear, TaskTakeOff, TaskHandOut, TaskPutOn, TaskBringBack, TaskSend}

// Benches look this far: what they say of later days changes too much to act on. Common practice, no source.
const (
	packAhead   = 1  // days after today whose hand-outs and returns are shown
	chargeAhead = 3  // days in which a promise must begin for its units to be charged now
	topUpAhead  = 7  // days before a top-up is due
	sendClear   = 14 // days without a promise that a visit to the laboratory needs
)

// Yard is what a bench is told from: a depot, everything the actor sees of the pool, and the bookings that begin or end there.
type Yard struct {
	Depot    fleet.Depot
	Pool     *fleet.Pool
	Bookings []Booking
	At       time.Time
	SendDays int // a unit goes to the laboratory when its certificate ends within so many days; 0: fleet.SoonDays
}

// Job is one line of the bench: one task for the units of one booking, or for one unit.
type Job struct {
	Task    Task
	Due     time.Time // when it must be done; zero: when there is time
	From    time.Time // when it can begin, or since when it waits; zero: at once
	Booking *Booking  // what it is for; nil for none, or across a wall
	Promise time.Time // it is for a promise that begins then; zero for none
	Units   []BenchUnit
	Ready   bool // nothing stands against it
}

// BenchUnit is one unit of a job.
type BenchUnit struct {
	Unit     ident.ID
	Tag      string
	Reasons  []fleet.Reason // what stands against it
	Place    fleet.Place    // where it is
	Charger  ident.ID       // put on: a free place for it; zero where there is none
	OnTag    string
	Position int
	Ends     civil.Date // send: last day of the certificate, zero for none
	Holder   string     // send: the laboratory that calibrated it last
	FullBy   time.Time  // put on: when the idle top-up is due, zero where a promise asks for the charge
}

// Board is one charger and what stands on it.
type Board struct {
	Charger ident.ID
	Tag     string
	Dark    bool // power lost or not known
	Places  []BoardPlace
}

// BoardPlace is one place of a charger.
type BoardPlace struct {
	Position int
	Unit     ident.ID // zero: empty
	Tag      string
	Since    time.Time // when it was put on
	Full     bool
	Unknown  bool      // nobody knows whether it is full
	Ready    time.Time // when it will be full; zero when it is or nobody knows
}

// Bench is a day's work at one depot.
type Bench struct {
	Jobs   []Job // by time left; those for when there is time last
	Boards []Board
}

// bench is the work of telling one.
type bench struct {
	Yard
	today    civil.Date
	loc      *time.Location
	horizon  time.Time // hand-outs and returns before it are shown
	bookings map[ident.ID]*Booking
	units    []benchUnit
	taken    map[place]bool
	jobs     []Job
}

// place is a place on a charger.
type place struct {
	charger  ident.ID
	position int
}

// benchUnit is what is known of one unit here.
type benchUnit struct {
	d     fleet.Dossier
	place fleet.Place
	now   fleet.Verdict
	next  *fleet.Promise // the promise that runs or comes next, nil for none
}

// Bench tells what has to be done at a depot, from what happened and what is promised.
func (y Yard) Bench() Bench {
	y.At = y.At.UTC().Truncate(time.Millisecond)
	if y.SendDays == 0 {
		y.SendDays = fleet.SoonDays
	}
	b := &bench{Yard: y, loc: y.Depot.Location(), bookings: map[ident.ID]*Booking{}, taken: map[place]bool{}}
	b.today = civil.Of(y.At.In(b.loc))
	b.horizon = b.today.AddDays(packAhead).End(b.loc)
	for i := range y.Bookings {
		b.bookings[y.Bookings[i].ID] = &y.Bookings[i]
	}
	b.gather()
	boards := b.boards()
	b.goOut()
	b.comeBack()
	for i := range b.units {
		b.unitJobs(&b.units[i])
	}
	b.charge(boards)
	slices.SortStableFunc(b.jobs, compareJobs)
	return Bench{Jobs: b.jobs, Boards: boards}
}

func compareJobs(x, y Job) int {
	switch {
	case x.Due.IsZero() != y.Due.IsZero():
		if x.Due.IsZero() {
			return 1
		}
		return -1
	case !x.Due.Equal(y.Due):
		return x.Due.Compare(y.Due)
	}
	return cmp.Or(cmp.Compare(slices.Index(tasks, x.Task), slices.Index(tasks, y.Task)), fleet.CompareTags(x.firstTag(), y.firstTag()))
}

func (j Job) firstTag() string {
	if len(j.Units) == 0 {
		return ""
	}
	return j.Units[0].Tag
}

// gather reads what is known of every unit that is in the depot, on its way to it, or at home there.
func (b *bench) gather() {
	instant := fleet.Span{From: b.At, To: b.At.Add(time.Minute)}
	for _, id := range b.Pool.Units() {
		d, _ := b.Pool.Dossier(id)
		at := fleet.Whereabouts(d, b.At, b.At)
		if at.Depot != b.Depot.ID && d.Unit.Depot != b.Depot.ID {
			continue
		}
		u := benchUnit{d: d, place: at, next: nextPromise(d.Promises, b.At)}
		u.now, _ = b.Pool.Verdict(id, instant, b.At, b.SendDays)
		b.units = append(b.units, u)
	}
}

// nextPromise is the promise that runs at the moment or comes next.
func nextPromise(promises []fleet.Promise, at time.Time) *fleet.Promise {
	for i := range promises {
		if p := &promises[i]; p.Gone.IsZero() && p.Span.To.After(at) {
			return p
		}
	}
	return nil
}

// here reports whether the unit is in this depot.
func (b *bench) here(u *benchUnit) bool {
	return u.place.State == fleet.InDepot && u.place.Depot == b.Depot.ID
}

// goOut lists the bookings whose lead begins today or tomorrow, those that nobody could hand out later than that because the depot
// is closed until their visit, and those that should have gone.
func (b *bench) goOut() {
	for i := range b.Bookings {
		x := &b.Bookings[i]
		span, visit, ok := x.upcoming(b.At)
		due := b.staffed(visit.From)
		if !ok || x.StartDepot != b.Depot.ID || !span.From.Before(b.horizon) && !due.Before(b.horizon) {
			continue
		}
		j := Job{Task: TaskHandOut, Due: due, From: span.From, Booking: x, Promise: span.From, Ready: true}
		off := Job{Task: TaskTakeOff, Due: j.Due, From: j.From, Booking: x, Promise: span.From, Ready: true}
		for _, p := range x.Units {
			if p.IsOut() || p.In.After(span.From) {
				continue
			}
			u := b.benchUnit(p, x, span)
			j.Units, j.Ready = append(j.Units, u), j.Ready && len(u.Reasons) == 0
			if !u.Place.Charger.IsZero() && !hasCode(u.Reasons, chargeCodes...) {
				off.Units = append(off.Units, u)
			}
		}
		if len(j.Units) > 0 {
			b.jobs = append(b.jobs, j)
		}
		if len(off.Units) > 0 {
			b.jobs = append(b.jobs, off)
		}
	}
}

// upcoming gives the promised span that runs or comes next and the first visit in it that is not over; none for a booking that
// holds nothing any more.
func (b Booking) upcoming(at time.Time) (span, visit fleet.Span, ok bool) {
	if !b.Live() {
		return span, visit, false
	}
	for _, span = range b.Spans() {
		if !span.To.After(at) {
			continue
		}
		for _, o := range b.Occurrences {
			if o.Span.From.Before(span.To) && o.Span.To.After(at) && o.Span.To.After(span.From) {
				return span, o.Span, true
			}
		}
	}
	return span, visit, false
}

// benchUnit judges a unit for the booking it is promised to.
func (b *bench) benchUnit(p Placed, x *Booking, span fleet.Span) BenchUnit {
	out := BenchUnit{Unit: p.Unit, Tag: p.Tag}
	d, ok := b.Pool.Dossier(p.Unit)
	if !ok {
		return out
	}
	d.For = x.ID
	if span.From.Before(b.At) {
		span.From = b.At
	}
	out.Place = fleet.Whereabouts(d, b.At, b.At)
	out.Reasons = fleet.Assess(d, span, b.At).Reasons
	return out
}

// staffed is the last moment up to t at which somebody is at the depot; t itself where no hours are kept.
func (b *bench) staffed(t time.Time) time.Time {
	if len(b.Depot.Hours) == 0 {
		return t
	}
	for back := range 8 {
		day := civil.Of(t.In(b.loc)).AddDays(-back)
		midnight := day.Start(b.loc)
		var last time.Time
		for _, h := range b.Depot.Hours {
			if h.Weekday != time.Date(day.Year, day.Month, day.Day, 12, 0, 0, 0, time.UTC).Weekday() {
				continue
			}
			from, to := wallTime(day, h.From, b.loc), wallTime(day, h.To, b.loc)
			if from.Before(t) || back > 0 {
				if to.After(t) {
					to = t
				}
				if to.After(last) {
					last = to
				}
			}
		}
		if last.After(midnight) {
			return last.UTC()
		}
	}
	return t
}

// wallTime is the moment when the depot's clock shows so many minutes after midnight.
func wallTime(d civil.Date, minutes int, loc *time.Location) time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, minutes, 0, 0, loc)
}

// comeBack lists the bookings that end here and have units out: due today or tomorrow, or late.
func (b *bench) comeBack() {
	for i := range b.Bookings {
		x := &b.Bookings[i]
		out := x.units(Placed.IsOut)
		if len(out) == 0 || x.EndDepot != b.Depot.ID {
			continue
		}
		j := Job{Task: TaskCheckIn, Booking: x, Ready: true}
		for _, p := range x.Units {
			if !p.IsOut() {
				continue
			}
			if due := x.dueBack(p.Out); j.Due.IsZero() || due.Before(j.Due) {
				j.Due = due
			}
			j.Units = append(j.Units, BenchUnit{Unit: p.Unit, Tag: p.Tag, Place: fleet.Place{State: fleet.Out, Since: p.Out, Booking: x.ID}})
		}
		if j.Due.Before(b.At) {
			j.Task = TaskChase
		} else if last := b.staffed(j.Due); last.After(b.At) {
			j.Due = last
		}
		if j.Due.Before(b.horizon) {
			b.jobs = append(b.jobs, j)
		}
	}
}

func hasCode(reasons []fleet.Reason, codes ...fleet.ReasonCode) bool {
	return slices.ContainsFunc(reasons, func(r fleet.Reason) bool { return slices.Contains(codes, r.Code) })
}
