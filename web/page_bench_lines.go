package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/when"
)

// benchVerbs are what is to be done and what the button of each task says.
var benchVerbs = map[schedule.Task][2]string{
	schedule.TaskHandOut: {"Pack and hand out", "Handed out"}, schedule.TaskTakeOff: {"Take off charge", "Off"}, schedule.TaskPutOn: {"Put on charge", "On"},
	schedule.TaskCheckIn: {"Check in", "Checked in"}, schedule.TaskChase: {"Chase", "It is back"}, schedule.TaskRead: {"Read the data", "Read it in"},
	schedule.TaskClear: {"Clear the memory", "Cleared"}, schedule.TaskSend: {"Send to the laboratory", "Sent"}, schedule.TaskBringBack: {"Bring back", "It is here"},
	schedule.TaskLook: {"Look at", "It has power"},
}

// line puts one job into words.
func (b benchTeller) line(j schedule.Job) benchLine {
	verb := benchVerbs[j.Task]
	l := benchLine{When: b.due(j.Due), Do: verb[0], Look: !j.Ready, Act: benchAct{Task: string(j.Task), Label: verb[1]}}
	if j.Booking != nil {
		l.Booking, l.BookingHref, l.Act.Booking = j.Booking.Label(), bookingPath(j.Booking.ID), j.Booking.ID.String()
		if k := b.at.kit(j.Booking.Ask.Kit); !k.ID.IsZero() {
			l.Kit, l.KitHref = k.Code, kitPath(k.Code)
		}
	}
	for _, u := range j.Units {
		l.Units = append(l.Units, deskUnit{Tag: u.Tag, Href: unitPath(u.Tag)})
		l.Act.Units = append(l.Act.Units, u.Tag)
		if u.Position > 0 {
			l.Act.Places = append(l.Act.Places, fmt.Sprintf("%s/%d", u.Charger, u.Position))
		}
	}
	l.Text = b.why(j, &l)
	if j.Task == schedule.TaskHandOut || j.Task == schedule.TaskPutOn {
		for _, u := range j.Units {
			if len(u.Reasons) > 0 {
				l.Open = append(l.Open, unitWhy{Tag: u.Tag, Href: unitPath(u.Tag), Reasons: textsOf(u.Reasons)})
			}
		}
	}
	return l
}

func textsOf(reasons []fleet.Reason) []string {
	out := make([]string, len(reasons))
	for i, r := range reasons {
		out[i] = r.Text()
	}
	return out
}

// why says where, why and for whom; it completes what the button sends.
func (b benchTeller) why(j schedule.Job, l *benchLine) string {
	switch j.Task {
	case schedule.TaskHandOut:
		return j.Booking.Title + ", " + visits(*j.Booking, b.loc, b.now) + ", to " + j.Booking.OwnerName + "."
	case schedule.TaskTakeOff:
		if j.Booking == nil {
			return "Full; others need its place."
		}
		return "Full. For " + j.Booking.Title + "."
	case schedule.TaskPutOn:
		return b.whyCharge(j, l)
	case schedule.TaskCheckIn, schedule.TaskChase:
		return b.whyBack(j)
	case schedule.TaskRead:
		l.Act.Href = "/returns"
		return "It holds data since " + b.moment(j.From) + " that nobody has accepted; they exist nowhere else."
	case schedule.TaskClear:
		return "Its data are read and accepted; the memory holds no further run."
	case schedule.TaskSend:
		return b.whySend(j, l)
	case schedule.TaskBringBack:
		return b.whyBring(j)
	}
	return "Nobody knows whether this charger has power. What stands on it counts as not full until somebody has looked."
}

func (b benchTeller) whyCharge(j schedule.Job, l *benchLine) string {
	text := "No place is free."
	if j.Ready {
		text = capital(placesOf(j.Units)) + "."
	} else {
		l.Act.Href, l.Act.Label = unitPath(j.Units[0].Tag), "Open it"
	}
	switch {
	case j.Booking != nil:
		text += " For " + j.Booking.Title + "."
	case !j.Promise.IsZero():
		text += " For a promise that begins " + b.moment(j.Promise) + "."
	default:
		text += " Idle: a full charge is due " + b.moment(j.Units[0].FullBy) + "."
	}
	return text
}

func (b benchTeller) whyBack(j schedule.Job) string {
	who, what := j.Units[0].Place.Holder, ""
	if j.Booking != nil {
		who, what = j.Booking.OwnerName, " on "+j.Booking.Title
	}
	if who == "" {
		who = "somebody"
	}
	if j.Task == schedule.TaskChase {
		return "Out with " + who + what + "; due back " + b.moment(j.Due) + ". Ask, then record that it is back."
	}
	return "From " + who + what + "."
}

func (b benchTeller) whySend(j schedule.Job, l *benchLine) string {
	u := j.Units[0]
	text := "No certificate covers it."
	switch {
	case !j.Due.IsZero():
		text = "Certificate ends " + when.Day(u.Ends, b.today()) + "."
	case !u.Ends.IsZero() && u.Ends.Before(b.today()):
		text = "Certificate ended " + when.Day(u.Ends, b.today()) + "."
	}
	text += " No booking is in the way."
	if u.Holder != "" {
		l.Act.Holder = u.Holder
		text += " Last at " + u.Holder + "."
	}
	return text
}

func (b benchTeller) whyBring(j schedule.Job) string {
	p := j.Units[0].Place
	switch {
	case p.State == fleet.InDepot:
		return "At home here, left in " + b.at.depot(p.Depot).Name + " since " + b.moment(p.Since) + "; nothing is promised there."
	case p.Due.IsZero():
		return capital(b.where(p)) + " since " + b.moment(p.Since) + ", no date of return."
	}
	return capital(b.where(p)) + " since " + b.moment(p.Since) + ", due back " + b.moment(p.Due) + "."
}

// mayDo reports whether the caller may press the button of a job.
func (b benchTeller) mayDo(p *benchPage, j schedule.Job) bool {
	if !p.Books {
		return false
	}
	bookingStep := j.Task == schedule.TaskHandOut || j.Task == schedule.TaskCheckIn || j.Task == schedule.TaskChase
	return !bookingStep || j.Booking == nil || schedule.MayChange(b.who, *j.Booking)
}

// mostDone is how many of the latest records a bench shows.
const mostDone = 12

// record of one call: facts of one kind, entered at one moment by one person.
type benchAction struct {
	entered  time.Time
	occurred time.Time
	by, kind string
	facts    []fleet.Fact
	units    []fleet.Dossier
}

// done lists what was recorded today at this depot, newest first, each with its way back.
func (b benchTeller) done() []benchDone {
	var all []benchAction
	since := b.today().Start(b.loc)
	for _, id := range b.pool.Units() {
		d, _ := b.pool.Dossier(id)
		for _, f := range d.Standing(b.now) {
			if f.Entered.Before(since) || f.By == "" || !benchKind(f.Body) || !b.concerns(d, f) {
				continue
			}
			same := func(a benchAction) bool {
				return a.entered.Equal(f.Entered) && a.by == f.By && a.kind == f.Body.FactKind() && a.occurred.Equal(f.Occurred)
			}
			i := slices.IndexFunc(all, same)
			if i < 0 {
				all = append(all, benchAction{entered: f.Entered, occurred: f.Occurred, by: f.By, kind: f.Body.FactKind()})
				i = len(all) - 1
			}
			all[i].facts, all[i].units = append(all[i].facts, f), append(all[i].units, d)
		}
	}
	slices.SortStableFunc(all, func(x, y benchAction) int { return y.entered.Compare(x.entered) })
	out := make([]benchDone, 0, mostDone)
	for _, a := range all[:min(len(all), mostDone)] {
		out = append(out, b.doneLine(a))
	}
	return out
}

// benchKind reports whether a fact is one that benches record.
func benchKind(body fleet.Body) bool {
	switch body.(type) {
	case fleet.ChargeOn, fleet.ChargeOff, fleet.Custody, fleet.Cleared, fleet.PowerSeen:
		return true
	}
	return false
}

// concerns reports whether a record belongs to this depot's bench.
func (b benchTeller) concerns(d fleet.Dossier, f fleet.Fact) bool {
	if c, ok := f.Body.(fleet.Custody); ok && !c.Depot.IsZero() {
		return c.Depot == b.depot.ID
	}
	return fleet.Whereabouts(d, f.Occurred, b.now).Depot == b.depot.ID
}

func (b benchTeller) doneLine(a benchAction) benchDone {
	x := benchDone{When: when.Clock(a.occurred, b.loc), What: b.happened(a.units[0], a.facts[0].Body), By: a.by + ", " + when.Clock(a.entered, b.loc)}
	if civil.Of(a.occurred.In(b.loc)) != b.today() {
		x.When = b.moment(a.occurred)
	}
	x.Late = a.facts[0].Late(lateBy)
	for i, f := range a.facts {
		x.Units = append(x.Units, deskUnit{Tag: a.units[i].Unit.Tag, Href: unitPath(a.units[i].Unit.Tag)})
		x.Facts = append(x.Facts, f.ID.String())
		x.Tags = append(x.Tags, a.units[i].Unit.Tag)
	}
	if len(a.facts) > 1 {
		x.What, _, _ = strings.Cut(x.What, ", place")
	}
	x.Undo = b.who.Books() && (b.who.Keeps() || b.who.Name == a.by)
	if booking, ok := b.stepOf(a); ok {
		x.Booking, x.At = booking.ID.String(), a.occurred.UTC().Format(time.RFC3339Nano)
		x.Undo = schedule.MayChange(b.who, booking)
	}
	return x
}

// stepOf finds the booking whose hand-out or check-in a record is.
func (b benchTeller) stepOf(a benchAction) (schedule.Booking, bool) {
	c, ok := a.facts[0].Body.(fleet.Custody)
	if !ok {
		return schedule.Booking{}, false
	}
	return b.bookingWhere(a.facts[0].Unit, func(id ident.ID, u schedule.Placed) bool {
		return c.State == fleet.Out && c.Booking == id && u.Out.Equal(a.occurred) || c.State == fleet.InDepot && u.In.Equal(a.occurred)
	})
}

func (b benchTeller) bookingWhere(unit ident.ID, fits func(ident.ID, schedule.Placed) bool) (schedule.Booking, bool) {
	for _, x := range b.bookings {
		for _, u := range x.Units {
			if u.Unit == unit && fits(x.ID, u) {
				return x, true
			}
		}
	}
	return schedule.Booking{}, false
}
