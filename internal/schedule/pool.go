package schedule

import (
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Claim is a promise as placement sees it: across every wall, never to be shown as it is.
type Claim struct {
	Unit    ident.ID
	Booking ident.ID
	Client  ident.ID
	Number  int
	Owner   string
	Pinned  bool
	Span    fleet.Span
	From    ident.ID // depot it starts in
	To      ident.ID // depot it ends in
}

// request is what placement has to find units for.
type request struct {
	booking    ident.ID
	spans      []fleet.Span
	client     ident.ID
	fixed      []ident.ID // exactly these
	dosimeters int        // or any of the depot
	calibrator bool
	keep       []ident.ID  // units it has already, preferred
	depot      fleet.Depot // start
	end        ident.ID    // depot it ends in
}

// whole is the span from the first start to the last end.
func (r request) whole() fleet.Span {
	return fleet.Span{From: r.spans[0].From, To: r.spans[len(r.spans)-1].To}
}

// pool is one moment's picture of the units and promises that placement may look at. Trials change only its claims and can be
// undone.
type pool struct {
	now    time.Time
	margin int
	units  map[ident.ID]*fleet.Dossier
	order  []ident.ID                 // by tag
	claims map[ident.ID][]Claim       // by unit
	movers map[ident.ID]Booking       // bookings whose unpinned units may be exchanged
	has    map[ident.ID][]ident.ID    // their units as they stand in this trial
	trips  map[ident.ID][]Claim       // by unit: promises that take it to another depot, by their end
	depots map[ident.ID]string        // names
	judged map[judgedKey]judgement    //
	used   map[ident.ID]time.Duration // promised time of late, for even use
	log    []undo                     // what a trial changed
	moves  []move                     //
	budget int                        // exchanges still to be tried
}

type judgedKey struct {
	unit, booking ident.ID
	from, to      int64
	parts         int
}

// judgement is what fitness, promises left aside, says of a unit for the spans of a request.
type judgement struct {
	blocked bool
	open    bool // work is open that can no longer be planned before the start
	notes   []fleet.Reason
	ends    civil.Date // last covered day at the last span; zero: no certificate is needed
}

type undo struct {
	unit    ident.ID
	claims  []Claim
	booking ident.ID
	has     []ident.ID
	moves   int
}

type move struct{ booking, from, to ident.ID }

// exchanges bounds the search for exchanges of one question; what is not found within it counts as impossible.
const exchanges = 2000

// depth bounds a chain of exchanges.
const depth = 4

func newPool(now time.Time, margin int, dossiers []fleet.Dossier, claims []Claim, used map[ident.ID]time.Duration) *pool {
	p := &pool{
		now: now, margin: margin, used: used, units: make(map[ident.ID]*fleet.Dossier, len(dossiers)),
		claims: map[ident.ID][]Claim{}, movers: map[ident.ID]Booking{}, has: map[ident.ID][]ident.ID{}, judged: map[judgedKey]judgement{},
	}
	for i := range dossiers {
		p.units[dossiers[i].Unit.ID] = &dossiers[i]
		p.order = append(p.order, dossiers[i].Unit.ID)
	}
	slices.SortFunc(p.order, func(a, b ident.ID) int { return compareTags(p.units[a], p.units[b]) })
	for _, c := range claims {
		p.claims[c.Unit] = append(p.claims[c.Unit], c)
	}
	return p
}

// mayMove lets placement exchange the unpinned units of these bookings: asked for by number, not yet
// being packed, back where they start.
func (p *pool) mayMove(bookings []Booking) {
	for _, b := range bookings {
		if b.Ask.Dosimeters > 0 && b.StartDepot == b.EndDepot && (b.State == Promised || b.State == AtRisk) && b.Whole().From.After(p.now) {
			p.movers[b.ID], p.has[b.ID] = b, b.UnitIDs()
		}
	}
}

// judge asks fitness once for each unit and request.
func (p *pool) judge(unit ident.ID, r request) judgement {
	whole := r.whole()
	k := judgedKey{unit, r.booking, whole.From.UnixMilli(), whole.To.UnixMilli(), len(r.spans)}
	if j, ok := p.judged[k]; ok {
		return j
	}
	d := *p.units[unit]
	d.For = r.booking
	j := judgement{blocked: len(p.astray(unit, r)) > 0}
	for _, span := range r.spans {
		v := fleet.Assess(d, clip(span, p.now), p.now)
		j.ends = v.CertEnds
		for _, reason := range v.Reasons {
			switch reason.Kind {
			case fleet.Blocking:
				j.blocked = true
			case fleet.Work:
				j.open = j.open || !span.From.After(p.now)
			case fleet.Unknown:
				j.notes = append(j.notes, reason)
			}
		}
	}
	j.notes = slices.CompactFunc(j.notes, func(a, b fleet.Reason) bool { return a.Code == b.Code && a.Form == b.Form })
	p.judged[k] = j
	return j
}

// clip leaves out what of a span is past: where a unit was before now does not matter any more.
func clip(span fleet.Span, now time.Time) fleet.Span {
	if span.From.Before(now) && now.Before(span.To) {
		span.From = now
	}
	return span
}

// inTheWay lists the other bookings' claims on the unit that overlap any of the spans.
func (p *pool) inTheWay(unit ident.ID, r request) []Claim {
	var found []Claim
	for _, c := range p.claims[unit] {
		if c.Booking != r.booking && slices.ContainsFunc(r.spans, c.Span.Overlaps) {
			found = append(found, c)
		}
	}
	return found
}

func (p *pool) free(unit ident.ID, r request) bool { return len(p.inTheWay(unit, r)) == 0 }

// mark and back let a trial be undone.
func (p *pool) mark() int { return len(p.log) }

func (p *pool) back(mark int) {
	for i := len(p.log) - 1; i >= mark; i-- {
		u := p.log[i]
		if u.booking.IsZero() {
			p.claims[u.unit] = u.claims
			continue
		}
		p.has[u.booking], p.moves = u.has, p.moves[:u.moves]
	}
	p.log = p.log[:mark]
}

// give puts the request's claims on the unit.
func (p *pool) give(unit ident.ID, r request) {
	old := p.claims[unit]
	p.log = append(p.log, undo{unit: unit, claims: old})
	now := make([]Claim, len(old), len(old)+len(r.spans))
	copy(now, old)
	for _, span := range r.spans {
		now = append(now, Claim{Unit: unit, Booking: r.booking, Client: r.client, Pinned: true, Span: span, From: r.depot.ID, To: r.end})
	}
	p.claims[unit] = now
}

// drop takes a booking's claims off the unit.
func (p *pool) drop(unit, booking ident.ID) {
	old := p.claims[unit]
	p.log = append(p.log, undo{unit: unit, claims: old})
	p.claims[unit] = slices.DeleteFunc(slices.Clone(old), func(c Claim) bool { return c.Booking == booking })
}

// swap notes that a booking has another unit now.
func (p *pool) swap(m move) {
	p.log = append(p.log, undo{booking: m.booking, has: p.has[m.booking], moves: len(p.moves)})
	has := slices.Clone(p.has[m.booking])
	has[slices.Index(has, m.from)] = m.to
	p.has[m.booking] = has
	p.moves = append(p.moves, m)
}

// take gives the unit to the request; claims in the way are moved to other units where that is allowed. It changes nothing
// when it fails.
func (p *pool) take(unit ident.ID, r request, deep int) bool {
	mark := p.mark()
	p.give(unit, r)
	if !p.clear(unit, r, deep) {
		p.back(mark)
		return false
	}
	return true
}

// clear moves every claim in the way of the request off the unit.
func (p *pool) clear(unit ident.ID, r request, deep int) bool {
	for claims := p.inTheWay(unit, r); len(claims) > 0; claims = p.inTheWay(unit, r) {
		if !p.moveOff(unit, claims[0], deep) {
			return false
		}
	}
	return true
}

// moveOff finds another unit for the booking that holds the claim: a free one first, else one that can be made free.
func (p *pool) moveOff(unit ident.ID, c Claim, deep int) bool {
	b, ok := p.movers[c.Booking]
	if !ok || c.Pinned || deep == 0 {
		return false
	}
	r := b.request(fleet.Depot{ID: b.StartDepot, Zone: p.units[unit].Depot.Zone})
	p.drop(unit, b.ID)
	candidates := p.candidates(p.units[unit].Model.Kind, r, p.has[b.ID])
	for _, to := range candidates {
		if p.free(to, r) {
			p.give(to, r)
			p.swap(move{b.ID, unit, to})
			return true
		}
	}
	for _, to := range candidates {
		if p.budget--; p.budget < 0 {
			return false
		}
		mark := p.mark()
		p.swap(move{b.ID, unit, to}) // first, so that a longer chain does not give the booking this unit once more
		if p.take(to, r, deep-1) {
			return true
		}
		p.back(mark)
	}
	return false
}

// request is the booking's own request, for finding it other units.
func (b Booking) request(depot fleet.Depot) request {
	return request{
		booking: b.ID, spans: b.Spans(), client: b.Client, dosimeters: b.Ask.Dosimeters, calibrator: b.Ask.Calibrator, keep: b.UnitIDs(),
		depot: depot, end: b.EndDepot,
	}
}

// candidates lists the units of a kind in the request's depot that fitness does not forbid, best first.
func (p *pool) candidates(kind fleet.Kind, r request, but []ident.ID) []ident.ID {
	var found []ident.ID
	for _, id := range p.order {
		d := p.units[id]
		if d.Model.Kind == kind && suits(d.Unit, r.client) && !slices.Contains(but, id) && !p.judge(id, r).blocked {
			found = append(found, id)
		}
	}
	p.rank(found, r)
	return found
}

// suits: a client's own unit serves that client only.
func suits(u fleet.Unit, client ident.ID) bool { return u.Client.IsZero() || u.Client == client }

// promises gives the unit's claims in the way as fitness takes them, in order.
func (p *pool) promises(unit ident.ID, r request) []fleet.Promise {
	var all []fleet.Promise
	for _, c := range p.inTheWay(unit, r) {
		all = append(all, fleet.Promise{Unit: unit, Booking: c.Booking, Client: c.Client, Span: c.Span, Label: Label(c.Number) + ", " + c.Owner})
	}
	slices.SortFunc(all, func(a, b fleet.Promise) int { return a.Span.From.Compare(b.Span.From) })
	return all
}
