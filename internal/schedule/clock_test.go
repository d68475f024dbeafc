package schedule

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// TestReadingLocalTimes compares with brute force: an instant is a reading of a local time when the zone's clock shows it then.
func TestReadingLocalTimes(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	// Lord Howe moves by half an hour; Apia left out 30 December 2011; Cairo and Asunción change at midnight.
	zones := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "Africa/Cairo", "America/Asuncion", "Asia/Kathmandu", "UTC"}
	gaps, twice := 0, 0
	for range 20000 {
		name := zones[random.IntN(len(zones))]
		loc, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		near := time.Date(2010+random.IntN(17), time.Month(1+random.IntN(12)), 1+random.IntN(28), random.IntN(24), 0, 0, 0, loc)
		if _, end := near.ZoneBounds(); random.IntN(2) == 0 && !end.IsZero() {
			near = end // half of them around a change
		}
		wall := near.Add(time.Duration(random.IntN(240)-120) * time.Minute).In(loc).Add(time.Duration(random.IntN(120)-60) * time.Minute)
		_, offset := wall.Zone()
		local := wall.Add(time.Duration(random.IntN(5)-2) * 30 * time.Minute).UTC().Add(time.Duration(offset) * time.Second).Format(localForm)
		want := brute(t, local, loc)
		r, err := Civil{Local: local, Zone: name}.read()
		if err != nil {
			t.Fatal(err)
		}
		if !slices.EqualFunc(r.at, want, time.Time.Equal) || (len(want) == 0) == r.shifted.IsZero() {
			t.Fatalf("%s in %s is read as %v (shifted %v), want %v", local, name, r.at, r.shifted, want)
		}
		switch len(want) {
		case 0:
			gaps++
		case 2:
			twice++
		}
	}
	if gaps < 100 || twice < 100 {
		t.Errorf("only %d gaps and %d repeated times were met", gaps, twice)
	}
}

// brute tries every offset between -13 and +15 hours in steps of 15 minutes.
func brute(t *testing.T, local string, loc *time.Location) []time.Time {
	t.Helper()
	wall, err := time.Parse(localForm, local)
	if err != nil {
		t.Fatal(err)
	}
	var found []time.Time
	for minutes := 15 * 60; minutes >= -13*60; minutes -= 15 {
		if at := wall.Add(-time.Duration(minutes) * time.Minute); at.In(loc).Format(localForm) == local {
			found = append(found, at)
		}
	}
	return found
}
