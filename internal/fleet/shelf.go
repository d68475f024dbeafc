package fleet

import (
	"cmp"
	"context"
	"encoding/base64"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// ShelfQuery asks what is fit for the span. Zero fields select everything.
type ShelfQuery struct {
	Span     Span
	At       time.Time // as known at; zero: now
	States   []State
	Kinds    []Kind
	Depot    ident.ID // home
	Kit      ident.ID
	Text     string // words, all of which must occur in tag, serial, model, maker, kit or a certificate number
	SoonDays int    // 0: SoonDays
	After    string // ShelfPage.Next of the page before
	Limit    int    // 1 to 500; 0: 50
}

// ShelfRow is one unit on the shelf.
type ShelfRow struct {
	Unit     Unit      `json:"unit"`
	Model    Model     `json:"model"`
	Depot    Depot     `json:"depot"`
	Kit      ident.ID  `json:"kit,omitzero"`
	KitCode  string    `json:"kit_code,omitempty"`
	Place    Place     `json:"place"` // at the start of the span, as known
	Verdict  Verdict   `json:"verdict"`
	Outlook  []Stretch `json:"outlook"`  // the eight weeks from the start of the span
	Promises []Promise `json:"promises"` // in those weeks
}

// OutlookDays is how far a shelf row looks ahead.
const OutlookDays = 56

// ShelfPage is one page of the shelf: units that need a person first, then by tag.
type ShelfPage struct {
	Rows   []ShelfRow    `json:"rows"`
	Counts map[State]int `json:"counts"` // by state, over all filters but the states themselves
	All    int           `json:"all"`    // the sum of Counts
	Fit    int           `json:"fit"`    // of those, without any reason against them: fit and due soon
	Total  int           `json:"total"`  // rows on all pages
	Next   string        `json:"next,omitempty"`
}

// Shelf answers for everything in the pool that the actor sees.
func (k *Keeper) Shelf(ctx context.Context, who access.Actor, q ShelfQuery) (ShelfPage, error) {
	known := q.At
	q, after, err := k.ask(q)
	if err != nil {
		return ShelfPage{}, err
	}
	var page ShelfPage
	err = k.View(ctx, who, func(s Store) error {
		pool, err := s.Pool(Span{q.Span.From, later(q.Span.To, q.Span.From.AddDate(0, 0, OutlookDays))}, known)
		if err == nil {
			page = pool.shelf(q, after)
		}
		return err
	})
	return page, err
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (k *Keeper) ask(q ShelfQuery) (ShelfQuery, shelfPlace, error) {
	c := checker{what: "the question"}
	if !q.Span.Valid() {
		c.bad("span", "must end after it starts")
	}
	if q.At.IsZero() {
		q.At = k.now()
	}
	if q.SoonDays == 0 {
		q.SoonDays = SoonDays
	}
	if q.Limit == 0 {
		q.Limit = 50
	}
	c.between("limit", q.Limit, 1, 500, "rows")
	c.between("soon_days", q.SoonDays, 0, 3650, "days")
	c.line("text", &q.Text, MaxName, false)
	for _, s := range q.States {
		if s.Need() < 0 {
			c.bad("states", "has no state %q", s)
		}
	}
	after, ok := readPlace(q.After)
	if !ok {
		c.bad("after", "is no place on the shelf; begin at the first page")
	}
	return q, after, c.err()
}

// shelfPlace is where a row stands in the order of the shelf.
type shelfPlace struct {
	need int
	key  string
	unit ident.ID
	set  bool
}

func (p shelfPlace) compare(o shelfPlace) int {
	return cmp.Or(cmp.Compare(p.need, o.need), strings.Compare(p.key, o.key), slices.Compare(p.unit[:], o.unit[:]))
}

func (p shelfPlace) String() string {
	return base64.RawURLEncoding.EncodeToString([]byte(strconv.Itoa(p.need) + "\x00" + p.key + "\x00" + string(p.unit[:])))
}

func readPlace(s string) (p shelfPlace, ok bool) {
	if s == "" {
		return p, true
	}
	raw, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil || len(raw) < len(p.unit) {
		return p, false
	}
	copy(p.unit[:], raw[len(raw)-len(p.unit):])
	need, key, found := strings.Cut(string(raw[:len(raw)-len(p.unit)]), "\x00")
	p.need, err = strconv.Atoi(need)
	p.key, p.set = strings.TrimSuffix(key, "\x00"), true
	return p, found && err == nil
}

// shelf filters, counts, orders and cuts the page.
func (p *Pool) shelf(q ShelfQuery, after shelfPlace) ShelfPage {
	page := ShelfPage{Counts: map[State]int{}, Rows: []ShelfRow{}}
	words := strings.Fields(FoldTag(q.Text))
	ranks := make([][]shelfPlace, len(States())) // by need; within one the entries come in the order of their tags
	for i, b := range p.Scan(q.Span, q.At, q.SoonDays) {
		e := p.entries[i]
		if !e.answers(q, words) {
			continue
		}
		page.Counts[b.State]++
		page.All++
		if b.Fit {
			page.Fit++
		}
		if len(q.States) > 0 && !slices.Contains(q.States, b.State) {
			continue
		}
		page.Total++
		if at := (shelfPlace{b.State.Need(), e.key, b.Unit, true}); !after.set || at.compare(after) > 0 {
			ranks[at.need] = append(ranks[at.need], at)
		}
	}
	places := slices.Concat(ranks...)
	if len(places) > q.Limit {
		places = places[:q.Limit]
		page.Next = places[q.Limit-1].String()
	}
	for _, at := range places {
		page.Rows = append(page.Rows, p.row(p.index[at.unit], q))
	}
	return page
}

func (e *entry) answers(q ShelfQuery, words []string) bool {
	d := &e.d
	return (len(q.Kinds) == 0 || slices.Contains(q.Kinds, d.Model.Kind)) &&
		(q.Depot.IsZero() || q.Depot == d.Unit.Depot) && (q.Kit.IsZero() || q.Kit == d.Kit) && e.speaksOf(words)
}

// speaksOf reports whether all words occur in what people call the unit.
func (e *entry) speaksOf(words []string) bool {
	if len(words) == 0 {
		return true
	}
	d := &e.d
	names := []string{d.Unit.Tag, d.Unit.Serial, d.Unit.Microphone, d.Model.Name, d.Model.Maker, d.KitCode}
	for _, l := range d.Lines {
		names = append(names, l.Number)
	}
	all := FoldTag(strings.Join(names, "\x00"))
	return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(all, w) })
}

func (p *Pool) row(i int, q ShelfQuery) ShelfRow {
	e := p.entries[i]
	d := e.d.Behind(p.sees)
	ahead := Span{q.Span.From, q.Span.From.AddDate(0, 0, OutlookDays)}
	t := e.at(q.At.UnixMilli())
	row := ShelfRow{Unit: d.Unit, Model: d.Model, Depot: d.Depot, Kit: d.Kit, KitCode: d.KitCode,
		Place: Whereabouts(d, earlier(q.Span.From, q.At), q.At), Verdict: t.verdict(q.Span, q.At, q.SoonDays, p.sees),
		Outlook: t.outlook(ahead), Promises: []Promise{}}
	for _, i := range t.promises {
		if x := d.Promises[i]; x.Span.Overlaps(ahead) {
			row.Promises = append(row.Promises, x)
		}
	}
	return row
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// Stretch is a run of days of the depot on which a unit stands fit or not, promises and charge aside.
type Stretch struct {
	Span Span `json:"span"`
	Fit  bool `json:"fit"`
	Away bool `json:"away"` // not fit because it is not there: out, at the laboratory, lost, retired
}

// Outlook tells day by day of the depot's zone whether anything but promises and work stands against the unit.
func Outlook(d Dossier, span Span, at time.Time) []Stretch {
	ms := at.UnixMilli()
	return lay(&d, d.Depot.Location(), ms, powerOf(d.Power, ms)).outlook(span)
}

func (t *timeline) outlook(span Span) []Stretch {
	var all []Stretch
	buf := make([]finding, 0, 16)
	for from := span.From; from.Before(span.To); {
		to := earlier(civil.Of(from.In(t.loc)).End(t.loc).UTC(), span.To)
		buf = emitHolds(t.holds, from.UnixMilli(), to.UnixMilli(), buf[:0])
		buf = emitCustody(t.stays, t.facts, t.d.For, from.UnixMilli(), to.UnixMilli(), buf)
		buf = t.cover.emit(from.UnixMilli(), to.UnixMilli(), buf)
		buf = t.emitHire(from.UnixMilli(), to.UnixMilli(), buf)
		next := Stretch{Span: Span{from, to}, Fit: len(buf) == 0, Away: codes(buf)&(1<<codeCustody) != 0}
		if n := len(all); n > 0 && all[n-1].Fit == next.Fit && all[n-1].Away == next.Away {
			all[n-1].Span.To = to
		} else {
			all = append(all, next)
		}
		from = to
	}
	return all
}

// UnitView is everything about one unit, for its page.
type UnitView struct {
	Dossier     Dossier      `json:"dossier"`
	Verdict     Verdict      `json:"verdict"`
	Place       Place        `json:"place"`
	Memberships []Membership `json:"memberships"`
	Outlook     []Stretch    `json:"outlook"`
	Gone        []ident.ID   `json:"gone,omitempty"` // facts that are retracted, as known at the moment
	Lost        []ident.ID   `json:"lost,omitempty"` // wears whose data were cleared unread
}

// Unit answers for one unit; at zero means as known now. Absent and behind a wall answer alike: fault.NotThere.
func (k *Keeper) Unit(ctx context.Context, who access.Actor, tag string, span Span, at time.Time) (UnitView, error) {
	q, _, err := k.ask(ShelfQuery{Span: span, At: at})
	if err != nil {
		return UnitView{}, err
	}
	var v UnitView
	err = k.View(ctx, who, func(s Store) error {
		u, err := s.UnitByTag(tag)
		if err != nil {
			return err
		}
		ds, err := s.Dossiers([]ident.ID{u.ID}, q.At)
		if err != nil || len(ds) == 0 {
			return cmp.Or[error](err, fault.New(fault.NotThere, "noun", "unit"))
		}
		v = view(ds[0], q)
		v.Memberships, err = s.MembershipsOf([]ident.ID{u.ID})
		return err
	})
	return v, err
}

func view(d Dossier, q ShelfQuery) UnitView {
	ahead := Span{q.Span.From, q.Span.From.AddDate(0, 0, OutlookDays)}
	v := UnitView{Dossier: d, Verdict: Assess(d, q.Span, q.At), Place: Whereabouts(d, earlier(q.Span.From, q.At), q.At),
		Outlook: Outlook(d, ahead, q.At), Lost: ClearedUnread(d, q.At)}
	gone := retracted(d.Facts, q.At.UnixMilli())
	for _, f := range d.Facts {
		if gone[f.ID] {
			v.Gone = append(v.Gone, f.ID)
		}
	}
	return v
}

// KitView is everything about one kit, for its page.
type KitView struct {
	Verdict     KitVerdict   `json:"verdict"`
	Depot       Depot        `json:"depot"`
	Rows        []ShelfRow   `json:"rows"`
	Memberships []Membership `json:"memberships"` // past and present
}

// Kit answers for one kit by the units in it at the start of the span; at zero means as known now.
func (k *Keeper) Kit(ctx context.Context, who access.Actor, code string, span Span, at time.Time) (KitView, error) {
	q, _, err := k.ask(ShelfQuery{Span: span, At: at})
	if err != nil {
		return KitView{}, err
	}
	var v KitView
	err = k.View(ctx, who, func(s Store) error {
		kit, err := s.KitByCode(code)
		if err != nil {
			return err
		}
		if v.Depot, err = s.Depot(kit.Depot); err != nil {
			return err
		}
		if v.Memberships, err = s.Memberships(kit.ID); err != nil {
			return err
		}
		units, changes := Composition(v.Memberships, kit.ID, span, q.At)
		ds, err := s.Dossiers(units, q.At)
		if err != nil {
			return err
		}
		v.Verdict = AssessKit(kit, ds, span, q.At)
		v.Verdict.Changes = changes
		pool := NewPool(ds, q.At)
		for i := range ds {
			v.Rows = append(v.Rows, pool.row(i, q))
		}
		return nil
	})
	return v, err
}

// Models lists the models by name.
func (k *Keeper) Models(ctx context.Context, who access.Actor) ([]Model, error) {
	return look(ctx, k, who, Store.Models)
}

// Depots lists the depots by name.
func (k *Keeper) Depots(ctx context.Context, who access.Actor) ([]Depot, error) {
	return look(ctx, k, who, Store.Depots)
}

// Laboratories lists the laboratories by name.
func (k *Keeper) Laboratories(ctx context.Context, who access.Actor) ([]Laboratory, error) {
	return look(ctx, k, who, Store.Laboratories)
}

// Kits lists the kits of a depot (zero: of all) by code.
func (k *Keeper) Kits(ctx context.Context, who access.Actor, depot ident.ID) ([]Kit, error) {
	return look(ctx, k, who, func(s Store) ([]Kit, error) { return s.Kits(depot) })
}

// Certificate gives one certificate with the lines of units the actor sees.
func (k *Keeper) Certificate(ctx context.Context, who access.Actor, id ident.ID) (Certificate, error) {
	return look(ctx, k, who, func(s Store) (Certificate, error) { return s.Certificate(id) })
}

func look[T any](ctx context.Context, k *Keeper, who access.Actor, read func(Store) (T, error)) (T, error) {
	var v T
	err := k.View(ctx, who, func(s Store) (err error) {
		v, err = read(s)
		return err
	})
	return v, err
}
