package caldav_test

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"kitd/internal/store/storetest"
)

// crowd fills the calendar of kit K-1 with n events behind the desk's back: what is measured is reading among many, and one
// booking among many. They lie in years to come, the measured month among them.
func (r *real) crowd(b *testing.B, n int) {
	b.Helper()
	raw := r.house.SQL(b)
	if n == 0 {
		return
	}
	r.call("PUT", "/caldav/kits/K-1/seed.ics", ics("seed", "x", day(9, 8, 9)...)).want(http.StatusCreated)
	const copyBooking = `INSERT INTO bookings SELECT randomblob(16), 1, 1000 + n, state, owner_id, client_id, survey_id, kit_id, start_depot_id, end_depot_id, collection_id,
		'u' || n, starts_at + n * 86400000, ends_at + n * 86400000, body, title, owner_name, raw
		FROM bookings, (WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < ?) SELECT n FROM c) WHERE uid = 'seed'`
	const copyObject = `INSERT INTO calendar_object SELECT o.collection_id, b.uid, o.client_id, b.id, b.uid, 1, o.starts + (b.number - 1000) * 86400000, o.ends + (b.number - 1000) * 86400000,
		o.entered, o.changed, 1 + b.number - 1000, 0 FROM calendar_object o, bookings b WHERE o.name = 'seed.ics' AND b.number >= 1000`
	for _, q := range []struct {
		sql  string
		args []any
	}{{copyBooking, []any{n}}, {copyObject, nil}, {"UPDATE counter SET value = ? WHERE name LIKE 'calendar %'", []any{n + 1}}} {
		if _, err := raw.ExecContext(b.Context(), q.sql, q.args...); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCalendar measures the requests calendar programs make most, among 1,000 and among 10,000 events in the same run. The
// ratio says how the cost grows with the calendar: 1 is flat.
func BenchmarkCalendar(b *testing.B) {
	few, many := newReal(b, storetest.SQLite(b)), newReal(b, storetest.SQLite(b))
	few.crowd(b, 1000)
	many.crowd(b, 10000)
	month := query(timeRange("20260601T000000Z", "20260701T000000Z"), "")
	token := map[*real]string{}
	for _, r := range []*real{few, many} {
		m := r.call("PROPFIND", "/caldav/kits/K-1/", props("D:sync-token"), "Depth: 0").multi()
		token[r], _ = m.prop("/caldav/kits/K-1/", "sync-token")
	}
	for _, c := range []struct {
		name string
		call func(r *real, i int)
	}{
		{"poll", func(r *real, _ int) {
			r.call("PROPFIND", "/caldav/kits/K-1/", props("S:getctag"), "Depth: 0").want(207)
		}},
		{"sync", func(r *real, _ int) { r.call("REPORT", "/caldav/kits/K-1/", syncBody(token[r], 0)).want(207) }},
		{"month", func(r *real, _ int) { r.call("REPORT", "/caldav/kits/K-1/", month).want(207) }},
		{"put", func(r *real, i int) {
			text := ics("bench", fmt.Sprint("title ", i), "DTSTART:20260310T080000Z", "DTEND:20260310T090000Z")
			if s := r.call("PUT", "/caldav/kits/K-1/bench.ics", text).status; s != http.StatusCreated && s != http.StatusNoContent {
				b.Fatal(s)
			}
		}},
	} {
		round := 0
		b.Run(c.name, func(b *testing.B) {
			var small, large time.Duration
			for b.Loop() {
				round++
				start := time.Now()
				c.call(few, round)
				between := time.Now()
				c.call(many, round)
				small, large = small+between.Sub(start), large+time.Since(between)
			}
			b.ReportMetric(float64(large)/float64(small), "ratio")
			b.ReportMetric(float64(large.Microseconds())/float64(b.N), "µs/10000")
		})
	}
}
