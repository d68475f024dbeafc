package schedule

import (
	"slices"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// travels tells the pool of the promises that take units to another depot.
func (p *pool) travels(trips []Claim) {
	p.trips = map[ident.ID][]Claim{}
	slices.SortFunc(trips, func(a, b Claim) int { return a.Span.To.Compare(b.Span.To) })
	for _, c := range trips {
		p.trips[c.Unit] = append(p.trips[c.Unit], c)
	}
}

// names tells the pool what people call the depots; only sentences need it.
func (p *pool) names(s Store) error {
	depots, err := s.Depots()
	p.depots = make(map[ident.ID]string, len(depots))
	for _, d := range depots {
		p.depots[d.ID] = d.Name
	}
	return err
}

// where is the depot the unit will be in at t: where its last trip before t ends, else where it is now or due back, else home.
// Trips of the booking in question do not count.
func (p *pool) where(unit ident.ID, t time.Time, but ident.ID) ident.ID {
	d := p.units[unit]
	place := d.Unit.Depot
	if now := fleet.Whereabouts(*d, p.now, p.now); !now.Depot.IsZero() && now.Booking != but {
		place = now.Depot
	}
	for _, c := range p.trips[unit] {
		if c.Booking != but && !c.Span.To.After(t) {
			place = c.To
		}
	}
	return place
}

// astray says why the unit cannot take part for where it is: it is not in the start depot, or it would not be where its next
// promise starts. A unit that is out on the booking itself is with it already.
func (p *pool) astray(unit ident.ID, r request) []fleet.Reason {
	if p.trips == nil || r.depot.ID.IsZero() {
		return nil
	}
	now := fleet.Whereabouts(*p.units[unit], p.now, p.now)
	own := now.State == fleet.Out && now.Booking == r.booking && !r.booking.IsZero()
	if at := p.where(unit, r.whole().From, r.booking); !own && at != r.depot.ID {
		return []fleet.Reason{{Kind: fleet.Blocking, Code: fleet.ReasonCustody, Form: "elsewhere", Args: map[string]string{"depot": p.depots[at]}}}
	}
	if r.end == r.depot.ID {
		return nil
	}
	if next, ok := p.next(unit, r); ok && next.From != r.end {
		return []fleet.Reason{{Kind: fleet.Blocking, Code: fleet.ReasonPromise, Form: "onward", Args: map[string]string{"depot": p.depots[next.From]}}}
	}
	return nil
}

// told is astray in the words that somebody may hear: of a booking behind a wall only until when the unit is promised.
func (p *pool) told(unit ident.ID, r request, sees func(client ident.ID) bool) []fleet.Reason {
	reasons := p.astray(unit, r)
	next, ok := p.next(unit, r)
	for i := range reasons {
		if reasons[i].Code == fleet.ReasonPromise && ok && !sees(next.Client) {
			until := next.Span.To.In(p.units[unit].Depot.Location()).Format(dayForm + ", " + timeForm + " MST")
			reasons[i].Form, reasons[i].Args = "promise-walled", map[string]string{"until": until}
		}
	}
	return reasons
}

// next is the first other promise of the unit after the request.
func (p *pool) next(unit ident.ID, r request) (Claim, bool) {
	var first Claim
	found := false
	for _, c := range p.claims[unit] {
		if c.Booking != r.booking && !c.Span.From.Before(r.whole().To) && (!found || c.Span.From.Before(first.Span.From)) {
			first, found = c, true
		}
	}
	return first, found
}
