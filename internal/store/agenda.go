package store

import (
	"encoding/hex"
	"fmt"
	"time"

	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// longestEntry bounds an entry from its first start to its last end, so that a look at one month reads only entries that began
// not long before it.
const longestEntry = 2 * 366 * 24 * time.Hour

// logCalendar keeps the calendar's view of a booking in the transaction that saves it: a tombstone where the object no longer
// stands, behind the wall it stood behind, and the live row with the next serial of its collection.
func (tx *Tx) logCalendar(b schedule.Booking, deleted bool) error {
	collection := b.Collection()
	first, last := b.Occurrences[0].Span.From, b.Occurrences[len(b.Occurrences)-1].Span.To
	if last.Sub(first) > longestEntry {
		return fault.New(fault.BadInput, "what", "a booking ends within two years of its start; book the rest later").At("/occurrences", "reach too far")
	}
	if err := tx.buryCalendar(b, collection); err != nil {
		return err
	}
	serial, err := tx.nextSerial(collection)
	if err != nil {
		return err
	}
	_, err = tx.exec(`DELETE FROM calendar_object WHERE collection_id = ? AND name = ? AND client_id IS NOT DISTINCT FROM ?
		AND (gone = 1 OR booking_id = ?)`, collection, b.Calendar.Name, key(b.Client), b.ID)
	if err != nil {
		return err
	}
	gone := 0
	if deleted {
		gone = 1
	}
	_, err = tx.exec(`INSERT INTO calendar_object (collection_id, name, client_id, booking_id, uid, version, starts, ends, entered, changed, serial, gone)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		collection, b.Calendar.Name, b.Client, b.ID, b.Calendar.UID, b.Version, first, last, b.Entered, b.Changed, serial, gone)
	switch {
	case violates(err, "calendar_object", "name"):
		return fault.New(fault.AlreadyUsed, "noun", "calendar entry", "value", b.Calendar.Name)
	case violates(err, "calendar_object", "uid"):
		return fault.New(fault.AlreadyUsed, "noun", "calendar entry", "value", b.Calendar.UID)
	}
	return err
}

// buryCalendar turns the booking's live rows into tombstones where it stood under another collection, name or client.
func (tx *Tx) buryCalendar(b schedule.Booking, collection ident.ID) error {
	type row struct {
		collection, client key
		name               string
	}
	rows, err := list(tx, "SELECT collection_id, client_id, name FROM calendar_object WHERE booking_id = ? AND gone = 0", []any{b.ID},
		func(s scanner, r *row) error { return s(&r.collection, &r.client, &r.name) })
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.collection == key(collection) && r.client == key(b.Client) && r.name == b.Calendar.Name {
			continue
		}
		serial, err := tx.nextSerial(ident.ID(r.collection))
		if err != nil {
			return err
		}
		_, err = tx.exec("UPDATE calendar_object SET gone = 1, serial = ? WHERE collection_id = ? AND name = ? AND booking_id = ? AND gone = 0",
			serial, r.collection, r.name, b.ID)
		if err != nil {
			return err
		}
	}
	return nil
}

func calendarCounter(collection ident.ID) string { return "calendar " + collection.String() }

// nextSerial counts on in a collection and gives the change its random mark.
func (tx *Tx) nextSerial(collection ident.ID) (int64, error) {
	serial, err := tx.next(calendarCounter(collection))
	if err != nil {
		return 0, err
	}
	var mark [8]byte
	if err := tx.random(mark[:]); err != nil {
		return 0, err
	}
	_, err = tx.exec("INSERT INTO calendar_mark (collection_id, serial, mark) VALUES (?, ?, ?)", collection, serial, hex.EncodeToString(mark[:]))
	return serial, err
}

// CalendarMark implements agenda.Store.
func (tx *Tx) CalendarMark(collection ident.ID, serial int64) (string, error) {
	var mark text
	_, err := tx.row("SELECT mark FROM calendar_mark WHERE collection_id = ? AND serial = ?", []any{collection, serial}, &mark)
	return string(mark), err
}

// CalendarSerial implements agenda.Store.
func (tx *Tx) CalendarSerial(collection ident.ID) (int64, error) {
	return tx.counter(calendarCounter(collection))
}

// CalendarEntries implements agenda.Store.
func (tx *Tx) CalendarEntries(collection ident.ID, span fleet.Span) ([]agenda.Entry, error) {
	where, args := "collection_id = ? AND gone = 0", []any{collection}
	if !span.From.IsZero() {
		// An entry without length that lies at the start of the span belongs to it (RFC 4791, 9.9).
		where += " AND starts > ? AND (ends > ? OR starts = ? AND ends = ?)"
		args = append(args, span.From.Add(-longestEntry-time.Millisecond), span.From, span.From, span.From)
	}
	if !span.To.IsZero() {
		where, args = where+" AND starts < ?", append(args, span.To)
	}
	return tx.calendarRows(where, args, " ORDER BY starts, name")
}

// CalendarEntriesNamed implements agenda.Store.
func (tx *Tx) CalendarEntriesNamed(collection ident.ID, names []string) ([]agenda.Entry, error) {
	if len(names) == 0 {
		return nil, nil
	}
	args := []any{collection}
	for _, n := range names {
		args = append(args, n)
	}
	return tx.calendarRows("collection_id = ? AND gone = 0 AND name IN ("+marks(len(names))+")", args, " ORDER BY name")
}

// CalendarEntryByUID implements agenda.Store.
func (tx *Tx) CalendarEntryByUID(collection ident.ID, uid string) (agenda.Entry, bool, error) {
	found, err := tx.calendarRows("collection_id = ? AND gone = 0 AND uid = ?", []any{collection, uid}, "")
	if err != nil || len(found) == 0 {
		return agenda.Entry{}, false, err
	}
	return found[0], true, nil
}

// CalendarChanges implements agenda.Store.
func (tx *Tx) CalendarChanges(collection ident.ID, after int64, limit int) ([]agenda.Entry, error) {
	cond, args := tx.scope("client_id")
	args = append(append([]any{collection, after}, args...), limit)
	return list(tx, calendarSelect+"collection_id = ? AND serial > ? AND "+cond+" ORDER BY serial, gone LIMIT ?", args, scanEntry)
}

const calendarSelect = `SELECT collection_id, name, uid, booking_id, version, starts, ends, entered, changed, serial, gone
	FROM calendar_object WHERE `

// calendarRows reads entries within the actor's walls.
func (tx *Tx) calendarRows(where string, args []any, order string) ([]agenda.Entry, error) {
	cond, more := tx.scope("client_id")
	return list(tx, calendarSelect+where+" AND "+cond+order, append(args, more...), scanEntry)
}

func scanEntry(s scanner, e *agenda.Entry) error {
	var collection, booking key
	var from, to, entered, changed instant
	err := s(&collection, &e.Name, &e.UID, &booking, &e.Version, &from, &to, &entered, &changed, &e.Serial, &e.Gone)
	e.Collection, e.Booking = ident.ID(collection), ident.ID(booking)
	e.Span = fleet.Span{From: from.time(), To: to.time()}
	e.Entered, e.Changed = entered.time(), changed.time()
	return err
}

// checkCalendar compares what calendar programs see with the bookings as they stand, and serials with their counters.
func (tx *Tx) checkCalendar() ([]string, error) {
	var wrong []string
	err := tx.each(`SELECT b.number, b.version, COUNT(o.name), COALESCE(MAX(o.version), 0) FROM bookings b
		LEFT JOIN calendar_object o ON o.booking_id = b.id AND o.gone = 0 AND o.collection_id = b.collection_id AND o.client_id IS NOT DISTINCT FROM b.client_id
		WHERE b.state <> 'cancelled' GROUP BY b.id, b.number, b.version HAVING COUNT(o.name) <> 1 OR MAX(o.version) <> b.version`, nil,
		func(s scanner) error {
			var number, version, rows, shown int
			err := s(&number, &version, &rows, &shown)
			wrong = append(wrong, fmt.Sprintf("booking %s of version %d is shown %d times in its calendar, there of version %d", schedule.Label(number), version, rows, shown))
			return err
		})
	if err != nil {
		return nil, err
	}
	err = tx.each(`SELECT o.name FROM calendar_object o LEFT JOIN bookings b ON b.id = o.booking_id WHERE o.gone = 0 AND (b.id IS NULL OR b.state = 'cancelled')`, nil,
		func(s scanner) error {
			var name string
			err := s(&name)
			wrong = append(wrong, fmt.Sprintf("the calendar entry %s stands although its booking does not", name))
			return err
		})
	if err != nil {
		return nil, err
	}
	type last struct {
		collection key
		serial     int64
	}
	rows, err := list(tx, "SELECT collection_id, MAX(serial) FROM calendar_object GROUP BY collection_id", nil, func(s scanner, l *last) error { return s(&l.collection, &l.serial) })
	if err != nil {
		return nil, err
	}
	for _, l := range rows {
		at, err := tx.counter(calendarCounter(ident.ID(l.collection)))
		if err != nil {
			return nil, err
		}
		if at < l.serial {
			wrong = append(wrong, fmt.Sprintf("the calendar %s counts up to %d, its entries go to %d", ident.ID(l.collection), at, l.serial))
		}
	}
	return wrong, nil
}
