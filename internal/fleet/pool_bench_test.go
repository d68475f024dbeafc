package fleet

import (
	"fmt"
	"testing"
	"time"

	"kitd/internal/ident"
)

// benchPool has 5,000 units with 200 promises each, two certificates and a year of charging, as one dossier a unit.
func benchPool(b *testing.B) []Dossier {
	b.Helper()
	const units, promises = 5000, 200
	start := moment("2026-01-01 08:00")
	chargers := map[ident.ID]Supply{chargerID: {Tag: "N-1", Facts: []Fact{happened(11, "2025-11-01 09:00", PowerSeen{true})}}}
	all := make([]Dossier, units)
	for i := range all {
		d := sound()
		d.Unit.ID = ident.ID{0: byte(i >> 8), 1: byte(i), 15: 1}
		d.Unit.Tag = fmt.Sprintf("D-%04d", i)
		d.Power = chargers
		d.Facts = nil
		d.Lines = append([]Line{{ID: drawID(242), Number: "LK-0", Calibrated: date("2025-06-12"), Due: date("2026-06-11"), Verdict: Pass}}, d.Lines...)
		for k := range promises {
			from := start.Add(time.Duration(k*60+i%24) * time.Hour)
			d.Promises = append(d.Promises, Promise{Unit: d.Unit.ID, Booking: drawID(k), Span: Span{from, from.Add(40 * time.Hour)}, Label: "S-112"})
		}
		for k := range 24 {
			on := start.Add(time.Duration(k*15*24+i%12) * time.Hour)
			for j, body := range []Body{ChargeOn{chargerID, 1 + i%20}, ChargeOff{}} {
				at := on.Add(time.Duration(j*20) * time.Hour)
				d.Facts = append(d.Facts, Fact{ID: ident.ID{0: byte(i), 1: byte(k), 2: byte(j), 15: 9}, Occurred: at, Entered: at, By: "ida", Body: body})
			}
		}
		all[i] = d
	}
	return all
}

// linear is the plain way for the promises alone: look at every promise of every unit.
func linear(all []Dossier, span Span) (free int) {
	for i := range all {
		taken := false
		for _, p := range all[i].Promises {
			taken = taken || p.Span.Overlaps(span)
		}
		if !taken {
			free++
		}
	}
	return free
}

// BenchmarkPool asks the whole pool of 5,000 units and 1,000,000 bookings about one interval, in the middle of the horizon.
// The reference is a linear scan of the promises alone; scan/linear is the ratio of the complete answer to it.
func BenchmarkPool(b *testing.B) {
	all := benchPool(b)
	at := moment("2026-12-31 09:00")
	pool := NewPool(all, at)
	for _, c := range []struct {
		name string
		from string
	}{{"early", "2026-01-20 09:00"}, {"middle", "2026-09-01 09:00"}, {"late", "2027-04-20 09:00"}} {
		from := moment(c.from)
		span := Span{from, from.Add(30 * time.Hour)}
		b.Run(c.name, func(b *testing.B) {
			free := 0
			for _, x := range pool.Scan(span, at, SoonDays) {
				if !x.Has(ReasonPromise) {
					free++
				}
			}
			if want := linear(all, span); free != want {
				b.Fatalf("%d units are not promised, the linear scan finds %d", free, want)
			}
			began := time.Now()
			for range 5 {
				linear(all, span)
			}
			reference := time.Since(began) / 5
			b.ResetTimer()
			for b.Loop() {
				pool.Scan(span, at, SoonDays)
			}
			each := b.Elapsed() / time.Duration(b.N)
			b.ReportMetric(float64(each.Microseconds())/1000, "ms/scan")
			b.ReportMetric(float64(each)/float64(reference), "scan/linear")
		})
	}
	b.Run("words", func(b *testing.B) {
		span := Span{at, at.Add(30 * time.Hour)}
		for b.Loop() {
			pool.Assess(span, at)
		}
	})
}

// BenchmarkShelf makes one page of 50 rows, filters, counts, order and words included; search looks at every name of every unit.
// The reference is the scan alone.
func BenchmarkShelf(b *testing.B) {
	all := benchPool(b)
	at := moment("2026-12-31 09:00")
	pool := NewPool(all, at)
	span := Span{at, at.Add(30 * time.Hour)}
	for name, text := range map[string]string{"all": "", "search": "d-49 lk-1"} {
		q := ShelfQuery{Span: span, At: at, SoonDays: SoonDays, Limit: 50, Text: text}
		b.Run(name, func(b *testing.B) {
			began := time.Now()
			for range 5 {
				pool.Scan(span, at, SoonDays)
			}
			reference := time.Since(began) / 5
			b.ResetTimer()
			for b.Loop() {
				if page := pool.shelf(q, shelfPlace{}); len(page.Rows) != 50 {
					b.Fatalf("%d rows", len(page.Rows))
				}
			}
			b.ReportMetric(float64(b.Elapsed()/time.Duration(b.N))/float64(reference), "page/scan")
		})
	}
}
