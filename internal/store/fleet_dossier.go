package store

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// inLists runs a query over lists of identifiers of few lengths, so that few statements are kept: the last list is filled up
// by repeating its last identifier.
func inLists[T any](ids []ident.ID, query func(in string, args []any) ([]T, error)) ([]T, error) {
	var all []T
	for part := range slices.Chunk(ids, listLength) {
		size := 1
		for size < len(part) {
			size *= 2
		}
		args := arguments(part)
		for len(args) < size {
			args = append(args, args[len(args)-1])
		}
		some, err := query("("+marks(size)+")", args)
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	return all, nil
}

func sortedIDs(ids []ident.ID) []ident.ID {
	sorted := slices.Clone(ids)
	slices.SortFunc(sorted, func(a, b ident.ID) int { return slices.Compare(a[:], b[:]) })
	return slices.Compact(sorted)
}

// dossierLoad reads the dossiers of some units, or of all, in a fixed number of queries.
type dossierLoad struct {
	tx    *Tx
	ids   []ident.ID // nil: all
	known time.Time  // entered by then; zero: everything
	since time.Time  // promises that end later; zero: all
	all   []fleet.Dossier
	place map[ident.ID]int
	later []ident.ID             // units written anew after the moment
	next  map[ident.ID]time.Time // when the kit of a unit changes by itself
}

// Dossiers implements fleet.Store.
func (tx *Tx) Dossiers(ids []ident.ID, at time.Time) ([]fleet.Dossier, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	l := dossierLoad{tx: tx, ids: ids, known: at}
	if err := l.run(); err != nil {
		return nil, err
	}
	found := make([]fleet.Dossier, 0, len(ids))
	for _, id := range ids {
		if i, ok := l.place[id]; ok && tx.who.Scope.Sees(l.all[i].Unit.Client) {
			found = append(found, l.all[i].Behind(tx.who.Scope.Sees))
		}
	}
	return found, nil
}

func (l *dossierLoad) run() error {
	l.place, l.next = map[ident.ID]int{}, map[ident.ID]time.Time{}
	for _, step := range []func() error{l.units, l.earlier, l.rules, l.kits, l.facts, l.lines, l.promises, l.power} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// where runs a query for the units at hand; column names their identifier.
func where[T any](l *dossierLoad, query, column, rest string, more []any, scan func(scanner, *T) error) error {
	add := func(in string, args []any) ([]T, error) {
		return list(l.tx, query+in+rest, append(slices.Clip(args), more...), scan)
	}
	if l.ids == nil {
		_, err := add("1=1", nil)
		return err
	}
	_, err := inLists(sortedIDs(l.ids), func(in string, args []any) ([]T, error) { return add(column+" IN "+in, args) })
	return err
}

func (l *dossierLoad) units() error {
	return where(l, "SELECT "+unitColumns+", u.changed FROM unit u WHERE ", "u.id", "", nil, func(s scanner, u *fleet.Unit) error {
		var changed instant
		err := scanUnit(func(dest ...any) error { return s(append(dest, &changed)...) }, u)
		if !l.known.IsZero() && changed.time().After(l.known) {
			l.later = append(l.later, u.ID)
		}
		l.place[u.ID] = len(l.all)
		l.all = append(l.all, fleet.Dossier{Unit: *u})
		return err
	})
}

// of gives the dossier of a unit. A row of a unit that came in between two queries finds none.
func (l *dossierLoad) of(unit ident.ID) *fleet.Dossier {
	if i, ok := l.place[unit]; ok {
		return &l.all[i]
	}
	return &fleet.Dossier{}
}

// version is an earlier state of a noun.
type version struct {
	id    key
	state []byte
}

// versions gives the states of the nouns that were in force at the moment; of what was not entered yet, the first.
func (l *dossierLoad) versions(noun string, ids []ident.ID) ([]version, error) {
	return inLists(sortedIDs(ids), func(in string, args []any) ([]version, error) {
		return list(l.tx, `SELECT v.noun_id, v.state FROM noun_version v WHERE v.noun = ? AND v.noun_id IN `+in+` AND v.version = COALESCE(
			(SELECT MAX(o.version) FROM noun_version o WHERE o.noun = v.noun AND o.noun_id = v.noun_id AND o.entered <= ?), 1)`,
			append(append([]any{noun}, args...), l.known), func(s scanner, v *version) error { return s(&v.id, &v.state) })
	})
}

// earlier puts units back to how they were written at the moment; who may see them is decided by how they are written now.
func (l *dossierLoad) earlier() error {
	versions, err := l.versions("unit", l.later)
	for _, v := range versions {
		i, ok := l.place[ident.ID(v.id)]
		if !ok {
			continue
		}
		var u fleet.Unit
		if err := json.Unmarshal(v.state, &u); err != nil {
			return translate(err)
		}
		u.Client = l.all[i].Unit.Client
		l.all[i].Unit = u
	}
	return err
}

// rules fills in models and depots as they were written at the moment.
func (l *dossierLoad) rules() error {
	models, err := rulesOf(l, "model", (*Tx).Models, func(m fleet.Model) ident.ID { return m.ID })
	if err != nil {
		return err
	}
	depots, err := rulesOf(l, "depot", (*Tx).Depots, func(d fleet.Depot) ident.ID { return d.ID })
	if err != nil {
		return err
	}
	for i := range l.all {
		l.all[i].Model, l.all[i].Depot = models[l.all[i].Unit.Model], depots[l.all[i].Unit.Depot]
	}
	return nil
}

func rulesOf[T any](l *dossierLoad, noun string, now func(*Tx) ([]T, error), id func(T) ident.ID) (map[ident.ID]T, error) {
	present, err := now(l.tx)
	if err != nil {
		return nil, err
	}
	all := make(map[ident.ID]T, len(present))
	for _, v := range present {
		all[id(v)] = v
	}
	if l.known.IsZero() {
		return all, nil
	}
	later, err := list(l.tx, "SELECT id FROM "+noun+" WHERE changed > ?", []any{l.known}, scanID)
	if err != nil {
		return nil, err
	}
	versions, err := l.versions(noun, later)
	for _, v := range versions {
		var old T
		if err := json.Unmarshal(v.state, &old); err != nil {
			return nil, translate(err)
		}
		all[ident.ID(v.id)] = old
	}
	return all, err
}

// kits fills in the kit a unit is in at the moment, and notes when that changes by itself.
func (l *dossierLoad) kits() error {
	at := l.known
	if at.IsZero() {
		at = l.tx.now()
	}
	type stay struct {
		fleet.Membership
		code string
	}
	return where(l, "SELECT "+memberColumns+", kit.code FROM kit_member k JOIN kit ON kit.id = k.kit_id WHERE ", "k.unit_id",
		" AND k.entered <= ? AND (k.ends IS NULL OR k.ends > ? OR k.ended > ?)", []any{at, at, at}, func(s scanner, m *stay) error {
			err := scanMember(func(dest ...any) error { return s(append(dest, &m.code)...) }, &m.Membership)
			if m.Ended.After(at) {
				m.To = time.Time{}
			}
			d := l.of(m.Unit)
			if !m.From.After(at) && (m.To.IsZero() || m.To.After(at)) {
				d.Kit, d.KitCode = m.Kit, m.code
			}
			for _, t := range []time.Time{m.From, m.To} {
				if next := l.next[m.Unit]; t.After(at) && (next.IsZero() || t.Before(next)) {
					l.next[m.Unit] = t
				}
			}
			return err
		})
}

func (l *dossierLoad) facts() error {
	rest, args := "", []any(nil)
	if !l.known.IsZero() {
		rest, args = " AND f.entered <= ?", []any{l.known}
	}
	return where(l, "SELECT "+factColumns+" FROM fact f WHERE ", "f.unit_id", rest+" ORDER BY f.unit_id, f.occurred, f.entered, f.id", args,
		func(s scanner, f *fleet.Fact) error {
			err := scanFact(s, f)
			d := l.of(f.Unit)
			d.Facts = append(d.Facts, *f)
			return err
		})
}

func (l *dossierLoad) lines() error {
	rest, args := "", []any(nil)
	if !l.known.IsZero() {
		rest, args = " AND c.entered <= ?", []any{l.known}
	}
	return where(l, "SELECT "+lineColumns+lineTables+" WHERE ", "l.unit_id", rest+" ORDER BY l.unit_id, c.calibrated, c.entered, l.id", args,
		func(s scanner, x *fleet.Line) error {
			err := scanLine(s, x)
			if !l.known.IsZero() && x.Superseded.After(l.known) {
				x.Superseded = time.Time{}
			}
			d := l.of(x.Unit)
			d.Lines = append(d.Lines, *x)
			return err
		})
}

// promises fills in what the desk promised and had not given up at the moment.
func (l *dossierLoad) promises() error {
	rest, args := " AND p.live = "+l.tx.yes(), []any(nil)
	if !l.known.IsZero() && l.known.Before(l.tx.now()) {
		rest, args = " AND p.entered <= ? AND (p.gone IS NULL OR p.gone > ?)", []any{l.known, l.known}
	}
	if !l.since.IsZero() {
		rest, args = rest+" AND p.ends_at > ?", append(args, l.since)
	}
	return where(l, `SELECT p.unit_id, p.booking_id, b.client_id, b.number, b.owner_name, p.starts_at, p.ends_at, p.entered
		FROM promises p JOIN bookings b ON b.id = p.booking_id WHERE `, "p.unit_id", rest+" ORDER BY p.unit_id, p.ends_at, p.starts_at", args,
		func(s scanner, p *fleet.Promise) error {
			var number int
			var owner string
			var from, to, entered instant
			err := s((*key)(&p.Unit), (*key)(&p.Booking), (*key)(&p.Client), &number, &owner, &from, &to, &entered)
			p.Span, p.Entered = fleet.Span{From: from.time(), To: to.time()}, entered.time()
			p.Label = fmt.Sprintf("B-%d, %s", number, owner)
			d := l.of(p.Unit)
			d.Promises = append(d.Promises, *p)
			return err
		})
}

// power reads the sightings of every charger that any of the units stood on, once.
func (l *dossierLoad) power() error {
	var chargers []ident.ID
	for i := range l.all {
		for _, f := range l.all[i].Facts {
			if on, ok := f.Body.(fleet.ChargeOn); ok {
				chargers = append(chargers, on.Charger)
			}
		}
	}
	supplies, err := l.tx.supplies(sortedIDs(chargers), l.known)
	if err != nil {
		return err
	}
	for i := range l.all {
		d := &l.all[i]
		for _, f := range d.Facts {
			if on, ok := f.Body.(fleet.ChargeOn); ok {
				if d.Power == nil {
					d.Power = map[ident.ID]fleet.Supply{}
				}
				d.Power[on.Charger] = supplies[on.Charger]
			}
		}
	}
	return nil
}

func (tx *Tx) supplies(chargers []ident.ID, known time.Time) (map[ident.ID]fleet.Supply, error) {
	supplies := make(map[ident.ID]fleet.Supply, len(chargers))
	_, err := inLists(chargers, func(in string, args []any) ([]fleet.Supply, error) {
		return list(tx, "SELECT u.id, u.tag, m.power_hours FROM unit u JOIN model m ON m.id = u.model_id WHERE u.id IN "+in, args,
			func(s scanner, x *fleet.Supply) error {
				var id key
				err := s(&id, &x.Tag, &x.Hours)
				supplies[ident.ID(id)] = *x
				return err
			})
	})
	if err != nil {
		return nil, err
	}
	rest := " AND f.kind IN ('power-seen', 'retracted')"
	if !known.IsZero() {
		rest += " AND f.entered <= ?"
	}
	_, err = inLists(chargers, func(in string, args []any) ([]fleet.Fact, error) {
		if !known.IsZero() {
			args = append(args, known)
		}
		return list(tx, "SELECT "+factColumns+" FROM fact f WHERE f.unit_id IN "+in+rest+" ORDER BY f.unit_id, f.occurred, f.entered, f.id", args,
			func(s scanner, f *fleet.Fact) error {
				err := scanFact(s, f)
				x := supplies[f.Unit]
				x.Facts = append(x.Facts, *f)
				supplies[f.Unit] = x
				return err
			})
	})
	return supplies, err
}
