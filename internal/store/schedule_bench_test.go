package store_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// BenchmarkPromise promises one unit for one day: overlap probe, booking, version, promise, calendar entry and its change log,
// short number, audit entry, in one durable transaction. The reference runs the same statements on prepared statements of one
// database/sql connection to another database of the same schema, turn by turn in the same loop. "ratio" is the reference's time
// over the store's, by their medians; "desk-ratio" the same for a whole Desk.Book, which also reads what the rules need.
func BenchmarkPromise(b *testing.B) {
	b.Run("sqlite", func(b *testing.B) { benchPromise(b, storetest.SQLite(b), storetest.SQLite(b)) })
	b.Run("postgres", func(b *testing.B) { benchPromise(b, storetest.Postgres(b), storetest.Postgres(b)) })
}

func benchPromise(b *testing.B, h, other *storetest.House) {
	y, z := plant(b, h), plant(b, other)
	desk, anna := deskOf(h.DB), surveyor(h)
	r := newPlainDesk(b, other)
	var tStore, tDesk, tReference []time.Duration
	turn := 0
	timed := func(all *[]time.Duration, f func() error) {
		start := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		*all = append(*all, time.Since(start))
	}
	for b.Loop() {
		x := dayOff(schedule.Ask{Unit: y.units["D-5"]}, turn)
		timed(&tDesk, func() error { _, err := desk.Book(ctx, anna, x); return err })
		plain := plainBooking(h, y.units["D-6"], y.depot, turn)
		timed(&tStore, func() error { return promiseAlone(h, plain) })
		twin := plainBooking(other, z.units["D-6"], z.depot, turn)
		timed(&tReference, func() error { return r.promise(twin) })
		turn++
	}
	b.ReportMetric(median(tReference)/median(tStore), "ratio")
	b.ReportMetric(median(tReference)/median(tDesk), "desk-ratio")
	b.ReportMetric(median(tStore)*1e6, "µs/promise")
	b.ReportMetric(median(tReference)*1e6, "µs/reference")
}

// median in seconds: on a busy machine a few turns wait long for the disk.
func median(all []time.Duration) float64 {
	slices.Sort(all)
	return all[len(all)/2].Seconds()
}

// dayOff asks for an hour, each turn another one.
func dayOff(ask schedule.Ask, turn int) schedule.Wish {
	none := time.Duration(0)
	x := on(ask, 3, 3)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC).Add(time.Duration(turn%20000) * time.Minute)
	x.Lead, x.Lag = &none, &none
	x.Occurrences[0].Span.From, x.Occurrences[0].Span.To = from, from.Add(time.Minute)
	return x
}

func plainBooking(h *storetest.House, unit, depot ident.ID, turn int) schedule.Booking {
	x := dayOff(schedule.Ask{Unit: unit}, turn)
	id := h.NewID()
	return schedule.Booking{
		ID: id, Version: 1, Title: x.Title, Owner: depot, OwnerName: "anna", Ask: x.Ask, StartDepot: depot, EndDepot: depot,
		Occurrences: x.Occurrences, State: schedule.Promised, Units: []schedule.Placed{{Unit: unit, Tag: "D-6", Kind: "dosimeter", Pinned: true}},
		Calendar: schedule.Calendar{UID: id.String() + "@kitd", Name: id.String() + ".ics"}, Entered: h.Clock.Now(), Changed: h.Clock.Now(),
	}
}

func promiseAlone(h *storetest.House, x schedule.Booking) error {
	return h.Do(ctx, who, func(tx *store.Tx) error {
		if err := tx.LockUnits(x.UnitIDs()); err != nil {
			return err
		}
		claims, err := tx.Claims(x.UnitIDs(), x.Whole())
		if err != nil || len(claims) > 0 {
			return err
		}
		if x.Number, err = tx.NextBookingNumber(); err != nil {
			return err
		}
		if err := tx.SaveBookings([]schedule.Booking{x}); err != nil {
			return err
		}
		return tx.Record(trail.Change{Noun: "booking", ID: x.ID, Verb: "book", After: x.Units, Private: x.Title})
	})
}

// plainDesk runs the statements of promiseAlone on one connection: on SQLite prepared once, on PostgreSQL each in one round trip
// without named statements, as a pooler asks for.
type plainDesk struct {
	b     *testing.B
	h     *storetest.House
	conn  *sql.Conn
	known map[string]*sql.Stmt
	err   error
}

func newPlainDesk(b *testing.B, h *storetest.House) *plainDesk {
	driver, dsn := "pgx", h.DSN+"&default_query_exec_mode=exec"
	if h.Dialect() == "sqlite" {
		driver, dsn = "sqlite3", "file:"+h.Path()+"?_journal_mode=WAL&_synchronous=FULL&_foreign_keys=1&_busy_timeout=10000&_secure_delete=true"
	}
	db, err := sql.Open(driver, dsn)
	if err != nil {
		b.Fatal(err)
	}
	conn, err := db.Conn(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(); _ = db.Close() })
	return &plainDesk{b: b, h: h, conn: conn, known: map[string]*sql.Stmt{}}
}

func (r *plainDesk) stmt(query string) *sql.Stmt {
	s, ok := r.known[query]
	if !ok {
		var err error
		if s, err = r.conn.PrepareContext(ctx, query); err != nil {
			r.b.Fatal(err)
		}
		r.known[query] = s
	}
	return s
}

func (r *plainDesk) query(query string, args []any) (*sql.Rows, error) {
	if r.h.Dialect() == "postgres" {
		return r.conn.QueryContext(ctx, store.Dollars(query), args...)
	}
	return r.stmt(query).Query(args...)
}

// exec and value stop at the first error, which promise returns.
func (r *plainDesk) exec(query string, args ...any) {
	switch {
	case r.err != nil:
	case r.h.Dialect() == "postgres":
		_, r.err = r.conn.ExecContext(ctx, store.Dollars(query), args...)
	default:
		_, r.err = r.stmt(query).Exec(args...)
	}
}

func (r *plainDesk) value(query string, args ...any) (v int64) {
	r.each(query, args, func(rows *sql.Rows) error { return rows.Scan(&v) })
	return v
}

func (r *plainDesk) id(id ident.ID) any {
	switch {
	case id.IsZero():
		return nil
	case r.h.Dialect() == "postgres":
		return id.String()
	}
	return id[:]
}

func (r *plainDesk) flag(v bool) any {
	if r.h.Dialect() == "postgres" {
		return v
	}
	if v {
		return 1
	}
	return 0
}

func (r *plainDesk) promise(x schedule.Booking) error {
	r.err = nil
	begin, live := "BEGIN IMMEDIATE", "1"
	if r.h.Dialect() == "postgres" {
		begin, live = "BEGIN", "true"
	}
	if _, err := r.conn.ExecContext(ctx, begin); err != nil {
		return err
	}
	now := x.Entered.UnixMilli()
	from, to := x.Whole().From.UnixMilli(), x.Whole().To.UnixMilli()
	id, unit, depot := r.id(x.ID), r.id(x.Units[0].Unit), r.id(x.StartDepot)
	if r.h.Dialect() == "postgres" {
		r.look("SELECT id FROM unit WHERE id IN (?) ORDER BY id FOR NO KEY UPDATE", unit)
	}
	r.look(`SELECT u.id FROM unit u WHERE u.id IN (?) AND (SELECT p.starts_at FROM promises p
		WHERE p.unit_id = u.id AND p.live = `+live+` AND p.ends_at > ? ORDER BY p.ends_at LIMIT 1) < ?`, unit, from, to)
	const count = `INSERT INTO counter (name, value) VALUES (?, 1) ON CONFLICT (name) DO UPDATE SET value = counter.value + 1 RETURNING value`
	number := r.value(count, "booking")
	body, err := json.Marshal(x)
	if err != nil {
		return err
	}
	r.exec(`INSERT INTO bookings (id, version, number, state, owner_id, client_id, survey_id, kit_id, start_depot_id, end_depot_id, collection_id, uid,
		starts_at, ends_at, body, title, owner_name, raw) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		id, 1, number, "promised", depot, nil, nil, nil, depot, depot, depot, x.Calendar.UID, from, to, string(body), x.Title, x.OwnerName, nil)
	r.exec("INSERT INTO booking_versions (booking_id, version, entered, body, title, owner_name, raw) VALUES (?,?,?,?,?,?,?)",
		id, 1, now, string(body), x.Title, x.OwnerName, nil)
	r.exec("INSERT INTO promises (unit_id, booking_id, part, pinned, starts_at, ends_at, live, dropped, entered) VALUES (?,?,?,?,?,?,?,?,?)",
		unit, id, 0, r.flag(true), from, to, r.flag(true), r.flag(false), now)
	r.look("SELECT collection_id, client_id, name FROM calendar_object WHERE booking_id = ? AND gone = 0", id)
	serial := r.value(count, "calendar "+x.StartDepot.String())
	r.exec(`DELETE FROM calendar_object WHERE collection_id = ? AND name = ? AND client_id IS NOT DISTINCT FROM ? AND (gone = 1 OR booking_id = ?)`,
		depot, x.Calendar.Name, nil, id)
	r.exec(`INSERT INTO calendar_object (collection_id, name, client_id, booking_id, uid, version, starts, ends, entered, changed, serial, gone)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, depot, x.Calendar.Name, nil, id, x.Calendar.UID, 1, from, to, now, now, serial, 0)
	r.touch(unit)
	audit := r.h.NewID()
	r.exec(`INSERT INTO audit (id, account_id, job, role, via, request, noun, noun_id, verb, client_id, occurred, entered, before_state, after_state,
		private, salt, private_hash) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		r.id(audit), nil, "test", "administrator", "job", "", "booking", id, "book", nil, now, now, nil, string(body[:100]), x.Title, body[:16], body[:32])
	if r.err != nil {
		return r.err
	}
	_, err = r.conn.ExecContext(ctx, "COMMIT")
	return err
}

// look runs a query whose rows do not matter.
func (r *plainDesk) look(query string, args ...any) {
	r.each(query, args, func(*sql.Rows) error { return nil })
}

func (r *plainDesk) each(query string, args []any, row func(*sql.Rows) error) {
	if r.err != nil {
		return
	}
	rows, err := r.query(query, args)
	if err != nil {
		r.err = err
		return
	}
	for rows.Next() && r.err == nil {
		r.err = row(rows)
	}
	r.err = errors.Join(r.err, rows.Err(), rows.Close())
}

func (r *plainDesk) touch(unit any) {
	r.exec("INSERT INTO unit_epoch (unit_id, epoch) VALUES (?, 1) ON CONFLICT (unit_id) DO UPDATE SET epoch = unit_epoch.epoch + 1", unit)
}

// BenchmarkAnyOf300 asks for 4 of 300 dosimeters with 40 facts and 100 promises each: "read" while their dossiers have to be
// read, "kept" while the pool is kept in memory.
func BenchmarkAnyOf300(b *testing.B) {
	h := storetest.SQLite(b)
	crowd(b, h, 300)
	desk, anna := deskOf(h.DB), surveyor(h)
	turn := 0
	book := func(b *testing.B) {
		for b.Loop() {
			x := dayOff(schedule.Ask{Dosimeters: 4}, turn)
			turn++
			if _, err := desk.Book(ctx, anna, x); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.Run("read", book)
	err := h.View(ctx, who, func(tx *store.Tx) error {
		_, err := tx.Pool(fleet.Span{From: h.Clock.Now(), To: h.Clock.Now().Add(time.Hour)}, h.Clock.Now())
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("kept", book)
}

// crowd adds dosimeters with a past and a future.
func crowd(b *testing.B, h *storetest.House, n int) {
	b.Helper()
	y, k := plant(b, h), keeperFor(h.DB)
	model := got(k.Models(ctx, who))(b)[0].ID
	lab := got(k.Laboratories(ctx, who))(b)[0].ID
	filler := booked(b)(deskOf(h.DB).Book(ctx, surveyor(h), on(schedule.Ask{Unit: y.units["D-6"]}, 3, 3)))
	x := fleet.Certificate{Number: "C-2", Laboratory: lab, Calibrated: civil.Date{Year: 2026, Month: 2, Day: 1}}
	var units []ident.ID
	for i := range n {
		u := got(k.AddUnit(ctx, who, fleet.Unit{Tag: fmt.Sprintf("X-%d", i), Serial: "1", Model: model, Depot: y.depot, Ownership: fleet.Owned}))(b)
		units = append(units, u.ID)
		x.Lines = append(x.Lines, fleet.Line{Unit: u.ID, Verdict: fleet.Pass})
	}
	got(k.EnterCertificate(ctx, who, x))(b)
	err := h.Do(ctx, who, func(tx *store.Tx) error {
		for _, u := range units {
			var facts []fleet.Fact
			for i := range 40 {
				t := h.Clock.Now().AddDate(0, 0, i-50)
				facts = append(facts, fleet.Fact{ID: h.NewID(), Unit: u, Occurred: t, Entered: t, By: "anna", Body: fleet.ReturnAccepted{Wear: h.NewID()}})
			}
			if err := tx.AppendFacts(facts); err != nil {
				return err
			}
			for i := range 100 {
				from := h.Clock.Now().AddDate(0, 0, i+40)
				_, err := tx.Exec(`INSERT INTO promises (unit_id, booking_id, part, pinned, starts_at, ends_at, live, dropped, entered) VALUES (?,?,?,?,?,?,?,?,?)`,
					u, filler.ID, i, true, from, from.Add(10*time.Hour), true, false, from)
				if err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}

// BenchmarkPromiseBy16 lets 16 callers book units at once; "p99-ms" is the time within which 99 of 100 have their answer.
func BenchmarkPromiseBy16(b *testing.B) {
	bench := func(b *testing.B, h *storetest.House) {
		y := plant(b, h)
		desk, anna := deskOf(h.DB), surveyor(h)
		var turn atomic.Int64
		var mu sync.Mutex
		var all []time.Duration
		b.SetParallelism(max(1, 16/runtime.GOMAXPROCS(0)))
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				n := int(turn.Add(1))
				ask := schedule.Ask{Unit: y.units[fmt.Sprintf("D-%d", 1+n%6)]}
				start := time.Now()
				if _, err := desk.Book(ctx, anna, dayOff(ask, n)); err != nil {
					b.Error(err)
				}
				mu.Lock()
				all = append(all, time.Since(start))
				mu.Unlock()
			}
		})
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, "p99-ms")
	}
	b.Run("sqlite", func(b *testing.B) { bench(b, storetest.SQLite(b)) })
	b.Run("postgres", func(b *testing.B) { bench(b, storetest.Postgres(b)) })
}
