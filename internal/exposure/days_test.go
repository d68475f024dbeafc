package exposure

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/fault"
)

// ISO 9612:2009, Annex E: six samples of 18 workers, effective day 7.5 h, u 2.3 dB, U 3.8 dB (printed); L_EX,8h is printed 88.1
// from rounded intermediates, by the formulas it is 88.159.
func TestAnnexE(t *testing.T) {
	r, err := ComputeJob(SampledDay{LevelsDB: []float64{88.1, 86.1, 89.7, 86.5, 91.1, 86.7}, EffectiveHours: 7.5})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "L_p,A,eqT", r.LevelDB, 88.440, 6e-4)
	near(t, "L_EX,8h", r.LEX8hDB, 88.159, 6e-4)
	near(t, "u1", value(t, "u1", r.U1DB), 2.0027, 6e-5)
	near(t, "c1u1", value(t, "c1u1", r.C1U1DB), 1.403, 6e-4)
	near(t, "u", value(t, "u", r.StandardUncertainty), 2.284, 6e-4)
	near(t, "U", value(t, "U", r.ExpandedUncertainty), 3.769, 6e-4)
	near(t, "upper", value(t, "upper", r.UpperDB), 91.928, 1e-3)
	if len(r.Advice) != 0 {
		t.Errorf("advice %+v", r.Advice)
	}
}

// ISO 9612:2009, Table C.4 (from memory): the table in the program against the transcription, and its shape: more spread is
// more uncertainty, more samples are less.
func TestTableC4(t *testing.T) {
	for i, row := range table(t, "iso9612_table_c4.csv", 15) {
		if int(row[0]) != c4Samples[i] {
			t.Fatalf("row %d is for %v samples, want %d", i, row[0], c4Samples[i])
		}
		for j, want := range row[1:] {
			got, ok := tableC4(c4Samples[i], 0.5*float64(j+1))
			if !ok || got != want {
				t.Errorf("N %v, u1 %v: %v, %v; want %v", row[0], 0.5*float64(j+1), got, ok, want)
			}
		}
	}
	for n := 3; n < 30; n++ {
		last := -1.0
		for u1 := 0.0; u1 <= 6; u1 += 0.1 {
			got, ok := tableC4(n, u1)
			more, _ := tableC4(n+1, u1)
			if !ok || got < last || more > got+1e-12 {
				t.Errorf("N %d, u1 %.1f: %v after %v, with one more sample %v", n, u1, got, last, more)
			}
			last = got
		}
	}
	for _, c := range []struct {
		n    int
		u1   float64
		want float64
	}{{6, 0, 0}, {6, 0.25, 0.15}, {6, 2.25, 1.65}, {11, 2, 0.85}, {30, 2, 0.4}} {
		if got, _ := tableC4(c.n, c.u1); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("N %d, u1 %v: %v, want %v", c.n, c.u1, got, c.want)
		}
	}
	for _, c := range []struct {
		n  int
		u1 float64
	}{{2, 1}, {31, 1}, {6, 6.000001}, {6, math.NaN()}} {
		if _, ok := tableC4(c.n, c.u1); ok {
			t.Errorf("N %d, u1 %v has a value", c.n, c.u1)
		}
	}
}

// Land's exact limit, by simulation-free algebra for many samples: c1 u1 nears sqrt(u1²/N + (0.115 u1²)² 2/(N-1)) as N grows.
func TestTableC4NearsTheLargeSampleForm(t *testing.T) {
	for _, u1 := range []float64{1, 2, 3, 4} {
		got, _ := tableC4(30, u1)
		k := math.Ln10 / 20 // 0.115
		want := math.Sqrt(u1*u1/30 + 2*math.Pow(k*u1*u1, 2)/29)
		near(t, "c1u1", got, want, 0.1+0.05*u1)
	}
}

func TestFewSamplesGiveALevelWithoutUncertainty(t *testing.T) {
	one, err := ComputeFullDay(SampledDay{LevelsDB: []float64{88}, EffectiveHours: 8})
	if err != nil {
		t.Fatal(err)
	}
	if one.LEX8hDB != 88 || one.U1DB != nil || one.UpperDB != nil || one.Advice[0].Code != "few_samples" {
		t.Errorf("%+v", one)
	}
	two, err := ComputeJob(SampledDay{LevelsDB: []float64{88, 90}, EffectiveHours: 8})
	if err != nil || two.U1DB == nil || two.ExpandedUncertainty != nil {
		t.Errorf("%+v, %v", two, err)
	}
	wide, err := ComputeFullDay(SampledDay{LevelsDB: []float64{60, 80, 100}, EffectiveHours: 8})
	if err != nil || wide.C1U1From != FromLand || wide.Advice[0].Code != "spread_beyond_table" {
		t.Errorf("%+v, %v", wide, err)
	}
	near(t, "c1u1 of three samples 20 dB apart", value(t, "c1u1", wide.C1U1DB), landC1U1(3, 20), 1e-6)
}

func TestFullDays(t *testing.T) {
	level := 10 * math.Log10((8*1e8+10*1e9)/18)
	r, err := ComputeFullDay(SampledDay{LevelsDB: []float64{80, 90}, DayHours: []float64{8, 10}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "level over all hours", r.LevelDB, level, 1e-6)
	near(t, "L_EX,8h", r.LEX8hDB, 10*math.Log10((1e8+1e9*10/8)/2), 1e-6)
	near(t, "effective hours", r.HoursEffective, 9, 0)
	a, _ := ComputeFullDay(SampledDay{LevelsDB: []float64{80, 82, 81}, EffectiveHours: 9})
	b, _ := ComputeFullDay(SampledDay{LevelsDB: []float64{80, 82, 81}, DayHours: []float64{9, 9, 9}})
	if a.LEX8hDB != b.LEX8hDB || *a.UpperDB != *b.UpperDB {
		t.Errorf("%+v\n%+v", a, b)
	}
	for levels, want := range map[[3]float64]string{{80, 81, 83}: "spread_3_db", {80, 81, 82.9}: ""} {
		r, err := ComputeFullDay(SampledDay{LevelsDB: levels[:], EffectiveHours: 8})
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, a := range r.Advice {
			got += a.Code
		}
		if got != want {
			t.Errorf("%v: advice %q, want %q", levels, got, want)
		}
	}
	job, err := ComputeJob(SampledDay{LevelsDB: []float64{80, 86, 90, 92, 81}, EffectiveHours: 8})
	if err != nil || job.Advice[0].Code != "c1u1_above_3_5_db" {
		t.Errorf("%+v, %v", job, err)
	}
}

func level(db float64) *float64 { return &db }

func TestWorkerDay(t *testing.T) {
	osha, err := ProfileByID("us-osha-hc")
	if err != nil {
		t.Fatal(err)
	}
	lex := func(parts ...Part) float64 {
		t.Helper()
		m, err := ComputeDay(WorkerDay{8, parts}, []Profile{osha}, Context{})
		if err != nil {
			t.Fatal(err)
		}
		return *m.LEX8hDB
	}
	near(t, "all measured", lex(Part{6, level(90), Measured}, Part{2, level(80), Measured}), 10*math.Log10((6e9+2e8)/8), 1e-6)
	near(t, "same", lex(Part{6, level(90), Measured}, Part{2, nil, Same}), 90, 1e-6)
	near(t, "not exposed", lex(Part{6, level(90), Measured}, Part{2, nil, NoNoise}), 10*math.Log10(6e9/8), 1e-6)
	near(t, "stated", lex(Part{6, level(90), Measured}, Part{2, level(70), Stated}), 10*math.Log10((6e9+2e7)/8), 1e-6)
	near(t, "same and not exposed", lex(Part{5, level(90), Measured}, Part{1, nil, NoNoise}, Part{2, nil, Same}), 10*math.Log10(5e9/6), 1e-6)
	m, err := ComputeDay(WorkerDay{8, []Part{{4, level(90), Measured}, {4, nil, Same}}}, []Profile{osha}, Context{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dose", *m.Profiles[0].DosePercent, 50, 0)
	near(t, "dose of the shift", *m.Profiles[0].DoseShiftPercent, 100, 0)
	near(t, "hours", m.DurationHours, 4, 0)
	if hasAdvice(m, "measured_time_only") {
		t.Error("a worker-day has its working time")
	}
}

// The same day as parts and as a history with exclusions gives the same levels.
func TestWorkerDayAgreesWithHistory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		minutes := rapid.SliceOfN(rapid.IntRange(1, 60), 4, 4).Draw(t, "minutes")
		levels := rapid.SliceOfN(rapid.Float64Range(60, 110), 2, 2).Draw(t, "levels")
		first, second := Level(levels[0]), Level(levels[1])
		db := slices.Concat(slices.Repeat([]float64{first}, minutes[0]), slices.Repeat([]float64{second}, minutes[1]), make([]float64, minutes[2]+minutes[3]))
		own, err := NewLevels(db)
		if err != nil {
			t.Fatal(err)
		}
		h := History{StepSeconds: 60, Quantity: LAeq, Levels: own}
		at := float64(60 * (minutes[0] + minutes[1]))
		quiet := at + float64(60*minutes[2])
		shift := h.Seconds() / 3600
		a := must(t, h, Context{ShiftHours: shift, Exclusions: []Exclusion{{at, quiet, "lunch", NotExposed}, {quiet, h.Seconds(), "gap", Remove}}})
		hours := func(i int) float64 { return float64(minutes[i]) / 60 }
		b, err := ComputeDay(WorkerDay{shift, []Part{{hours(0), &first, Measured}, {hours(1), &second, Measured}, {hours(2), nil, NoNoise}, {hours(3), nil, Same}}}, Profiles(), Context{})
		if err != nil {
			t.Fatal(err)
		}
		agree(t, "L_EX,8h", a.LEX8hDB, b.LEX8hDB, 1e-6)
		agree(t, "L_Aeq", a.LAeqDB, b.LAeqDB, 1e-6)
		for i, p := range a.Profiles {
			if p.DoseShiftPercent != nil {
				agree(t, p.Profile, p.DoseShiftPercent, b.Profiles[i].DoseShiftPercent, 2e-6**p.DoseShiftPercent+1e-9)
			}
		}
	})
}

// The weekly average, computed from its formula: days 82, 84, 86, 88, 90 give 86.882 dB, three days 90, 90, 85 give 86.658 dB;
// and the HSE weekly ready-reckoner (Crown copyright 2020), to whole dB.
func TestWeekly(t *testing.T) {
	for _, c := range []struct {
		days []float64
		want float64
	}{{[]float64{82, 84, 86, 88, 90}, 86.882}, {[]float64{90, 90, 85}, 86.658}, {[]float64{85, 85, 85, 85, 85, 85, 85}, 86.461}} {
		got, err := WeeklyLevel(c.days)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "weekly", got, c.want, 6e-4)
	}
	for _, row := range table(t, "hse_weekly.csv", 18) {
		lep, printed, exact := row[0], row[3], row[4]
		got, err := WeeklyLevel(slices.Repeat([]float64{lep}, 5))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "five equal days", got, lep, 0)
		near(t, "points", 500*math.Pow(10, (got-85)/10), exact, 6e-3)
		near(t, "printed points", 10*math.Log10(printed/500)+85, lep, 0.5)
	}
}

func TestRunDays(t *testing.T) {
	got := run(t, `{"method":"job-based","hours_effective":7.5,"levels_db":[88.1,86.1,89.7,86.5,91.1,86.7],"instrument":"personal"}`)
	near(t, "U", at(t, got, "expanded_uncertainty_db").(float64), 3.769, 6e-4)
	got = run(t, `{"method":"full-day","days":[{"level_db":88,"hours":8},{"level_db":88,"hours":8},{"level_db":88,"hours":8}]}`)
	near(t, "lex", at(t, got, "lex_8h_db").(float64), 88, 0)
	near(t, "U", at(t, got, "expanded_uncertainty_db").(float64), 1.65*math.Sqrt(3.25), 1e-6)
	got = run(t, `{"method":"full-day","hours_effective":8,"levels_db":[88,88,88],"instrument":"class1"}`)
	near(t, "U", at(t, got, "expanded_uncertainty_db").(float64), 1.65*math.Sqrt(1.49), 1e-6)
	got = run(t, `{"method":"worker-day","shift_hours":8,"parts":[{"hours":6,"level_db":90},{"hours":2,"gap":"same"}],"profiles":["us-osha-pel","uk-2005"]}`)
	near(t, "lex", at(t, got, "lex_8h_db").(float64), 90, 0)
	near(t, "dose", at(t, got, "profiles", 0, "dose_shift_percent").(float64), 100, 0)
	if s := at(t, got, "profiles", 0, "verdicts", 0, "state"); s != "not_met" {
		t.Errorf("100 %% does not exceed unity: %v", s)
	}
	got = run(t, `{"method":"weekly","days_lex_8h_db":[82,84,86,88,90]}`)
	near(t, "weekly", at(t, got, "lex_week_db").(float64), 86.882, 6e-4)
}

func TestRunDaysRefusesWithThePlace(t *testing.T) {
	for _, c := range []struct{ doc, where, says string }{
		{`{"method":"job-based","levels_db":[80]}`, "/hours_effective", "missing"},
		{`{"method":"job-based","hours_effective":-8,"levels_db":[80]}`, "/hours_effective", "above 0 h"},
		{`{"method":"job-based","hours_effective":8}`, "/levels_db", "at least one"},
		{`{"method":"job-based","hours_effective":8,"levels_db":[80,-3]}`, "/levels_db/1", "-3 dB"},
		{`{"method":"job-based","hours_effective":8,"levels_db":[80],"days":[]}`, "/days", "hours_effective"},
		{`{"method":"full-day","days":[]}`, "/days", "at least one"},
		{`{"method":"full-day","days":[{"level_db":80,"hours":8}],"hours_effective":8}`, "/days", "not both"},
		{`{"method":"full-day","days":[{"level_db":80,"hours":8},{"level_db":80,"hours":0}]}`, "/days/1/hours", "above 0 h"},
		{`{"method":"full-day","days":[{"level_db":800,"hours":8}]}`, "/days/0/level_db", "800 dB"},
		{`{"method":"full-day","days":[{"hours":8}]}`, "/days/0/level_db", "level"},
		{`{"method":"full-day","instrument":"x","days":[{"level_db":80,"hours":8}]}`, "/instrument", "class2"},
		{`{"method":"worker-day","parts":[]}`, "/shift_hours", "missing"},
		{`{"method":"worker-day","shift_hours":8,"parts":[]}`, "/parts", "at least one"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":7,"level_db":80}]}`, "/parts", "1 h of the working time are in no part; declare the gap"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":9,"level_db":80}]}`, "/parts", "longer"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8}]}`, "/parts/0/level_db", "needs a level"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":"level"}]}`, "/parts/0/level_db", "needs a level"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":"same","level_db":80}]}`, "/parts/0/level_db", "has no level"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":"lunch"}]}`, "/parts/0/gap", "not_exposed"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":""}]}`, "/parts/0/gap", "not_exposed"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":"same"}]}`, "/parts", "no rest"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":-8,"level_db":80}]}`, "/parts/0/hours", "above 0 h"},
		{`{"method":"weekly","days_lex_8h_db":[]}`, "/days_lex_8h_db", "one to seven"},
		{`{"method":"weekly","days_lex_8h_db":[80,80,80,80,80,80,80,80]}`, "/days_lex_8h_db", "one to seven"},
		{`{"method":"weekly","days_lex_8h_db":[80,250]}`, "/days_lex_8h_db/1", "250 dB"},
	} {
		_, err := Run([]byte(c.doc), Options{})
		var f *fault.Error
		if !errors.As(err, &f) || f.Code != fault.ExposureDocument || f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%s:\n%v\nwant %s: …%s…", c.doc, err, c.where, c.says)
		}
	}
}
