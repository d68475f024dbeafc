package fleet

import (
	"sort"
	"time"

	"kitd/internal/ident"
)

// stay is a stretch of custody. An away unit that is not overdue is expected back when due; an overdue one has no end: nobody
// promises what is not back.
type stay struct {
	from, to int64
	ref      int
	overdue  bool
}

// lineCustody orders the stays of a unit as known at the moment; the answer changes by itself when a date of return passes, so
// it holds for questions asked at [since, until).
func lineCustody(facts []Fact, at int64) (stays []stay, since, until int64) {
	since, until = never, forever
	for i := range facts {
		if _, ok := facts[i].Body.(Custody); !ok {
			continue
		}
		t := facts[i].Occurred.UnixMilli()
		if n := len(stays); n > 0 {
			stays[n-1].to = t
		}
		stays = append(stays, stay{from: t, to: forever, ref: i})
	}
	if len(stays) == 0 {
		return nil, since, until
	}
	last := &stays[len(stays)-1]
	b := facts[last.ref].Body.(Custody)
	switch {
	case !b.State.comesBack():
	case !b.Due.IsZero() && b.Due.UnixMilli() >= at:
		last.to, until = max(b.Due.UnixMilli(), last.from), b.Due.UnixMilli()+1
	case !b.Due.IsZero():
		last.overdue, since = true, b.Due.UnixMilli()+1
	}
	return stays, since, until
}

// comesBack reports whether a unit in this custody is away and expected.
func (s CustodyState) comesBack() bool { return s == Out || s == AtLaboratory || s == InTransit }

// emitCustody finds the stays that keep the unit away during the span, except on the booking under test.
func emitCustody(stays []stay, facts []Fact, own ident.ID, from, to int64, out []finding) []finding {
	for i := sort.Search(len(stays), func(i int) bool { return stays[i].to > from }); i < len(stays) && stays[i].from < to; i++ {
		b := facts[stays[i].ref].Body.(Custody)
		if b.State == InDepot || b.State == Out && !own.IsZero() && b.Booking == own || stays[i].to <= max(from, stays[i].from) {
			continue
		}
		f := finding{code: codeCustody, ref: stays[i].ref, clears: stays[i].to, mark: stays[i].from, overdue: stays[i].overdue}
		if f.clears == forever {
			f.clears = never
		}
		out = append(out, f)
	}
	return out
}

// hold is a stretch out of service.
type hold struct {
	from, to int64
	ref      int
}

// lineHolds pairs each hold with its first sign-off at or after it.
func lineHolds(facts []Fact) []hold {
	var holds []hold
	for i := range facts {
		switch b := facts[i].Body.(type) {
		case Held:
			holds = append(holds, hold{facts[i].Occurred.UnixMilli(), forever, i})
		case SignedOff:
			for j := range holds {
				if facts[holds[j].ref].ID == b.Hold && holds[j].to == forever {
					holds[j].to = facts[i].Occurred.UnixMilli()
				}
			}
		}
	}
	return holds
}

func emitHolds(holds []hold, from, to int64, out []finding) []finding {
	for _, h := range holds {
		if h.from < to && max(from, h.from) < h.to {
			clears := h.to
			if clears == forever {
				clears = never
			}
			out = append(out, finding{code: codeHold, ref: h.ref, mark: h.from, clears: clears})
		}
	}
	return out
}

// Place is where a unit is at a moment: its custody, and the charger it stands on.
type Place struct {
	State    CustodyState `json:"state"`
	Since    time.Time    `json:"since,omitzero"`
	Depot    ident.ID     `json:"depot,omitzero"`
	Holder   string       `json:"holder,omitempty"`
	Due      time.Time    `json:"due,omitzero"`
	Booking  ident.ID     `json:"booking,omitzero"`
	Charger  ident.ID     `json:"charger,omitzero"` // zero: on none
	Position int          `json:"position,omitempty"`
	Tag      string       `json:"charger_tag,omitempty"`
}

// Whereabouts tells where the unit is at t, as known at the moment. Without any record of custody it is in its home depot.
func Whereabouts(d Dossier, t, at time.Time) Place {
	p := Place{State: InDepot, Depot: d.Unit.Depot}
	facts, _ := known(d.Facts, at.UnixMilli())
	for _, f := range facts {
		if f.Occurred.After(t) {
			break
		}
		switch b := f.Body.(type) {
		case Custody:
			p = Place{State: b.State, Since: f.Occurred, Depot: b.Depot, Holder: b.Holder, Due: b.Due, Booking: b.Booking,
				Charger: p.Charger, Position: p.Position, Tag: p.Tag}
			if b.State != InDepot {
				p.Charger, p.Position, p.Tag = ident.ID{}, 0, ""
			} else if p.Depot.IsZero() {
				p.Depot = d.Unit.Depot
			}
		case ChargeOn:
			p.Charger, p.Position, p.Tag = b.Charger, b.Position, d.Power[b.Charger].Tag
		case ChargeOff:
			p.Charger, p.Position, p.Tag = ident.ID{}, 0, ""
		case Worn:
			if b.Minutes > 0 {
				p.Charger, p.Position, p.Tag = ident.ID{}, 0, ""
			}
		}
	}
	return p
}
