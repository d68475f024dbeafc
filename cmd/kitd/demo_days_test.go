package main

import (
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"kitd/internal/demo"
)

// TestDemoCanBeBuiltOnAnyDay builds it on days that are awkward: clock changes in both zones of its depots, the turn of the year,
// a leap day, and hours at which the depots have different dates.
func TestDemoCanBeBuiltOnAnyDay(t *testing.T) {
	for _, at := range []string{"2026-03-29T00:30:00Z", "2027-01-01T05:59:00Z", "2028-02-29T23:30:00Z", "2026-11-02T12:00:00Z"} {
		t.Run(at, func(t *testing.T) {
			real, err := time.Parse(time.RFC3339, at)
			if err != nil {
				t.Fatal(err)
			}
			clock := demo.NewClock(func() time.Time { return real })
			set := settings{Database: "sqlite:" + filepath.Join(t.TempDir(), "kitd.db"), MailFrom: "kitd@localhost"}
			h, err := open(t.Context(), set, clock.Now, slog.New(slog.DiscardHandler), true)
			if err != nil {
				t.Fatal(err)
			}
			defer h.close()
			if _, err := demo.Build(t.Context(), demo.House{Gate: h.gate, Pool: h.pool, Desk: h.desk, Office: h.office, Clock: clock}); err != nil {
				t.Fatal(err)
			}
			if findings, err := h.db.Check(t.Context()); err != nil || len(findings) > 0 {
				t.Errorf("check: %v, %v", findings, err)
			}
		})
	}
}
