package store

import (
	"encoding/json"
	"slices"
	"time"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

const bookingColumns = `b.body, b.title, b.owner_name, b.raw`

func scanBooking(s scanner, b *schedule.Booking) error {
	var body, title, owner string
	var raw []byte
	if err := s(&body, &title, &owner, &raw); err != nil {
		return err
	}
	if err := json.Unmarshal([]byte(body), b); err != nil {
		return err
	}
	b.Title, b.OwnerName, b.Calendar.Raw = title, owner, raw
	return nil
}

// bookingText is the booking as JSON without what may hold a name; that has columns of its own, which can be erased.
func bookingText(b schedule.Booking) (string, error) {
	b.Title, b.OwnerName, b.Calendar.Raw = "", "", nil
	text, err := json.Marshal(b)
	return string(text), err
}

// Booking implements schedule.Store.
func (tx *Tx) Booking(id ident.ID) (schedule.Booking, error) {
	cond, args := tx.scope("b.client_id")
	found, err := list(tx, "SELECT "+bookingColumns+" FROM bookings b WHERE b.id = ? AND "+cond, append([]any{id}, args...), scanBooking)
	if err == nil && len(found) == 0 {
		return schedule.Booking{}, fault.New(fault.NotThere, "noun", "booking")
	}
	if err != nil {
		return schedule.Booking{}, err
	}
	return found[0], nil
}

// BookingByUID implements schedule.Store. It looks across walls: whoever made the entry, its UID is taken.
func (tx *Tx) BookingByUID(collection ident.ID, uid string) (schedule.Booking, bool, error) {
	found, err := list(tx, "SELECT "+bookingColumns+" FROM bookings b WHERE b.collection_id = ? AND b.uid = ? AND b.state <> 'cancelled'",
		[]any{collection, uid}, scanBooking)
	if err != nil || len(found) == 0 {
		return schedule.Booking{}, false, err
	}
	return found[0], true, nil
}

// BookingsAcross implements schedule.Store.
func (tx *Tx) BookingsAcross(ids []ident.ID) ([]schedule.Booking, error) {
	return inLists(ids, func(in string, args []any) ([]schedule.Booking, error) {
		return list(tx, "SELECT "+bookingColumns+" FROM bookings b WHERE b.id IN "+in+" ORDER BY b.starts_at, b.id", args, scanBooking)
	})
}

// listLength bounds an IN list, well below what either database takes.
const listLength = 500

func arguments(ids []ident.ID) []any {
	args := make([]any, len(ids))
	for i, id := range ids {
		args[i] = key(id)
	}
	return args
}

// AccountName implements schedule.Store.
func (tx *Tx) AccountName(id ident.ID) (string, error) {
	var name string
	found, err := tx.row("SELECT name FROM account WHERE id = ?", []any{id}, &name)
	if err == nil && !found {
		err = fault.New(fault.NotThere, "noun", "account")
	}
	return name, err
}

// NextBookingNumber implements schedule.Store.
func (tx *Tx) NextBookingNumber() (int, error) {
	n, err := tx.next("booking")
	return int(n), err
}

// LockUnits implements schedule.Store. SQLite has one writer anyway.
func (tx *Tx) LockUnits(units []ident.ID) error {
	if tx.dialect != "postgres" || len(units) == 0 {
		return tx.guard(true)
	}
	_, err := inLists(sortedIDs(units), func(in string, args []any) ([]ident.ID, error) {
		return list(tx, "SELECT id FROM unit WHERE id IN "+in+" ORDER BY id FOR NO KEY UPDATE", args, scanID)
	})
	return err
}

// fewUnits is how many dossiers are read as fast as the kept pool is compared.
const fewUnits = 12

// BareDossiers implements schedule.Store. Many units come from the kept pool, when there is one: it compares the epoch of every
// unit in this transaction and reads again what differs.
func (tx *Tx) BareDossiers(ids []ident.ID, at time.Time) ([]fleet.Dossier, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	if len(ids) > fewUnits && tx.poolKept() && !at.Before(tx.now()) {
		return tx.pooledDossiers(ids, at)
	}
	l := dossierLoad{tx: tx, ids: ids, known: at, since: endOfPlans}
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

func (tx *Tx) pooledDossiers(ids []ident.ID, at time.Time) ([]fleet.Dossier, error) {
	pool, err := tx.Pool(fleet.Span{From: at, To: endOfPlans}, at)
	if err != nil {
		return nil, err
	}
	found := make([]fleet.Dossier, 0, len(ids))
	for _, id := range ids {
		if d, ok := pool.Dossier(id); ok {
			d.Promises = nil
			found = append(found, d)
		}
	}
	return found, nil
}

// poolKept reports whether somebody has read the whole pool already; a booking alone would not.
func (tx *Tx) poolKept() bool {
	c := &tx.db.pool
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.kept.pool != nil
}

// endOfPlans is later than anything the desk promises.
var endOfPlans = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// Claims implements schedule.Store. One probe a unit finds those with anything in the span: live promises never overlap, so
// the first that ends after its start tells. Only their rows are read.
func (tx *Tx) Claims(units []ident.ID, span fleet.Span) ([]schedule.Claim, error) {
	busy, err := inLists(units, func(in string, args []any) ([]ident.ID, error) {
		return list(tx, `SELECT u.id FROM unit u WHERE u.id IN `+in+` AND (SELECT p.starts_at FROM promises p
			WHERE p.unit_id = u.id AND p.live = `+tx.yes()+` AND p.ends_at > ? ORDER BY p.ends_at LIMIT 1) < ?`, append(args, span.From, span.To), scanID)
	})
	if err != nil {
		return nil, err
	}
	return inLists(busy, func(in string, args []any) ([]schedule.Claim, error) {
		return list(tx, claimSelect+`WHERE p.unit_id IN `+in+` AND p.live = `+tx.yes()+` AND p.ends_at > ? AND p.starts_at < ?
			ORDER BY p.unit_id, p.ends_at`, append(args, span.From, span.To), scanClaim)
	})
}

const (
	claimColumns = `SELECT p.unit_id, p.booking_id, b.client_id, b.number, b.owner_name, p.pinned, p.starts_at, p.ends_at, b.start_depot_id, b.end_depot_id`
	claimSelect  = claimColumns + ` FROM promises p JOIN bookings b ON b.id = p.booking_id `
)

// Trips implements schedule.Store. Trips are rare, so it starts from them: SQLite keeps the order of a CROSS JOIN.
func (tx *Tx) Trips(units []ident.ID, after time.Time) ([]schedule.Claim, error) {
	all, err := list(tx, claimColumns+` FROM bookings b CROSS JOIN promises p
		WHERE p.booking_id = b.id AND b.end_depot_id <> b.start_depot_id AND b.ends_at > ? AND p.live = `+tx.yes()+` AND p.ends_at > ?`,
		[]any{after, after}, scanClaim)
	wanted := make(map[ident.ID]bool, len(units))
	for _, u := range units {
		wanted[u] = true
	}
	return slices.DeleteFunc(all, func(c schedule.Claim) bool { return !wanted[c.Unit] }), err
}

// Visitors implements schedule.Store.
func (tx *Tx) Visitors(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error) {
	query, args := `SELECT DISTINCT u.id FROM bookings b CROSS JOIN promises p CROSS JOIN unit u CROSS JOIN model m
		WHERE p.booking_id = b.id AND u.id = p.unit_id AND m.id = u.model_id AND b.end_depot_id = ? AND b.end_depot_id <> b.start_depot_id AND p.dropped = ? AND u.depot_id <> ?`, []any{depot, false, depot}
	if len(kinds) > 0 {
		query += " AND m.kind IN (" + marks(len(kinds)) + ")"
		for _, k := range kinds {
			args = append(args, k)
		}
	}
	return list(tx, query, args, scanID)
}

// yes is the literal of a true boolean column.
func (tx *Tx) yes() string {
	if tx.dialect == "postgres" {
		return "true"
	}
	return "1"
}

func scanClaim(s scanner, c *schedule.Claim) error {
	var from, to instant
	err := s((*key)(&c.Unit), (*key)(&c.Booking), (*key)(&c.Client), &c.Number, &c.Owner, &c.Pinned, &from, &to, (*key)(&c.From), (*key)(&c.To))
	c.Span = fleet.Span{From: from.time(), To: to.time()}
	return err
}

// PromisedSince implements schedule.Store.
func (tx *Tx) PromisedSince(units []ident.ID, since time.Time) (map[ident.ID]time.Duration, error) {
	type sum struct {
		unit key
		ms   int64
	}
	sums, err := inLists(units, func(in string, args []any) ([]sum, error) {
		return list(tx, `SELECT unit_id, CAST(SUM(ends_at - starts_at) AS BIGINT) FROM promises WHERE unit_id IN `+in+`
			AND live = `+tx.yes()+` AND ends_at > ? GROUP BY unit_id`, append(args, since), func(s scanner, v *sum) error { return s(&v.unit, &v.ms) })
	})
	used := make(map[ident.ID]time.Duration, len(sums))
	for _, v := range sums {
		used[ident.ID(v.unit)] = time.Duration(v.ms) * time.Millisecond
	}
	return used, err
}
