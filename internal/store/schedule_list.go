package store

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// Bookings implements schedule.Store.
func (tx *Tx) Bookings(q schedule.Query) (schedule.Page, error) {
	where, args, err := bookingFilter(q)
	if err != nil {
		return schedule.Page{}, err
	}
	cond, more := tx.scope("b.client_id")
	where, args = append(where, cond), append(args, more...)
	limit := 100
	if q.Limit > 0 {
		limit = min(q.Limit, 500)
	}
	type row struct {
		schedule.Booking
		starts int64
	}
	rows, err := list(tx, "SELECT "+bookingColumns+", b.starts_at FROM bookings b WHERE "+strings.Join(where, " AND ")+" ORDER BY b.starts_at, b.id LIMIT ?",
		append(args, limit+1), func(s scanner, r *row) error {
			return scanBooking(func(dest ...any) error { return s(append(dest, &r.starts)...) }, &r.Booking)
		})
	if err != nil {
		return schedule.Page{}, err
	}
	var p schedule.Page
	if len(rows) > limit {
		rows = rows[:limit]
		last := rows[limit-1]
		p.Next = fmt.Sprintf("%d.%s", last.starts, last.ID)
	}
	for _, r := range rows {
		p.Bookings = append(p.Bookings, r.Booking)
	}
	return p, nil
}

func bookingFilter(q schedule.Query) (where []string, args []any, err error) {
	add := func(cond string, values ...any) {
		where, args = append(where, cond), append(args, values...)
	}
	if !q.Span.To.IsZero() {
		add("b.starts_at < ?", q.Span.To)
	}
	if !q.Span.From.IsZero() {
		add("b.ends_at > ?", q.Span.From)
	}
	for column, id := range map[string]ident.ID{"kit_id": q.Kit, "owner_id": q.Owner, "client_id": q.Client, "survey_id": q.Survey, "start_depot_id": q.Depot} {
		if !id.IsZero() {
			add("b."+column+" = ?", id)
		}
	}
	if !q.Unit.IsZero() {
		add("b.id IN (SELECT booking_id FROM promises WHERE unit_id = ? AND dropped = ?)", q.Unit, false)
	}
	if len(q.States) > 0 {
		states := make([]any, len(q.States))
		for i, s := range q.States {
			states[i] = s
		}
		add("b.state IN ("+marks(len(states))+")", states...)
	}
	if q.After != "" {
		starts, id, err := cursor(q.After)
		if err != nil {
			return nil, nil, err
		}
		add("(b.starts_at > ? OR b.starts_at = ? AND b.id > ?)", starts, starts, id)
	}
	return where, args, nil
}

// cursor reads what Page.Next gave.
func cursor(s string) (starts int64, id ident.ID, err error) {
	before, after, _ := strings.Cut(s, ".")
	starts, err = strconv.ParseInt(before, 10, 64)
	if err == nil {
		id, err = ident.Parse(after)
	}
	if err != nil {
		err = fault.New(fault.BadInput, "what", "the cursor is not one that kitd gave; start again at the first page").At("after", "is unknown")
	}
	return starts, id, err
}

// checkPromises looks for units promised twice, whatever let that happen, and for promises that do not follow from their
// bookings.
func (db *DB) checkPromises(ctx context.Context) ([]string, error) {
	twice, err := db.strings(ctx, `SELECT 'unit ' || COALESCE((SELECT tag FROM unit WHERE id = unit_id), '?') || ' is promised twice, to B-' ||
			(SELECT number FROM bookings WHERE id = booking_id) || ' and to another booking before it'
		FROM (SELECT unit_id, booking_id, starts_at, MAX(ends_at) OVER (PARTITION BY unit_id ORDER BY starts_at, ends_at, id
			ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before FROM promises WHERE gone IS NULL) x WHERE starts_at < before`)
	if err != nil {
		return nil, err
	}
	astray, err := inView((*Tx).astray)(db, ctx)
	return append(twice, astray...), err
}

// astray compares the live promises with what the bookings as they stand promise.
func (tx *Tx) astray() ([]string, error) {
	rows, err := list(tx, "SELECT "+bookingColumns+" FROM bookings b WHERE b.state <> 'cancelled' AND b.state <> 'back'", nil, scanBooking)
	if err != nil {
		return nil, err
	}
	wanted := map[string]int{}
	names := map[ident.ID]string{}
	promiseKey := func(booking, unit ident.ID, from, to int64) string { return fmt.Sprint(booking, unit, from, to) }
	for _, b := range rows {
		names[b.ID] = b.Label()
		for _, h := range b.Holds() {
			if h.Live {
				wanted[promiseKey(b.ID, h.Unit, h.Span.From.UnixMilli(), h.Span.To.UnixMilli())]++
			}
		}
	}
	var wrong []string
	err = tx.each("SELECT booking_id, unit_id, starts_at, ends_at FROM promises WHERE live = "+tx.yes(), nil, func(s scanner) error {
		var booking, unit key
		var from, to int64
		err := s(&booking, &unit, &from, &to)
		k := promiseKey(ident.ID(booking), ident.ID(unit), from, to)
		if wanted[k] == 0 {
			wrong = append(wrong, fmt.Sprintf("a promise of unit %s does not follow from booking %s %s", ident.ID(unit), ident.ID(booking), names[ident.ID(booking)]))
		}
		wanted[k]--
		return err
	})
	for k, n := range wanted {
		if n > 0 {
			wrong = append(wrong, "a booking lacks a promise it makes: "+k)
		}
	}
	return wrong, err
}
