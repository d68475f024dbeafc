package survey

import (
	"slices"
	"testing"
	"time"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

func mustDB(t *testing.T, s string) DB {
	t.Helper()
	d, err := ParseDB(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestParseDBIsExact(t *testing.T) {
	good := map[string]DB{"114": 114000, "114.0": 114000, "93.98": 93980, "-0.5": -500, "0.001": 1, " 94.3 ": 94300, "0": 0, "-0.001": -1}
	for in, want := range good {
		if got, err := ParseDB(in); err != nil || got != want {
			t.Errorf("ParseDB(%q) = %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "-", ".", "1.", ".5", "1.0000", "1,5", "1e2", "NaN", "12345678", "--1", "1.-5", "+1", "٣"} {
		if got, err := ParseDB(in); err == nil {
			t.Errorf("ParseDB(%q) = %d, want an error", in, got)
		}
	}
	for _, d := range []DB{0, 1, -1, 500, -500, 93980, 114000, -1234} {
		if back := mustDB(t, d.String()); back != d {
			t.Errorf("%d is written %s and read back as %d", d, d, back)
		}
	}
	if got := DB(114000).String(); got != "114.0" {
		t.Errorf("114 dB is written %s", got)
	}
}

// The formula and the limit of 0.5 dB: ISO 9612:2009, 12.2 (differences of more than 0.5 dB discard the series).
func TestDriftIsJudgedInDecimals(t *testing.T) {
	for _, c := range []struct {
		name                           string
		indicated, adjusted, after     string
		beforeLevel, afterLevel, want  string
		passesISO, passesOSHA, suspect bool
	}{
		{"no drift", "114.0", "", "114.0", "114.0", "114.0", "0.0", true, true, false},
		{"exactly 0.5 up", "93.8", "", "94.3", "94.0", "94.0", "0.5", true, true, false},
		{"exactly 0.5 down", "94.3", "", "93.8", "94.0", "94.0", "-0.5", true, true, false},
		{"exactly 0.5 that floats get wrong", "113.9", "113.8", "114.3", "113.8", "113.8", "0.5", true, true, false},
		{"a thousandth beyond", "94.000", "", "94.501", "94.0", "94.0", "0.501", false, true, false},
		{"0.6", "114.0", "", "113.4", "114.0", "114.0", "-0.6", false, true, false},
		{"exactly 1.0 passes only the 1 dB limits", "94.0", "", "95.0", "94.0", "94.0", "1.0", false, true, false},
		{"1.1", "94.0", "", "95.1", "94.0", "94.0", "1.1", false, false, false},
		{"adjusted: the drift counts from the reading after it", "112.8", "114.0", "113.5", "114.0", "114.0", "-0.5", true, true, true},
		{"as received exactly 1 dB off is not suspect", "113.0", "114.0", "114.0", "114.0", "114.0", "0.0", true, true, false},
		{"two calibrators of different level", "114.0", "113.9", "94.4", "113.9", "93.98", "0.42", true, true, false},
		{"two calibrators, readings alike, levels 0.6 apart", "94.0", "", "94.0", "94.0", "93.4", "0.6", false, true, false},
		{"two calibrators, readings 0.6 apart, levels as well", "94.0", "", "94.6", "94.0", "94.6", "0.0", true, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := JudgeDrift(pair(t, c.indicated, c.adjusted, c.after), func(k Check) (DB, bool) {
				if k.When == Before {
					return mustDB(t, c.beforeLevel), true
				}
				return mustDB(t, c.afterLevel), true
			}, limitsOf(t, "eu-2003-10", "us-osha-hc"))
			if d.ValueDB == nil || *d.ValueDB != mustDB(t, c.want) {
				t.Fatalf("drift %v, want %s", d.ValueDB, c.want)
			}
			if d.Blocks(ISO9612) == c.passesISO || d.Blocks("eu-2003-10") == c.passesISO {
				t.Errorf("ISO 9612 passes: %v, EU: %v, want %v", !d.Blocks(ISO9612), !d.Blocks("eu-2003-10"), c.passesISO)
			}
			if d.Blocks("us-osha-hc") == c.passesOSHA {
				t.Errorf("OSHA passes: %v, want %v", !d.Blocks("us-osha-hc"), c.passesOSHA)
			}
			// OSHA Technical Manual: more than 1 dB off as received is suspect.
			if got := flagged(d.Flags, FlagAsReceived); got != c.suspect {
				t.Errorf("suspect as received: %v, want %v", got, c.suspect)
			}
			if got := flagged(d.Flags, FlagDrift); got == c.passesISO {
				t.Errorf("flagged for drift: %v with %s dB", got, c.want)
			}
		})
	}
}

func TestMissingChecksLeaveISOWithoutResult(t *testing.T) {
	both := pair(t, "114.0", "", "114.1")
	level := func(Check) (DB, bool) { return 114000, true }
	for _, c := range []struct {
		name   string
		checks []Check
		levels Levels
		want   FlagCode
	}{
		{"no before", both[1:], level, FlagNoBefore},
		{"no after", both[:1], level, FlagNoAfter},
		{"no certified level", both, func(Check) (DB, bool) { return 0, false }, FlagNoLevel},
	} {
		d := JudgeDrift(c.checks, c.levels, limitsOf(t, "uk-2005", "us-osha-hc", "us-niosh"))
		if d.ValueDB != nil || !flagged(d.Flags, c.want) {
			t.Errorf("%s: drift %v, flags %v", c.name, d.ValueDB, d.Flags)
		}
		if !d.Blocks(ISO9612) || !d.Blocks("uk-2005") {
			t.Errorf("%s: ISO 9612 (12.2) is assessed all the same", c.name)
		}
		if d.Blocks("us-osha-hc") || d.Blocks("us-niosh") {
			t.Errorf("%s: a profile that does not rest on ISO 9612 is blocked", c.name)
		}
	}
}

func TestRepeatedCheckReplacesTheOneBeforeIt(t *testing.T) {
	checks := pair(t, "114.0", "", "113.2")
	again := checks[1]
	again.ID, again.At, again.IndicatedDB, again.Calibrator = ident.ID{9}, again.At.Add(time.Minute), 113800, ident.ID{8}
	d := JudgeDrift(append(checks, again), func(Check) (DB, bool) { return 114000, true }, nil)
	if d.After != again.ID || *d.ValueDB != -200 {
		t.Errorf("judged %v with %v, want the second after-check with -0.2 dB", d.After, d.ValueDB)
	}
}

func TestCertifiedLevelIsTheOneInForceOnTheDay(t *testing.T) {
	level := func(v float64) *float64 { return &v }
	lines := []fleet.Line{
		{ID: ident.ID{1}, LevelDB: level(113.97), Calibrated: civil.Date{Year: 2025, Month: 2, Day: 18}},
		{ID: ident.ID{2}, LevelDB: level(114.02), Calibrated: civil.Date{Year: 2026, Month: 2, Day: 18}},
		{ID: ident.ID{3}, Calibrated: civil.Date{Year: 2026, Month: 3, Day: 1}}, // states no level
	}
	for on, want := range map[string]DB{"2025-02-18": 113970, "2026-02-17": 113970, "2026-02-18": 114020, "2026-11-01": 114020} {
		day, err := civil.Parse(on)
		if err != nil {
			t.Fatal(err)
		}
		if _, got, ok := CertifiedLevel(lines, day); !ok || got != want {
			t.Errorf("on %s: %v %v, want %v", on, got, ok, want)
		}
	}
	if _, _, ok := CertifiedLevel(lines, civil.Date{Year: 2025, Month: 2, Day: 17}); ok {
		t.Error("a level before the first calibration")
	}
}

func pair(t *testing.T, indicated, adjusted, after string) []Check {
	t.Helper()
	at := time.Date(2026, 11, 18, 7, 0, 0, 0, time.UTC)
	b := Check{ID: ident.ID{1}, When: Before, At: at, Calibrator: ident.ID{7}, IndicatedDB: mustDB(t, indicated)}
	if adjusted != "" {
		d := mustDB(t, adjusted)
		b.Adjusted, b.AdjustedDB = true, &d
	}
	return []Check{b, {ID: ident.ID{2}, When: After, At: at.Add(8 * time.Hour), Calibrator: ident.ID{7}, IndicatedDB: mustDB(t, after)}}
}

func limitsOf(t *testing.T, ids ...string) []DriftLimit {
	t.Helper()
	var profiles []exposure.Profile
	for _, id := range ids {
		p, err := exposure.ProfileByID(id)
		if err != nil {
			t.Fatal(err)
		}
		profiles = append(profiles, p)
	}
	return DriftLimits(profiles)
}

func flagged(flags []Flag, code FlagCode) bool {
	return slices.ContainsFunc(flags, func(f Flag) bool { return f.Code == code })
}

func FuzzParseDB(f *testing.F) {
	for _, s := range []string{"114.0", "-0.5", "93.98", "", "1.0000", "-", "1e2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDB(s)
		if err != nil {
			return
		}
		if back, err := ParseDB(d.String()); err != nil || back != d {
			t.Errorf("%q was read as %d, written as %s and read back as %d, %v", s, d, d, back, err)
		}
	})
}

// OSHA Technical Manual: more than 1 dB off as received is suspect. What an adjustment hid stays suspect when the check is
// repeated; what only a second calibrator clears does not.
func TestRepeatedCheckKeepsWhatWasReceived(t *testing.T) {
	level := func(Check) (DB, bool) { return 114000, true }
	for _, c := range []struct {
		name     string
		adjusted string // in the first check
		want     string
		suspect  bool
	}{
		{"adjusted, then repeated", "114.0", "1.5", true},
		{"not adjusted, then repeated", "", "0.1", false},
	} {
		first := pair(t, "115.5", c.adjusted, "114.1")
		again := pair(t, "114.1", "", "114.1")[0]
		again.At = first[0].At.Add(time.Minute)
		d := JudgeDrift(append(first, again), level, nil)
		if d.AsReceived == nil || *d.AsReceived != mustDB(t, c.want) || flagged(d.Flags, FlagAsReceived) != c.suspect {
			t.Errorf("%s: as received %v, flags %v; want %s dB, suspect %v", c.name, d.AsReceived, d.Flags, c.want, c.suspect)
		}
		if d.Before != again.ID || d.ValueDB == nil || *d.ValueDB != 0 {
			t.Errorf("%s: the last check is judged, drift %v", c.name, d.ValueDB)
		}
	}
}
