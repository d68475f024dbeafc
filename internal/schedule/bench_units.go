package schedule

import (
	"cmp"
	"slices"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// chargeCodes are the reasons that time on a charger clears.
var chargeCodes = []fleet.ReasonCode{fleet.ReasonCharge, fleet.ReasonTopUp, fleet.ReasonChargeRecord, fleet.ReasonPower}

// unitJobs lists what waits for one unit whatever it is promised to, charging aside.
func (b *bench) unitJobs(u *benchUnit) {
	one := BenchUnit{Unit: u.d.Unit.ID, Tag: u.d.Unit.Tag, Place: u.place, Reasons: u.now.Reasons}
	switch {
	case u.place.State == fleet.Lost || u.place.State == fleet.Retired:
	case !b.here(u):
		b.away(u, one)
	case u.d.Model.Kind == fleet.Charger:
		if hasCode(u.now.Reasons, fleet.ReasonPower) {
			b.add(Job{Task: TaskLook, Due: b.At, Units: []BenchUnit{one}})
		}
	case hasCode(u.now.Reasons, fleet.ReasonUnread):
		b.add(Job{Task: TaskRead, Due: b.before(u), From: b.unreadSince(u), Units: []BenchUnit{one}})
	case hasCode(u.now.Reasons, fleet.ReasonClear):
		b.add(Job{Task: TaskClear, Due: b.before(u), Units: []BenchUnit{one}, Ready: true})
	default:
		b.send(u, one)
	}
}

func (b *bench) add(j Job) { b.jobs = append(b.jobs, j) }

// before is when a unit must be ready for its next promise, zero where none begins in the coming days.
func (b *bench) before(u *benchUnit) time.Time {
	if u.next == nil || u.next.Span.From.After(b.today.AddDays(chargeAhead).End(b.loc)) {
		return time.Time{}
	}
	return u.next.Span.From
}

// unreadSince is when the oldest wear ended whose data nobody accepted.
func (b *bench) unreadSince(u *benchUnit) time.Time {
	unread := fleet.Unread(u.d, b.At, b.At)
	for _, f := range u.d.Standing(b.At) {
		if w, ok := f.Body.(fleet.Worn); ok && slices.Contains(unread, w.Wear) {
			return f.Occurred
		}
	}
	return time.Time{}
}

// away asks after what is not here: at a laboratory or with a carrier and expected, out without a booking, or left in another
// depot with nothing promised there.
func (b *bench) away(u *benchUnit, one BenchUnit) {
	p := u.place
	switch {
	case p.State == fleet.Out && p.Booking.IsZero() && !p.Due.IsZero() && p.Due.Before(b.horizon) && p.Depot == b.Depot.ID:
		if b.walled(u) {
			return
		}
		j := Job{Task: TaskCheckIn, Due: p.Due, Units: []BenchUnit{one}, Ready: true}
		if p.Due.Before(b.At) {
			j.Task = TaskChase
		}
		b.add(j)
	case p.State == fleet.Out:
	case p.State == fleet.InDepot:
		if u.next == nil && p.Depot != u.d.Unit.Depot && u.d.Unit.Depot == b.Depot.ID {
			b.add(Job{Task: TaskBringBack, From: p.Since, Units: []BenchUnit{one}, Ready: true})
		}
	case p.Depot == b.Depot.ID || p.Depot.IsZero() && u.d.Unit.Depot == b.Depot.ID:
		if p.Due.Before(b.horizon) {
			b.add(Job{Task: TaskBringBack, Due: p.Due, From: p.Since, Units: []BenchUnit{one}, Ready: true})
		}
	}
}

// walled reports whether the unit is out for a client the actor does not see: whose booking it is, is not told.
func (b *bench) walled(u *benchUnit) bool {
	for _, f := range slices.Backward(u.d.Standing(b.At)) {
		if _, ok := f.Body.(fleet.Custody); ok && !f.Occurred.After(b.At) {
			return f.By == "" // see fleet.Dossier.Behind
		}
	}
	return false
}

// send lists the units whose certificate has ended or ends soon and that no promise keeps here.
func (b *bench) send(u *benchUnit, one BenchUnit) {
	if u.d.Model.CalibrationMonths <= 0 || hasCode(u.now.Reasons, fleet.ReasonHire) {
		return
	}
	lapsed := hasCode(u.now.Reasons, fleet.ReasonCertificate)
	soon := !u.now.CertEnds.IsZero() && !u.now.CertEnds.After(b.today.AddDays(b.SendDays))
	if !lapsed && !soon || u.next != nil && u.next.Span.From.Before(b.today.AddDays(sendClear).End(b.loc)) {
		return
	}
	one.Ends = u.now.CertEnds
	last := fleet.Line{}
	for _, l := range u.d.Lines {
		if l.Superseded.IsZero() && l.Calibrated.After(last.Calibrated) {
			last = l
		}
	}
	one.Holder = last.LabName
	j := Job{Task: TaskSend, Units: []BenchUnit{one}, Ready: true}
	if !lapsed {
		j.Due = one.Ends.End(b.loc).UTC()
	} else if one.Ends.IsZero() {
		one.Ends = last.Due
		j.Units[0] = one
	}
	b.add(j)
}

// boards tells what stands on the chargers of the depot.
func (b *bench) boards() []Board {
	var all []Board
	for i := range b.units {
		u := &b.units[i]
		if u.d.Model.Kind != fleet.Charger || !b.here(u) {
			continue
		}
		all = append(all, b.board(u))
	}
	slices.SortFunc(all, func(x, y Board) int { return fleet.CompareTags(x.Tag, y.Tag) })
	return all
}

func (b *bench) board(c *benchUnit) Board {
	board := Board{Charger: c.d.Unit.ID, Tag: c.d.Unit.Tag, Dark: hasCode(c.now.Reasons, fleet.ReasonPower)}
	count := max(c.d.Model.Positions, 0)
	for i := range b.units {
		if u := &b.units[i]; u.place.Charger == board.Charger {
			count = max(count, u.place.Position)
		}
	}
	for n := range min(count, 1000) {
		board.Places = append(board.Places, BoardPlace{Position: n + 1})
	}
	for i := range b.units {
		u := &b.units[i]
		if u.place.Charger != board.Charger || u.place.Position < 1 || u.place.Position > len(board.Places) {
			continue
		}
		b.taken[place{board.Charger, u.place.Position}] = true
		board.Places[u.place.Position-1] = b.stands(u)
	}
	return board
}

// stands tells how a unit does on its charger.
func (b *bench) stands(u *benchUnit) BoardPlace {
	p := BoardPlace{Position: u.place.Position, Unit: u.d.Unit.ID, Tag: u.d.Unit.Tag, Full: !hasCode(u.now.Reasons, chargeCodes...)}
	for _, f := range u.d.Standing(b.At) {
		if on, ok := f.Body.(fleet.ChargeOn); ok && on.Charger == u.place.Charger && !f.Occurred.After(b.At) {
			p.Since = f.Occurred
		}
	}
	for _, r := range u.now.Reasons {
		switch r.Code {
		case fleet.ReasonPower, fleet.ReasonChargeRecord:
			p.Unknown = true
		case fleet.ReasonCharge:
			p.Ready = r.Clears
		}
	}
	return p
}

// charge lists what goes on a charger, each with a free place, and what comes off to make room.
func (b *bench) charge(boards []Board) {
	var on []Job
	for i := range b.units {
		if j, ok := b.wantsCharge(&b.units[i]); ok {
			on = append(on, j)
		}
	}
	slices.SortStableFunc(on, func(x, y Job) int { return x.Due.Compare(y.Due) })
	free := b.free(boards)
	short := 0
	for i := range on {
		u := &on[i].Units[0]
		if len(free) == 0 {
			short++
			continue
		}
		u.Charger, u.OnTag, u.Position = free[0].Charger, free[0].OnTag, free[0].Position
		on[i].Ready, free = true, free[1:]
	}
	b.makeRoom(short)
	b.jobs = append(b.jobs, together(on)...)
}

// wantsCharge judges whether a unit here should be on a charger: for a promise of the coming days, or because a top-up is due.
func (b *bench) wantsCharge(u *benchUnit) (Job, bool) {
	if u.d.Model.ChargeMinutes <= 0 || !b.here(u) || !u.place.Charger.IsZero() || hasCode(u.now.Reasons, fleet.ReasonHold) {
		return Job{}, false
	}
	one := BenchUnit{Unit: u.d.Unit.ID, Tag: u.d.Unit.Tag, Place: u.place}
	j := Job{Task: TaskPutOn}
	need := time.Duration(u.d.Model.ChargeMinutes) * time.Minute
	if from := b.before(u); !from.IsZero() {
		at := from
		if at.Before(b.At) {
			at = b.At
		}
		v, _ := b.Pool.Verdict(u.d.Unit.ID, fleet.Span{From: at, To: u.next.Span.To}, b.At, b.SendDays)
		if hasCode(v.Reasons, chargeCodes...) {
			one.Reasons = slices.DeleteFunc(slices.Clone(v.Reasons), func(r fleet.Reason) bool { return !slices.Contains(chargeCodes, r.Code) })
			j.Due, j.Promise, j.Booking = b.staffed(from.Add(-need)), from, b.bookings[u.next.Booking]
			j.Units = []BenchUnit{one}
			return j, true
		}
	}
	due := u.now.FullBy
	if due.IsZero() || due.After(b.today.AddDays(topUpAhead).End(b.loc)) {
		return j, false
	}
	one.FullBy = due
	j.Due, j.Units = b.staffed(due.Add(-need)), []BenchUnit{one}
	return j, true
}

// free lists the empty places of chargers that have power, in order.
func (b *bench) free(boards []Board) []BenchUnit {
	var all []BenchUnit
	for _, c := range boards {
		for _, p := range c.Places {
			if p.Unit.IsZero() && !c.Dark {
				all = append(all, BenchUnit{Charger: c.Charger, OnTag: c.Tag, Position: p.Position})
			}
		}
	}
	return all
}

// makeRoom takes as many full units off as others need places: those with no promise first, then those promised last.
func (b *bench) makeRoom(short int) {
	var full []*benchUnit
	for i := range b.units {
		u := &b.units[i]
		if b.here(u) && !u.place.Charger.IsZero() && !hasCode(u.now.Reasons, chargeCodes...) && b.before(u).IsZero() {
			full = append(full, u)
		}
	}
	slices.SortStableFunc(full, func(x, y *benchUnit) int { return -cmp.Compare(begins(x.next), begins(y.next)) })
	for _, u := range full[:min(short, len(full))] {
		b.add(Job{Task: TaskTakeOff, Due: b.At, Ready: true,
			Units: []BenchUnit{{Unit: u.d.Unit.ID, Tag: u.d.Unit.Tag, Place: u.place}}})
	}
}

// begins orders promises: none counts as the last.
func begins(p *fleet.Promise) int64 {
	if p == nil {
		return 1 << 62
	}
	return p.Span.From.UnixMilli()
}

// together joins the jobs that are due at the same moment for the same booking; those without a place stay by themselves.
func together(jobs []Job) []Job {
	type key struct {
		booking ident.ID
		due     time.Time
		ready   bool
	}
	at := map[key]int{}
	var all []Job
	for _, j := range jobs {
		k := key{due: j.Due, ready: j.Ready}
		if j.Booking != nil {
			k.booking = j.Booking.ID
		}
		if i, ok := at[k]; ok && !j.Promise.IsZero() {
			all[i].Units = append(all[i].Units, j.Units...)
			continue
		}
		if !j.Promise.IsZero() {
			at[k] = len(all)
		}
		all = append(all, j)
	}
	return all
}
