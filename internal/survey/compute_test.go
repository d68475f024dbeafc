package survey

import (
	"math"
	"testing"
	"time"

	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

func steady(t *testing.T, db, hours, step float64) exposure.History {
	t.Helper()
	levels := make([]float64, int(math.Round(hours*3600/step)))
	for i := range levels {
		levels[i] = db
	}
	l, err := exposure.NewLevels(levels)
	if err != nil {
		t.Fatal(err)
	}
	return exposure.History{StepSeconds: step, Quantity: exposure.LASmax, Levels: l}
}

// Expected levels: L_EX,8h = 10 lg(sum of hours x 10^(L/10) / 8) (ISO 1999:2013, 3.7; ISO 9612:2009, clause 9). Expected doses:
// 100 x sum of hours/T(L), T(L) = 8/2^((L-90)/5) (29 CFR 1910.95 Appendix A).
func TestDeclaredGapsEnterTheDay(t *testing.T) {
	osha, err := exposure.ProfileByID("us-osha-hc")
	if err != nil {
		t.Fatal(err)
	}
	ninety := DB(90_000)
	same, silent := Part{Kind: PartGap, Gap: GapSame, Minutes: 30}, Part{Kind: PartGap, Gap: GapNotExposed, Minutes: 30}
	loud := Part{Kind: PartGap, Gap: GapLevel, Minutes: 30, LevelDB: &ninety}
	energy := func(h, db float64) float64 { return h * math.Pow(10, db/10) }
	for _, c := range []struct {
		name     string
		measured float64 // hours at 85 dB
		shift    int
		gaps     []Part
		energy   float64
		dose     float64
		step     float64
	}{
		{"no gap", 8, 480, nil, energy(8, 85), 50, 1},
		{"the rest is the same", 7.5, 480, []Part{same}, energy(8, 85), 50, 1},
		{"not exposed", 7.5, 480, []Part{silent}, energy(7.5, 85), 100 * 7.5 / 16, 1},
		{"a stated level", 7.5, 480, []Part{loud}, energy(7.5, 85) + energy(0.5, 90), 100 * (7.5/16 + 0.5/8), 1},
		{"all three", 6.5, 480, []Part{same, silent, loud}, energy(7, 85) + energy(0.5, 90), 100 * (7.0/16 + 0.5/8), 1},
		{"all three, coarse steps", 6.5, 480, []Part{same, silent, loud}, energy(7, 85) + energy(0.5, 90), 100 * (7.0/16 + 0.5/8), 60},
		{"no shift declared, a gap of a level", 4, 0, []Part{loud}, energy(4, 85) + energy(0.5, 90), 100 * (4.0/16 + 0.5/8), 1},
		{"measured longer than the shift", 9, 480, nil, energy(8, 85), 50, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := steady(t, 85, c.measured, c.step)
			d := WorkerDay{ShiftMinutes: c.shift, Parts: append([]Part{{Kind: PartWear, Wear: ident.ID{1}}}, c.gaps...)}
			cover, err := d.Cover(time.Duration(h.Seconds() * float64(time.Second)))
			if err != nil {
				t.Fatal(err)
			}
			m, err := dayMetrics(h, nil, []exposure.Profile{osha}, nil, cover, h.Seconds()/3600)
			if err != nil {
				t.Fatal(err)
			}
			if want := 10 * math.Log10(c.energy/8); math.Abs(*m.LEX8hDB-want) > 2e-6 {
				t.Errorf("L_EX,8h %.6f, want %.6f", *m.LEX8hDB, want)
			}
			if got := *m.Profiles[0].DoseShiftPercent; math.Abs(got-c.dose) > 2e-5*c.dose {
				t.Errorf("dose of the shift %.5f %%, want %.5f %%", got, c.dose)
			}
		})
	}
}

func TestExcludedTimeIsRepresentedByTheRest(t *testing.T) {
	h := steady(t, 85, 8, 1)
	levels := h.Levels.DB()
	for i := 3600; i < 3600+1440; i++ {
		levels[i] = 110 // a vest beside a grinder for 24 minutes
	}
	var err error
	if h.Levels, err = exposure.NewLevels(levels); err != nil {
		t.Fatal(err)
	}
	cuts := []exposure.Exclusion{{FromS: 3600, ToS: 5040, Reason: "the vest hung beside a grinder", Treat: exposure.Remove}}
	cover, err := WorkerDay{ShiftMinutes: 480, Parts: []Part{{Kind: PartWear, Wear: ident.ID{1}}}}.Cover(8 * time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	m, err := dayMetrics(h, nil, nil, cuts, cover, 7.6)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(*m.LEX8hDB-85) > 1e-6 {
		t.Errorf("L_EX,8h %v, want 85 dB", *m.LEX8hDB)
	}
}

func TestGapsAsLongAsTheShiftGiveNoDay(t *testing.T) {
	level := DB(80_000)
	d := WorkerDay{ShiftMinutes: 60, Parts: []Part{{Kind: PartWear, Wear: ident.ID{1}}, {Kind: PartGap, Gap: GapLevel, Minutes: 60, LevelDB: &level}}}
	cover, err := d.Cover(30 * time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dayMetrics(steady(t, 85, 30.0/3600, 1), nil, nil, nil, cover, 30.0/3600); !fault.Is(err, fault.UndeclaredGap) {
		t.Errorf("%v, want the fault undeclared-gap", err)
	}
}

func TestDecimateKeepsExtremesAndEnergy(t *testing.T) {
	levels := make([]float64, 150)
	for i := range levels {
		levels[i] = 70
	}
	levels[10], levels[70] = 100, 40
	l, err := exposure.NewLevels(levels)
	if err != nil {
		t.Fatal(err)
	}
	got := Decimate(exposure.History{StepSeconds: 1, Levels: l, Gaps: []exposure.Steps{{From: 120, To: 150}}})
	if len(got) != 3 || got[0].MaxDB != 100 || got[0].MinDB != 70 || got[1].MinDB != 40 || !got[2].Gap || got[2].AtS != 120 {
		t.Fatalf("%+v", got)
	}
	if want := 10 * math.Log10((59*1e7+1e10)/60); math.Abs(got[0].LeqDB-want) > 1e-6 {
		t.Errorf("level of the first minute %v, want %v", got[0].LeqDB, want)
	}
	week := exposure.History{StepSeconds: 1, Levels: steady(t, 80, 7*24, 1).Levels}
	if n := len(Decimate(week)); n != plotPoints {
		t.Errorf("a week gives %d stretches, want %d", n, plotPoints)
	}
}

func TestBlockedProfilesKeepValuesAndLoseVerdicts(t *testing.T) {
	value := 86.0
	verdict := exposure.Verdict{ID: "upper", Value: &value, State: exposure.Met}
	c := Content{
		Flags: []Flag{{Code: FlagDrift, Blocks: []string{ISO9612, "eu-2003-10"}}},
		Day: exposure.Metrics{LEX8hDB: &value, Profiles: []exposure.ProfileResult{
			{Profile: "eu-2003-10", Verdicts: []exposure.Verdict{verdict}}, {Profile: "us-niosh", Verdicts: []exposure.Verdict{verdict}}}},
	}
	c.assess([]exposure.Profile{{ID: "eu-2003-10"}, {ID: "us-niosh"}})
	if v := c.Day.Profiles[0].Verdicts[0]; v.State != exposure.NotAssessable || *v.Value != value {
		t.Errorf("blocked profile: %+v", v)
	}
	if v := c.Day.Profiles[1].Verdicts[0]; v.State != exposure.Met {
		t.Errorf("profile that is not blocked: %+v", v)
	}
	if c.Uncertainty != nil || c.Assessable(ISO9612) {
		t.Error("ISO 9612 gives a result with too much drift")
	}
	free := Content{Day: exposure.Metrics{LEX8hDB: &value}}
	free.assess(nil)
	// u = sqrt(1.5² + 1.0²), U = 1.65 u (ISO 9612:2009, Annex C; Tables C.5, C.6).
	if u := free.Uncertainty; u == nil || math.Abs(u.ExpandedDB-1.65*math.Sqrt(3.25)) > 2e-6 || math.Abs(*u.UpperDB-(86+u.ExpandedDB)) > 1e-9 {
		t.Errorf("uncertainty %+v", free.Uncertainty)
	}
}
