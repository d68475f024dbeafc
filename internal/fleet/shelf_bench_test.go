package fleet_test

import (
	"database/sql"
	"fmt"
	"testing"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/store/storetest"
)

// stock fills a database with 5,000 certified units, charged a month ago, and 1,000,000 promises, 200 a unit from 30 days ago on.
func stock(b *testing.B, h *storetest.House, raw *sql.DB) {
	b.Helper()
	now := h.Clock.Now().UnixMilli()
	run := func(q string, args ...any) {
		b.Helper()
		if _, err := raw.Exec(q, args...); err != nil {
			b.Fatal(err)
		}
	}
	tx := "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "
	id := func(kind string) string { return "CAST(printf('" + kind + "%013d', i) AS BLOB)" }
	run("PRAGMA synchronous = OFF")
	run("INSERT INTO depot VALUES (CAST('dep0000000000000' AS BLOB), 1, 'Harrow Lane', 'HL', 'hl', 'Europe/London', '[]', 0)")
	run(`INSERT INTO model VALUES (CAST('mod0000000000000' AS BLOB), 1, 'Wick 2', 'Tarn', 'wick', 'dosimeter', '', 150, 28, 3, 2400, 0, 0, 12, 1, 1, 0, 0)`)
	run("INSERT INTO laboratory VALUES (CAST('lab0000000000000' AS BLOB), 1, 'Kestle', 'kestle', '', 'anniversary', 0)")
	run("INSERT INTO certificate VALUES (CAST('cer0000000000000' AS BLOB), 'KL-1', CAST('lab0000000000000' AS BLOB), '2026-01-10', NULL, NULL, 0, 'ida', '', NULL)")
	run(tx+`INSERT INTO unit SELECT `+id("uni")+`, 1, printf('D-%04d', i), printf('d-%04d', i), 's', CAST('mod0000000000000' AS BLOB), CAST('dep0000000000000' AS BLOB),
		'', '', 'owned', NULL, NULL, NULL, 0, 0 FROM n`, 4999)
	run(tx+"INSERT INTO unit_epoch SELECT "+id("uni")+", 1 FROM n", 4999)
	run(tx+"INSERT INTO certificate_line SELECT "+id("lin")+", CAST('cer0000000000000' AS BLOB), "+id("uni")+", 'pass', NULL, NULL, NULL, NULL, 2, '', '2027-01-09' FROM n", 4999)
	run(tx+"INSERT INTO fact SELECT "+id("fac")+", "+id("uni")+`, 'opening', ?, ?, 'ida', '', '{"full":true,"statement":"counted"}' FROM n`, 4999, now-int64(24*time.Hour/time.Millisecond), now-int64(24*time.Hour/time.Millisecond))
	run(`INSERT INTO bookings (id, version, number, state, owner_id, client_id, survey_id, kit_id, start_depot_id, end_depot_id, collection_id, uid, starts_at, ends_at, body, title,
		owner_name, raw) VALUES (CAST('boo0000000000000' AS BLOB), 1, 1, 'promised', CAST('own0000000000000' AS BLOB), NULL, NULL, NULL, CAST('dep0000000000000' AS BLOB),
		CAST('dep0000000000000' AS BLOB), CAST('dep0000000000000' AS BLOB), 'u', 0, 1, '{}', '', 't.osk', NULL)`)
	start, hour := now-int64(30*24*time.Hour/time.Millisecond), int64(time.Hour/time.Millisecond)
	run(tx+`INSERT INTO promises (unit_id, booking_id, part, pinned, starts_at, ends_at, live, dropped, entered)
		SELECT CAST(printf('uni%013d', i % 5000) AS BLOB), CAST('boo0000000000000' AS BLOB), 0, 0, ? + (i / 5000 * 60 + i % 24) * ?, ? + (i / 5000 * 60 + i % 24 + 40) * ?, 1, 0, 0 FROM n`,
		999999, start, hour, start, hour)
	run("ANALYZE")
}

// BenchmarkWhoIsFree asks the stored pool of 5,000 units and 1,000,000 promises about one interval: a page of the shelf with the
// whole rules, counts and order, when nothing changed since the last question and when one unit did. The reference is SQL that
// looks at promises only, one probe a unit in the covering index.
func BenchmarkWhoIsFree(b *testing.B) {
	h := storetest.SQLite(b)
	raw := h.SQL(b)
	stock(b, h, raw)
	k := keeperOf(h)
	span := fleet.Span{From: h.Clock.Now().Add(46 * time.Hour), To: h.Clock.Now().Add(54 * time.Hour)}
	probe := func() (free int) {
		row := raw.QueryRow(`SELECT COUNT(*) FROM unit u WHERE NOT COALESCE((SELECT p.starts_at FROM promises p
			WHERE p.unit_id = u.id AND p.live = 1 AND p.ends_at > ? ORDER BY p.ends_at LIMIT 1) < ?, 0)`, span.From.UnixMilli(), span.To.UnixMilli())
		if err := row.Scan(&free); err != nil {
			b.Fatal(err)
		}
		return free
	}
	page := func() fleet.ShelfPage {
		page, err := k.Shelf(ctx0, ida, fleet.ShelfQuery{Span: span})
		if err != nil {
			b.Fatal(err)
		}
		return page
	}
	began := time.Now()
	if got, want := page().Fit, probe(); got != want || got == 0 {
		b.Fatalf("%d units are fit, SQL finds %d without a promise", got, want)
	}
	b.Logf("first answer %v", time.Since(began))
	began = time.Now()
	for range 5 {
		probe()
	}
	reference := time.Since(began) / 5
	report := func(b *testing.B) {
		each := b.Elapsed() / time.Duration(b.N)
		b.ReportMetric(float64(each.Microseconds())/1000, "ms/page")
		b.ReportMetric(float64(each)/float64(reference), "page/sql")
	}
	b.Run("unchanged", func(b *testing.B) {
		for b.Loop() {
			page()
		}
		report(b)
	})
	b.Run("one changed", func(b *testing.B) {
		i := 0
		for b.Loop() {
			b.StopTimer()
			if _, err := raw.Exec("UPDATE unit_epoch SET epoch = epoch + 1 WHERE unit_id = CAST(? AS BLOB)", fmt.Sprintf("uni%013d", i%5000)); err != nil {
				b.Fatal(err)
			}
			i++
			b.StartTimer()
			page()
		}
		report(b)
	})
}
