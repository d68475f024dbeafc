package civil_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"kitd/internal/civil"
)

func date(t testing.TB, s string) civil.Date {
	t.Helper()
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestParseRefuses(t *testing.T) {
	for _, bad := range []string{"", "2026-02-29", "2026-13-01", "2026-1-1", "01.02.2026", "2026-02-01T00:00", " 2026-02-01"} {
		if d, err := civil.Parse(bad); err == nil {
			t.Errorf("%q was read as %s", bad, d)
		}
	}
	if d := date(t, "2024-02-29"); d.String() != "2024-02-29" {
		t.Errorf("got %s", d)
	}
}

func TestMonths(t *testing.T) {
	for _, c := range []struct {
		from string
		n    int
		want string
	}{{"2026-01-31", 1, "2026-02-28"}, {"2024-01-31", 1, "2024-02-29"}, {"2026-03-31", -1, "2026-02-28"}, {"2024-02-29", 12, "2025-02-28"},
		{"2026-05-12", 12, "2027-05-12"}, {"2026-05-12", 24, "2028-05-12"}, {"2026-12-31", 2, "2027-02-28"}, {"2026-01-15", -13, "2024-12-15"}} {
		if got := date(t, c.from).AddMonths(c.n); got.String() != c.want {
			t.Errorf("%s and %d months: got %s, want %s", c.from, c.n, got, c.want)
		}
	}
	for from, want := range map[string]string{"2026-02-01": "2026-02-28", "2024-02-29": "2024-02-29", "2026-12-31": "2026-12-31"} {
		if got := date(t, from).MonthEnd(); got.String() != want {
			t.Errorf("month end of %s: %s", from, got)
		}
	}
}

// Days in zones with clock changes: their lengths, and where midnight does not exist.
func TestDaysInZones(t *testing.T) {
	for _, c := range []struct {
		zone, day, start string
		hours            float64
	}{
		{"UTC", "2026-03-29", "2026-03-29T00:00:00Z", 24},
		{"Europe/Berlin", "2026-03-29", "2026-03-28T23:00:00Z", 23},
		{"Europe/Berlin", "2026-10-25", "2026-10-24T22:00:00Z", 25},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z", 23},     // midnight did not exist: the day began at 01:00 (-02:00)
		{"Pacific/Apia", "2011-12-29", "2011-12-29T10:00:00Z", 24},          // the day before the skipped one
		{"Australia/Lord_Howe", "2026-04-05", "2026-04-04T13:00:00Z", 24.5}, // half an hour of change
	} {
		loc, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		d := date(t, c.day)
		start, end := d.Start(loc), d.End(loc)
		if got := start.UTC().Format(time.RFC3339); got != c.start {
			t.Errorf("%s in %s begins %s, want %s", c.day, c.zone, got, c.start)
		}
		if got := end.Sub(start).Hours(); got != c.hours {
			t.Errorf("%s in %s has %v h, want %v", c.day, c.zone, got, c.hours)
		}
		if civil.Of(start.In(loc)) != d || civil.Of(end.Add(-time.Nanosecond).In(loc)) != d {
			t.Errorf("%s in %s does not begin and end on itself", c.day, c.zone)
		}
	}
}

func TestArithmeticAgreesWithItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := civil.Date{Year: 2000, Month: 1, Day: 1}.AddDays(rapid.IntRange(-40_000, 40_000).Draw(t, "day"))
		n := rapid.IntRange(-5000, 5000).Draw(t, "n")
		e := d.AddDays(n)
		if d.DaysUntil(e) != n || d.Before(e) != (n > 0) || d.After(e) != (n < 0) {
			t.Fatalf("%s and %d days is %s", d, n, e)
		}
		text, err := d.MarshalText()
		var back civil.Date
		if err != nil || back.UnmarshalText(text) != nil || back != d {
			t.Fatalf("%s came back as %s", d, back)
		}
	})
}
