package fleet

import (
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// code is a ReasonCode in one byte; a set of them is a bit mask.
type code uint8

const (
	codeCertificate code = iota
	codeHold
	codePromise
	codeCustody
	codeHire
	codeCharge
	codeTopUp
	codeChargeRecord
	codeUnread
	codeClear
	codePower
)

var codeNames = [...]ReasonCode{ReasonCertificate, ReasonHold, ReasonPromise, ReasonCustody, ReasonHire, ReasonCharge,
	ReasonTopUp, ReasonChargeRecord, ReasonUnread, ReasonClear, ReasonPower}

const (
	blockingCodes = 1<<codeCertificate | 1<<codeHold | 1<<codePromise | 1<<codeCustody | 1<<codeHire
	unknownCodes  = 1<<codeChargeRecord | 1<<codePower
)

// finding is a reason before it is put into words.
type finding struct {
	code    code
	why     chargeWhy
	cover   coverWhy
	dark    bool  // a charger seen without power
	inside  bool  // it begins inside the span
	overdue bool  // away past its date
	ref     int   // index of the fact, or of the promise
	refs    []int // all facts, where there are several
	line    int   // index of the certificate line
	mark    int64 // the instant the sentence speaks of
	clears  int64 // never when nobody knows
}

// timeline is everything the rules say of one unit, laid out over time, for questions asked at [from, until).
type timeline struct {
	d           *Dossier
	loc         *time.Location
	from, until int64
	facts       []Fact
	holds       []hold
	stays       []stay
	cover       coverLine
	charge      chargeLine
	memory      []memoryStep
	self        *powerLine // a charger's own power
	hireFrom    int64
	hireTo      int64
	promises    []int32 // indexes into d.Promises, by start
	starts      []int64
	ends        []int64
	tops        []int64 // greatest end so far, which equals ends as long as no two promises overlap
}

// lay builds the timeline of a dossier as known at the moment. power gives the line of a charger.
func lay(d *Dossier, loc *time.Location, at int64, power func(ident.ID) *powerLine) *timeline {
	t := &timeline{d: d, loc: loc, until: forever}
	var latest int64
	t.facts, latest = known(d.Facts, at)
	t.from = latest
	t.holds = lineHolds(t.facts)
	var since, until int64
	t.stays, since, until = lineCustody(t.facts, at)
	t.narrow(since, until)
	t.cover = lineCover(d, t.facts, loc, at)
	t.narrow(t.cover.latest, forever)
	t.charge = lineCharge(d.Model, t.facts, power)
	t.narrow(t.charge.from, t.charge.until)
	t.memory = lineMemory(d.Model, t.facts)
	if d.Model.Kind == Charger {
		line := linePower(Supply{Hours: d.Model.PowerHours, Facts: d.Facts}, at)
		t.self = &line
		t.narrow(line.from, line.until)
	}
	t.hire()
	t.promise(at)
	if at < t.from {
		t.from, t.until = at, at+1
	}
	return t
}

func (t *timeline) narrow(from, until int64) {
	t.from, t.until = max(t.from, from), min(t.until, until)
}

func (t *timeline) hire() {
	t.hireFrom, t.hireTo = never, forever
	u := &t.d.Unit
	if u.Ownership == Owned {
		return
	}
	if !u.HireFrom.IsZero() {
		t.hireFrom = u.HireFrom.Start(t.loc).UnixMilli()
	}
	if !u.HireTo.IsZero() {
		t.hireTo = u.HireTo.End(t.loc).UnixMilli()
	}
}

func (t *timeline) promise(at int64) {
	n := len(t.d.Promises)
	t.promises, t.starts, t.ends, t.tops = make([]int32, 0, n), make([]int64, 0, n), make([]int64, 0, n), make([]int64, 0, n)
	top := int64(never)
	for i := range t.d.Promises {
		p := &t.d.Promises[i]
		made, gone := msOr(p.Entered, never), msOr(p.Gone, forever)
		t.from = max(t.from, made)
		if gone != forever {
			t.from = max(t.from, gone)
		}
		if made > at || gone <= at {
			continue
		}
		top = max(top, p.Span.To.UnixMilli())
		t.promises = append(t.promises, int32(i))
		t.starts = append(t.starts, p.Span.From.UnixMilli())
		t.ends = append(t.ends, p.Span.To.UnixMilli())
		t.tops = append(t.tops, top)
	}
	if slices.Equal(t.tops, t.ends) {
		t.tops = t.ends // the same values: one array stays warm
	}
}

// holdsAt reports whether the timeline answers questions asked at the moment.
func (t *timeline) holdsAt(at int64) bool { return t.from <= at && at < t.until }

// find applies every rule to the span and appends what stands against the unit.
func (t *timeline) find(from, to int64, out []finding) []finding {
	out = emitHolds(t.holds, from, to, out)
	out = emitCustody(t.stays, t.facts, t.d.For, from, to, out)
	out = t.cover.emit(from, to, out)
	if k := len(out) - 1; k >= 0 && out[k].code == codeCertificate && out[k].clears == never {
		out[k].clears = t.fromLaboratory(max(out[k].mark, from))
	}
	out = t.emitHire(from, to, out)
	out = t.emitPromises(from, to, out)
	out = emitMemory(t.memory, t.d.Model.MemoryRuns, from, out)
	out = t.charge.emit(from, out)
	return t.emitSelf(from, out)
}

// fromLaboratory is when a unit that is at the laboratory is due back: the earliest a lapsed certificate can be expected anew.
func (t *timeline) fromLaboratory(after int64) int64 {
	if n := len(t.stays); n > 0 {
		last := t.stays[n-1]
		if t.facts[last.ref].Body.(Custody).State == AtLaboratory && last.to != forever && last.to > after {
			return last.to
		}
	}
	return never
}

func (t *timeline) emitHire(from, to int64, out []finding) []finding {
	if from < t.hireFrom {
		out = append(out, finding{code: codeHire, ref: -1, mark: t.hireFrom, clears: t.hireFrom})
	}
	if to > t.hireTo {
		out = append(out, finding{code: codeHire, ref: -1, mark: t.hireTo, inside: t.hireTo > from, overdue: true, clears: never})
	}
	return out
}

// emitPromises finds the promises that share an instant with the span: those that start before its end and end after its start.
func (t *timeline) emitPromises(from, to int64, out []finding) []finding {
	for i := firstAfter(t.tops, from); i < len(t.starts) && t.starts[i] < to; i++ {
		if t.ends[i] <= from {
			continue
		}
		if p := &t.d.Promises[t.promises[i]]; !t.d.For.IsZero() && p.Booking == t.d.For {
			continue
		}
		out = append(out, finding{code: codePromise, ref: int(t.promises[i]), mark: t.starts[i], clears: t.ends[i]})
	}
	return out
}

// emitSelf judges a charger's own power.
func (t *timeline) emitSelf(from int64, out []finding) []finding {
	if t.self == nil {
		return out
	}
	switch t.self.state(from) {
	case powerUnknown:
		out = append(out, finding{code: codePower, ref: -1, mark: t.self.lastGood, clears: never})
	case powerLost:
		out = append(out, finding{code: codePower, ref: -1, dark: true, mark: t.self.lastGood, clears: never})
	}
	return out
}

// codes is the set of findings as a bit mask.
func codes(found []finding) uint16 {
	var set uint16
	for i := range found {
		set |= 1 << found[i].code
	}
	return set
}

// state is the one word for a unit. A unit away on time is "out": nobody can charge or read it now, so only what needs a
// person all the same (a hold, a certificate that lapses, a hire that ends, a unit overdue) outranks that.
func (t *timeline) state(found []finding, from int64, soon bool) State {
	set := codes(found)
	out, late := t.away(found, from)
	switch {
	case set&(1<<codeHold) != 0:
		return StateHeld
	case out && (late || set&(1<<codeCertificate|1<<codeHire) != 0):
		return StateNotFit
	case out && soon:
		return StateDueSoon
	case out:
		return StateOut
	case set&(1<<codeUnread) != 0:
		return StateUnread
	case set&^unknownCodes != 0, t.self != nil && t.self.state(from) == powerLost:
		return StateNotFit
	case set != 0:
		return StateUnknown
	case soon:
		return StateDueSoon
	}
	return StateFit
}

// away reports whether the unit is out at the start of the span, and whether it is late or away for another cause too.
func (t *timeline) away(found []finding, from int64) (out, late bool) {
	for i := range found {
		if found[i].code != codeCustody {
			continue
		}
		s := t.facts[found[i].ref].Body.(Custody).State
		if (s == Out || s == InTransit) && found[i].mark <= from && !found[i].overdue {
			out = true
		} else if s == Lost || s == Retired || s == AtLaboratory || found[i].overdue {
			late = true
		}
	}
	return out, late
}

// dueSoon reports whether the certificate in force ends within the days after the start of the span.
func (t *timeline) dueSoon(from int64, days int) bool {
	ends := t.cover.endsAt(from)
	if ends.IsZero() {
		return false
	}
	day := civil.Of(time.UnixMilli(from).In(t.loc))
	return !ends.After(day.AddDays(days))
}
