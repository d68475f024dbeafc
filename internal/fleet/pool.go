package fleet

import (
	"slices"
	"sync/atomic"
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// Pool answers for all units at once from memory. It is safe for concurrent use and never changes: With makes a new one that
// shares what stayed the same. It is a copy of what is stored, never the authority: a promise is checked again where it is kept.
type Pool struct {
	entries []*entry // ordered by tag
	index   map[ident.ID]int
	sees    func(ident.ID) bool
}

// entry keeps a unit's dossier with the timeline last laid for it.
type entry struct {
	d     Dossier
	loc   *time.Location
	key   string
	lines *supplyLines
	laid  atomic.Pointer[timeline]
}

// supplyLines reads each charger's power once for all units that stood on it.
type supplyLines struct {
	at    int64
	lines map[ident.ID]*powerLine
}

// NewPool builds the index as known at the moment; questions as of other moments are answered too, more slowly.
func NewPool(dossiers []Dossier, at time.Time) *Pool {
	p := &Pool{sees: seesAll}
	return p.With(dossiers, nil, at)
}

// With gives a pool in which the dossiers stand for their units and the units in gone are absent.
func (p *Pool) With(dossiers []Dossier, gone []ident.ID, at time.Time) *Pool {
	fresh := make(map[ident.ID]bool, len(dossiers)+len(gone))
	for _, id := range gone {
		fresh[id] = true
	}
	for i := range dossiers {
		fresh[dossiers[i].Unit.ID] = true
	}
	next := &Pool{sees: p.sees, entries: make([]*entry, 0, len(p.entries)+len(dossiers))}
	for _, e := range p.entries {
		if !fresh[e.d.Unit.ID] {
			next.entries = append(next.entries, e)
		}
	}
	next.add(dossiers, at.UnixMilli())
	slices.SortFunc(next.entries, func(a, b *entry) int { return compareKeys(a, b) })
	next.index = make(map[ident.ID]int, len(next.entries))
	for i, e := range next.entries {
		next.index[e.d.Unit.ID] = i
	}
	return next
}

func compareKeys(a, b *entry) int {
	if a.key != b.key {
		if a.key < b.key {
			return -1
		}
		return 1
	}
	return slices.Compare(a.d.Unit.ID[:], b.d.Unit.ID[:])
}

func (p *Pool) add(dossiers []Dossier, at int64) {
	zones := map[string]*time.Location{}
	lines := &supplyLines{at: at, lines: map[ident.ID]*powerLine{}}
	for i := range dossiers {
		d := dossiers[i]
		loc := zones[d.Depot.Zone]
		if loc == nil {
			loc = d.Depot.Location()
			zones[d.Depot.Zone] = loc
		}
		for id, s := range d.Power {
			if lines.lines[id] == nil {
				l := linePower(s, at)
				lines.lines[id] = &l
			}
		}
		e := &entry{d: d, loc: loc, key: TagKey(d.Unit.Tag), lines: lines}
		e.laid.Store(lay(&e.d, loc, at, e.power(at)))
		p.entries = append(p.entries, e)
	}
}

// power gives the lines shared by all units, as long as they answer for the moment.
func (e *entry) power(at int64) func(ident.ID) *powerLine {
	own := powerOf(e.d.Power, at)
	return func(id ident.ID) *powerLine {
		if l := e.lines.lines[id]; l != nil && l.from <= at && at < l.until {
			return l
		}
		return own(id)
	}
}

// at gives the timeline that answers for the moment: the one kept, or one laid anew. Only a timeline that holds longer than
// its own moment is kept.
func (e *entry) at(ms int64) *timeline {
	t := e.laid.Load()
	if t.holdsAt(ms) {
		return t
	}
	t = lay(&e.d, e.loc, ms, e.power(ms))
	if t.until > ms+1 {
		e.laid.Store(t)
	}
	return t
}

// View is the pool as an account sees it: client-owned units of other clients are absent, and across a client wall a promise
// says only until when.
func (p *Pool) View(sees func(client ident.ID) bool) *Pool {
	hidden := slices.ContainsFunc(p.entries, func(e *entry) bool { return !sees(e.d.Unit.Client) })
	if !hidden {
		return &Pool{sees: sees, entries: p.entries, index: p.index}
	}
	v := &Pool{sees: sees, index: make(map[ident.ID]int, len(p.entries))}
	for _, e := range p.entries {
		if sees(e.d.Unit.Client) {
			v.index[e.d.Unit.ID] = len(v.entries)
			v.entries = append(v.entries, e)
		}
	}
	return v
}

// Len counts the units.
func (p *Pool) Len() int { return len(p.entries) }

// Units lists the identifiers in the order of their tags.
func (p *Pool) Units() []ident.ID {
	ids := make([]ident.ID, len(p.entries))
	for i, e := range p.entries {
		ids[i] = e.d.Unit.ID
	}
	return ids
}

// Dossier gives the dossier of a unit, with what lies behind a wall taken out.
func (p *Pool) Dossier(unit ident.ID) (Dossier, bool) {
	i, ok := p.index[unit]
	if !ok {
		return Dossier{}, false
	}
	return p.entries[i].d.Behind(p.sees), true
}

// OnCharger lists the units that ever stood on the charger: what is learned of its power touches them.
func (p *Pool) OnCharger(charger ident.ID) []ident.ID {
	var ids []ident.ID
	for _, e := range p.entries {
		if _, ok := e.d.Power[charger]; ok {
			ids = append(ids, e.d.Unit.ID)
		}
	}
	return ids
}

// Verdict answers for one unit.
func (p *Pool) Verdict(unit ident.ID, span Span, at time.Time, soonDays int) (Verdict, bool) {
	i, ok := p.index[unit]
	if !ok {
		return Verdict{}, false
	}
	return p.entries[i].at(at.UnixMilli()).verdict(span, at, soonDays, p.sees), true
}

// Assess answers for every unit in words, in the order of tags.
func (p *Pool) Assess(span Span, at time.Time) []Verdict {
	all := make([]Verdict, len(p.entries))
	for i, e := range p.entries {
		all[i] = e.at(at.UnixMilli()).verdict(span, at, SoonDays, p.sees)
	}
	return all
}

// Brief is a verdict without words.
type Brief struct {
	Unit    ident.ID
	State   State
	Fit     bool
	Blocked bool
	Ends    civil.Date // see Verdict.CertEnds
	codes   uint16
}

// Has reports whether a reason of the code stands.
func (b Brief) Has(c ReasonCode) bool {
	i := slices.Index(codeNames[:], c)
	return i >= 0 && b.codes&(1<<i) != 0
}

// Scan answers for every unit without words, in the order of tags: the whole rules, promises, custody, holds, certificates,
// charge and memory, at the cost of a few look-ups a unit.
func (p *Pool) Scan(span Span, at time.Time, soonDays int) []Brief {
	from, to, ms := span.From.UnixMilli(), span.To.UnixMilli(), at.UnixMilli()
	all := make([]Brief, len(p.entries))
	buf := make([]finding, 0, 32)
	var horizon soonHorizon
	for i, e := range p.entries {
		t := e.at(ms)
		buf = t.find(from, to, buf[:0])
		set := codes(buf)
		ends := t.cover.endsAt(from)
		soon := set&(1<<codeCertificate) == 0 && !ends.IsZero() && !ends.After(horizon.day(e.loc, from, soonDays))
		all[i] = Brief{Unit: e.d.Unit.ID, State: t.state(buf, from, soon), Fit: set == 0, Blocked: set&blockingCodes != 0, Ends: ends, codes: set}
	}
	return all
}

// soonHorizon remembers the last day that counts as soon in the zone asked for last.
type soonHorizon struct {
	loc  *time.Location
	last civil.Date
}

func (h *soonHorizon) day(loc *time.Location, from int64, days int) civil.Date {
	if h.loc != loc {
		h.loc, h.last = loc, civil.Of(time.UnixMilli(from).In(loc)).AddDays(days)
	}
	return h.last
}
