package exposure

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/fault"
)

// 29 CFR 1910.95 App. A: the level that brings 50 % and 100 % over longer shifts, 10 h 83.39 and 88.39 dB, 12 h 82.08, 14 h
// 80.96, 16 h 80.00 dB. The permissible exposure itself is not adjusted (letter of interpretation, 26 March 1982).
func TestExtendedShiftActionLevels(t *testing.T) {
	hc, err := ProfileByID("us-osha-hc")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range table(t, "osha_extended_shift.csv", 9) {
		db, ok := hc.LevelAtLimit(hc.Limits[0], row[0])
		if !ok {
			t.Fatal("no level")
		}
		near(t, "action level", db, row[1], 5.1e-3)
		full := hc.Limits[0]
		full.Value = 100
		db, _ = hc.LevelAtLimit(full, row[0])
		near(t, "level for 100 %", db, row[2], 5.1e-3)
	}
	v := verdict(t, stated(t, "us-osha-hc", Segment{83.4, 10}), "action-level")
	near(t, "of the verdict", value(t, "level", v.LevelAtLimitDB), 83.390, 6e-4)
	if v.State != Met {
		t.Errorf("83.4 dB for 10 h: %+v", v)
	}
	if v := verdict(t, stated(t, "us-osha-hc", Segment{83.39, 10}), "action-level"); v.State != NotMet {
		t.Errorf("83.39 dB for 10 h: %+v", v)
	}
	uk, err := ProfileByID("uk-2005")
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := uk.LevelAtLimit(uk.Limits[0], 10); ok {
		t.Error("a limit without a dose has a level")
	}
}

// The level at a limit, kept for the shift, meets the limit exactly, whatever the shift.
func TestLevelAtLimitMeetsTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(Profiles()[:5]).Draw(t, "profile")
		hours := rapid.Float64Range(1, 20).Draw(t, "hours")
		for _, l := range p.Limits {
			db, ok := p.LevelAtLimit(l, hours)
			if !ok || db < *p.Dose.ThresholdDB || db > maxLevel {
				continue
			}
			m, err := ComputeSegments([]Segment{{db, hours}}, []Profile{p}, Context{})
			if err != nil {
				t.Fatal(err)
			}
			if got := *m.Profiles[0].DosePercent; math.Abs(got/l.Value-1) > 2e-6 {
				t.Fatalf("%s %s over %v h: %v %%", p.ID, l.ID, hours, got)
			}
		}
	})
}

// AS/NZS 1269.1 (from memory): 10 to under 14 h 1 dB, 14 to under 20 h 2 dB, 20 h and more 3 dB. The exposure standard is set
// against the level without it.
func TestAustralianAdders(t *testing.T) {
	for hours, want := range map[float64]float64{8: 0, 9.999999: 0, 10: 1, 13.999: 1, 14: 2, 19.999: 2, 20: 3, 24: 3} {
		level := 84.5 - 10*math.Log10(hours/8)
		r := stated(t, "au-whs", Segment{level, hours})
		near(t, "adder", value(t, "adder", r.ShiftAdderDB), want, 0)
		near(t, "adjusted", value(t, "lex", r.LEX8hAdjustedDB), 84.5+want, 1.1e-6)
		if v := verdict(t, r, "exposure-standard"); v.State != NotMet {
			t.Errorf("%v h: %+v", hours, v)
		}
		state := NotMet
		if want > 0 {
			state = Met
		}
		if v := verdict(t, r, "exposure-standard-long-shift"); v.State != state {
			t.Errorf("%v h: %+v", hours, v)
		}
	}
	if r := stated(t, "uk-2005", Segment{85, 12}); r.ShiftAdderDB != nil || r.LEX8hAdjustedDB != nil {
		t.Errorf("%+v", r)
	}
}

// HSE ready-reckoner: 100 points are L_EX,8h 85 dB; Pa²h by IEC 61252. Daily matrix computed from the definition.
func TestExposurePointsOfAProfile(t *testing.T) {
	hours := []float64{0.25, 0.5, 1, 2, 4, 8, 10, 12}
	for _, row := range table(t, "hse_daily.csv", 22) {
		for i, h := range hours {
			r := stated(t, "uk-2005", Segment{row[0], h})
			near(t, "points", value(t, "points", r.ExposurePoints), row[i+1], 5.1e-3+row[i+1]*1e-6)
		}
	}
	r := stated(t, "uk-2005", Segment{90, 4}, Segment{0, 4})
	near(t, "Pa²h", value(t, "pa2h", r.Pa2hShift), 1.6, 1e-6)
	if silent := compute(t, history(t, 0), nil, Context{Exclusions: []Exclusion{{0, 0.5, "x", NotExposed}}}, "uk-2005"); silent.Profiles[0].ExposurePoints == nil {
		t.Error("no points without sound")
	}
	if other := stated(t, "ca-federal", Segment{85, 8}); other.ExposurePoints != nil || other.Pa2hShift != nil {
		t.Errorf("%+v", other)
	}
}

// Directive 2003/10/EC, Art. 3(3), and SI 2005/1643, reg. 4(4): the condition at its 87 dB, exactly.
func TestWeeklyCondition(t *testing.T) {
	for level, held := range map[float64]bool{87: true, 87.000001: false, 86.9: true} {
		r, err := ComputeWeek([]float64{level, level, level, level, level}, Profiles())
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range r.Profiles {
			european := w.Profile == "eu-2003-10" || w.Profile == "uk-2005"
			if w.WeeklyAllowed != european || w.Condition == "" || (w.ConditionHeld != nil) != european {
				t.Errorf("%+v", w)
			}
			if european && *w.ConditionHeld != held {
				t.Errorf("%v dB, %s: %v", level, w.Profile, *w.ConditionHeld)
			}
		}
	}
	for _, row := range table(t, "hse_weekly.csv", 18) {
		r, err := ComputeWeek([]float64{row[0], row[0], row[0], row[0], row[0]}, Profiles()[6:7])
		if err != nil {
			t.Fatal(err)
		}
		near(t, "weekly points", value(t, "points", r.Profiles[0].ExposurePoints), row[4], 6e-3)
	}
	r, err := ComputeWeek([]float64{90}, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Pa²h of the week", r.Pa2h, 3.2, 2e-6)
}

// A peak is told in dB and in Pa: 140 Pa is 136.902 dB (Directive 2003/10/EC, Art. 3).
func TestPeakInPascal(t *testing.T) {
	peaks, err := NewLevels([]float64{Level(PeakLevel(140))})
	if err != nil {
		t.Fatal(err)
	}
	m := compute(t, history(t, 80), &Peaks{"C", peaks}, Context{})
	near(t, "Pa", value(t, "pa", m.PeakPa), 140, 2e-5)
	near(t, "dB", value(t, "dB", m.PeakDB), 136.902, 5e-4)
}

const siteProfile = `{"id":"site","name":"Site rule","edition":"site rule 3","version":1,"weighting":"A","response":"slow",
	"dose":{"criterion_db":85,"criterion_hours":8,"exchange_db":3,"threshold_db":80,"source":{"clause":"site rule 3"}},
	"integration":{"from_db":80,"to_db":130,"source":{"clause":"site rule 3"}},"drift":{"db":0.5,"source":{"clause":"site rule 3"}},
	"limits":[{"id":"l","duty":"d","quantity":"dose_percent","basis":"open_ear","comparison":"ge","value":50,"unit":"%","source":{"clause":"site rule 3"}}],
	"remarks":[{"code":"long","hours":10,"comparison":"ge","text":"A long shift.","source":{"clause":"site rule 3"}}],
	"points":{"level_db":85,"points":100,"source":{"clause":"site rule 3"}},
	"weekly":{"text":"On Fridays.","max_db":85,"source":{"clause":"site rule 3"}},
	"adders":[{"from_hours":10,"add_db":1,"source":{"clause":"site rule 3"}},{"from_hours":14,"add_db":2,"source":{"clause":"site rule 3"}}]}`

// What is wrong in a profile of one's own is told with its place.
func TestReadProfilesNamesThePlace(t *testing.T) {
	if list, err := ReadProfiles([]byte("[" + siteProfile + "]")); err != nil || list[0].Adders[1].AddDB != 2 {
		t.Fatalf("%+v, %v", list, err)
	}
	for _, c := range []struct{ old, new, where, says string }{
		{`"id":"site"`, `"id":""`, "/0/id", "needs an id"},
		{`"version":1`, `"version":0`, "/0/version", "at least 1"},
		{`"version":1`, `"version":"1"`, "/0/version", "a text stands here"},
		{`"weighting":"A"`, `"weighting":"C"`, "/0/weighting", "A-weighted"},
		{`"response":"slow"`, `"response":"fast"`, "/0/response", "slow or none"},
		{`"name"`, `"Name"`, "/0/Name", "not known"},
		{`"criterion_db":85`, `"criterion_db":0`, "/0/dose/criterion_db", "above 0"},
		{`"criterion_hours":8`, `"criterion_hours":0`, "/0/dose/criterion_hours", "above 0"},
		{`"exchange_db":3`, `"exchange_db":0.5`, "/0/dose/exchange_db", "1 to 20"},
		{`"threshold_db":80`, `"threshold_db":-1`, "/0/dose/threshold_db", "0 to 200"},
		{`"to_db":130`, `"to_db":80`, "/0/integration/to_db", "above the lowest"},
		{`"drift":{"db":0.5`, `"drift":{"db":0`, "/0/drift/db", "above 0"},
		{`"quantity":"dose_percent"`, `"quantity":"dose"`, "/0/limits/0/quantity", "lex_8h_adjusted_db"},
		{`"unit":"%"`, `"unit":"dB"`, "/0/limits/0/unit", "does not fit"},
		{`"basis":"open_ear"`, `"basis":"ear"`, "/0/limits/0/basis", "at_ear"},
		{`"comparison":"ge","value"`, `"comparison":"le","value"`, "/0/limits/0/comparison", "ge or gt"},
		{`"value":50`, `"value":0`, "/0/limits/0/value", "above 0"},
		{`"unit":"%","source":{"clause":"site rule 3"}`, `"unit":"%","source":{"clause":""}`, "/0/limits/0/source/clause", "clause"},
		{`"hours":10,"comparison":"ge"`, `"hours":10,"comparison":"x"`, "/0/remarks/0/comparison", "ge or gt"},
		{`"text":"A long shift."`, `"text":""`, "/0/remarks/0/text", "words"},
		{`"points":100`, `"points":0`, "/0/points/points", "above 0"},
		{`"max_db":85`, `"max_db":300`, "/0/weekly/max_db", "at most 200"},
		{`"from_hours":14`, `"from_hours":10`, "/0/adders/1/from_hours", "longer"},
		{`"add_db":1`, `"add_db":-1`, "/0/adders/0/add_db", "0 to 20"},
		{siteProfile, siteProfile + "," + siteProfile, "/1/id", "already in use"},
		{`"limits":[`, `"limits":[{"id":"l","duty":"d","quantity":"lex_8h_db","basis":"open_ear","comparison":"ge","value":50,"unit":"dB","source":{"clause":"site rule 3"}},`, "/0/limits/1/id", "twice"},
	} {
		doc := "[" + siteProfile + "]"
		if !strings.Contains(doc, c.old) {
			t.Fatalf("the profile has no %s", c.old)
		}
		_, err := ReadProfiles([]byte(strings.Replace(doc, c.old, c.new, 1)))
		var f *fault.Error
		if !errors.As(err, &f) || f.Code != fault.ExposureProfiles || len(f.Fields) != 1 || f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%s: %v\nwant %s: …%s…", c.new, err, c.where, c.says)
		}
	}
	if _, err := ReadProfiles([]byte("[{]")); !fault.Is(err, fault.ExposureProfiles) {
		t.Errorf("broken JSON: %v", err)
	}
}

// Profiles of one's own stand behind the built-in ones and cannot hide one; documents can name them.
func TestWithProfiles(t *testing.T) {
	own, err := ReadProfiles([]byte("[" + siteProfile + "]"))
	if err != nil {
		t.Fatal(err)
	}
	all, err := WithProfiles(own)
	if err != nil || len(all) != 10 || all[9].ID != "site" {
		t.Fatalf("%d profiles, %v", len(all), err)
	}
	*all[9].Weekly.MaxDB = 1
	if *own[0].Weekly.MaxDB != 85 {
		t.Error("the copy shares its weekly rule")
	}
	out, err := Run([]byte(`{"method":"criteria","segments":[{"level_db":85,"hours":12}],"profiles":["site","us-osha-hc"]}`), Options{Profiles: all})
	if err != nil || !strings.Contains(string(out), `"shift_adder_db": 1`) || !strings.Contains(string(out), `"code": "long"`) {
		t.Errorf("%s, %v", out, err)
	}
	own[0].ID = "uk-2005"
	if _, err := WithProfiles(own); !fault.Is(err, fault.ExposureProfiles) {
		t.Errorf("a built-in id: %v", err)
	}
	own[0].ID, own[0].Response = "mine", "fast"
	if _, err := WithProfiles(own); !fault.Is(err, fault.ExposureProfiles) {
		t.Errorf("an unusable profile: %v", err)
	}
}

// Whatever stands in a file of profiles: either a fault with a place, or profiles that compute.
func FuzzReadProfiles(f *testing.F) {
	f.Add([]byte("[" + siteProfile + "]"))
	f.Add([]byte(`[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none"}]`))
	f.Add([]byte(`[{"id":null,"limits":[{"quantity":"peak_pa","peak_weighting":"any"}]}]`))
	f.Add(builtIn)
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := ReadProfiles(data)
		var e *fault.Error
		switch {
		case err != nil && (!errors.As(err, &e) || e.Code != fault.ExposureProfiles || len(e.Fields) != 1 || e.Fields[0].Path == ""):
			t.Fatalf("not a fault with a place: %v", err)
		case err == nil && len(list) > 0:
			if _, err := ComputeSegments([]Segment{{85, 12}}, list, Context{}); err != nil {
				t.Fatal(err)
			}
		}
	})
}
