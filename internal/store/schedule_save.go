package store

import (
	"slices"
	"strings"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// SaveBookings implements schedule.Store. Promises given up by any of the bookings go first, so that units can be exchanged in
// one transaction although each statement is checked.
func (tx *Tx) SaveBookings(bookings []schedule.Booking) error {
	fresh := make([][]schedule.Hold, len(bookings))
	var touched []ident.ID
	for i, b := range bookings {
		if err := tx.saveBooking(b); err != nil {
			return err
		}
		given, kept, err := tx.release(b)
		if err != nil {
			return err
		}
		fresh[i] = kept
		touched = append(append(touched, given...), b.UnitIDs()...) // kept promises too: their client or owner may be another now
	}
	for i, b := range bookings {
		if err := tx.promise(b.ID, fresh[i]); err != nil {
			return err
		}
		for _, h := range fresh[i] {
			touched = append(touched, h.Unit)
		}
		if err := tx.logCalendar(b, b.State == schedule.Cancelled); err != nil {
			return err
		}
	}
	return tx.touchUnits(touched...)
}

// saveBooking writes the booking as it stands now and the version.
func (tx *Tx) saveBooking(b schedule.Booking) error {
	body, err := bookingText(b)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	whole := b.Whole()
	if b.Version == 1 {
		_, err = tx.exec(`INSERT INTO bookings (id, version, number, state, owner_id, client_id, survey_id, kit_id, start_depot_id,
			end_depot_id, collection_id, uid, starts_at, ends_at, body, title, owner_name, raw)
			VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
			b.ID, b.Version, b.Number, b.State, b.Owner, b.Client, b.Survey, b.Ask.Kit, b.StartDepot, b.EndDepot,
			b.Collection(), b.Calendar.UID, whole.From, whole.To, body, b.Title, b.OwnerName, b.Calendar.Raw)
	} else {
		err = tx.execOne("booking", `UPDATE bookings SET version = ?, state = ?, owner_id = ?, client_id = ?, survey_id = ?, kit_id = ?,
			start_depot_id = ?, end_depot_id = ?, collection_id = ?, uid = ?, starts_at = ?, ends_at = ?, body = ?, title = ?, owner_name = ?, raw = ?
			WHERE id = ? AND version = ?`,
			b.Version, b.State, b.Owner, b.Client, b.Survey, b.Ask.Kit,
			b.StartDepot, b.EndDepot, b.Collection(), b.Calendar.UID, whole.From, whole.To, body, b.Title, b.OwnerName, b.Calendar.Raw,
			b.ID, b.Version-1)
	}
	if violates(err, "bookings", "uid") {
		return fault.New(fault.AlreadyUsed, "noun", "calendar entry", "value", b.Calendar.UID)
	}
	if err != nil {
		return err
	}
	if b.Risk != nil { // its reasons name people; a version cannot be erased
		b.Risk = nil
		if body, err = bookingText(b); err != nil {
			return fault.New(fault.Unexpected).Because(err)
		}
	}
	_, err = tx.exec("INSERT INTO booking_versions (booking_id, version, entered, body, title, owner_name, raw) VALUES (?,?,?,?,?,?,?)",
		b.ID, b.Version, tx.now(), body, b.Title, b.OwnerName, b.Calendar.Raw)
	return err
}

type promiseRow struct {
	id int64
	schedule.Hold
}

// release gives up the live promises that the booking no longer makes. It gives the units that are free of them and the
// promises that are new.
func (tx *Tx) release(b schedule.Booking) (given []ident.ID, fresh []schedule.Hold, err error) {
	for _, h := range b.Holds() {
		if h.Live {
			fresh = append(fresh, h)
		}
	}
	if b.Version == 1 {
		return nil, fresh, nil
	}
	rows, err := list(tx, "SELECT id, unit_id, part, pinned, starts_at, ends_at FROM promises WHERE booking_id = ? AND live = "+tx.yes(),
		[]any{b.ID}, scanPromise)
	if err != nil {
		return nil, nil, err
	}
	units := b.UnitIDs()
	for _, r := range rows {
		if i := slices.IndexFunc(fresh, r.equals); i >= 0 {
			fresh = slices.Delete(fresh, i, i+1)
			continue
		}
		given = append(given, r.Unit)
		_, err := tx.exec("UPDATE promises SET live = ?, gone = ?, dropped = ? WHERE id = ?", false, tx.now(), !slices.Contains(units, r.Unit), r.id)
		if err != nil {
			return nil, nil, err
		}
	}
	return given, fresh, nil
}

func scanPromise(s scanner, r *promiseRow) error {
	var from, to instant
	err := s(&r.id, (*key)(&r.Unit), &r.Part, &r.Pinned, &from, &to)
	r.Span.From, r.Span.To = from.time(), to.time()
	return err
}

func (r promiseRow) equals(h schedule.Hold) bool {
	return r.Unit == h.Unit && r.Part == h.Part && r.Pinned == h.Pinned && r.Span.From.Equal(h.Span.From) && r.Span.To.Equal(h.Span.To)
}

// promiseRows is how many promises one statement writes at most; eight columns each.
const promiseRows = 50

// promise writes live promises. A unit promised meanwhile is fault.PromiseTaken.
func (tx *Tx) promise(booking ident.ID, holds []schedule.Hold) error {
	for part := range slices.Chunk(holds, promiseRows) {
		args := make([]any, 0, 9*len(part))
		for _, h := range part {
			args = append(args, h.Unit, booking, h.Part, h.Pinned, h.Span.From, h.Span.To, true, false, tx.now())
		}
		_, err := tx.exec("INSERT INTO promises (unit_id, booking_id, part, pinned, starts_at, ends_at, live, dropped, entered) VALUES "+
			strings.TrimSuffix(strings.Repeat("(?,?,?,?,?,?,?,?,?),", len(part)), ","), args...)
		if err != nil {
			return err
		}
	}
	return nil
}
