package exposure

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"kitd/internal/fault"
)

func run(t *testing.T, doc string) map[string]any {
	t.Helper()
	out, err := Run([]byte(doc), Options{})
	if err != nil {
		t.Fatalf("%s: %v", doc, err)
	}
	var got map[string]any
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

// at walks a decoded document along keys and positions.
func at(t *testing.T, v any, path ...any) any {
	t.Helper()
	for _, step := range path {
		switch s := step.(type) {
		case string:
			m, ok := v.(map[string]any)
			if !ok {
				t.Fatalf("%v: no object", path)
			}
			if v, ok = m[s]; !ok {
				t.Fatalf("%v: no key %q", path, s)
			}
		case int:
			v = v.([]any)[s]
		}
	}
	return v
}

// ISO 9612:2009, Annex D, as a document.
func TestRunTaskBased(t *testing.T) {
	got := run(t, `{"method":"task-based","reference_hours":8,"instrument":"personal","tasks":[
		{"name":"planning","hours":1.5,"levels_db":[70]},
		{"name":"welding","hours":5,"hours_range":[4,6],"levels_db":[80.1,82.2,79.6]},
		{"name":"cutting","hours":1.5,"hours_range":[1,2],"levels_db":[86.5,92.4,89.3,93.2,87.8,86.2]}]}`)
	near(t, "lex", at(t, got, "lex_8h_db").(float64), 84.294, 6e-4)
	near(t, "U", at(t, got, "expanded_uncertainty_db").(float64), 3.235, 6e-4)
	near(t, "c1b", at(t, got, "tasks", 2, "c1b_db_per_hour").(float64), 2.0669, 1e-4)
	near(t, "u1b", at(t, got, "tasks", 1, "u1b_hours").(float64), 1, 0)
	if task := at(t, got, "advice", 0, "task"); task != "planning" {
		t.Errorf("the first advice speaks of %v", task)
	}
}

func TestRunCriteria(t *testing.T) {
	got := run(t, `{"method":"criteria","segments":[{"level_db":84,"hours":1},{"level_db":88,"hours":2},{"level_db":92,"hours":3},{"level_db":96,"hours":1.5},{"level_db":102,"hours":0.5}],
		"profiles":["us-osha-hc","eu-2003-10"]}`)
	near(t, "dose", at(t, got, "profiles", 0, "dose_percent").(float64), 149.933, 6e-4)
	near(t, "twa", at(t, got, "profiles", 0, "twa_db").(float64), 92.922, 6e-4)
	near(t, "lavg", at(t, got, "profiles", 0, "lavg_db").(float64), 92.922, 6e-4)
	near(t, "lex", at(t, got, "lex_8h_db").(float64), 94.015, 6e-4)
	if s := at(t, got, "profiles", 0, "verdicts", 0, "state"); s != "met" {
		t.Errorf("action level: %v", s)
	}
	if d := at(t, got, "profiles", 1, "dose_percent"); d != nil {
		t.Errorf("a profile without a dose has the dose %v", d)
	}
	keys := []string{"id", "quantity", "basis", "comparison", "limit", "value", "unit", "state", "within_uncertainty"}
	for _, k := range keys {
		at(t, got, "profiles", 1, "verdicts", 0, k)
	}
	silent := run(t, `{"method":"criteria","segments":[{"level_db":79.9,"hours":8}],"profiles":["us-osha-hc"]}`)
	if at(t, silent, "profiles", 0, "twa_db") != nil || at(t, silent, "profiles", 0, "lavg_db") != nil || at(t, silent, "profiles", 0, "dose_percent") != 0.0 {
		t.Error("dose 0 has a TWA or L_avg")
	}
}

func TestRunHistory(t *testing.T) {
	levels := strings.TrimSuffix(strings.Repeat("85,", 7200), ",")
	got := run(t, `{"method":"history","interval_s":1,"quantity":"LAeq","levels_db":[`+levels+`],"shift_hours":8,
		"peaks":{"weighting":"C","unit":"Pa","values":[112,140]},"profiles":["eu-2003-10","us-osha-hc","us-niosh"]}`)
	for key, want := range map[string]float64{"laeq_db": 85, "lex_8h_db": 85, "l10_db": 85, "l50_db": 85, "l90_db": 85, "duration_hours": 2} {
		near(t, key, at(t, got, key).(float64), want, 0)
	}
	near(t, "pa2h", at(t, got, "pa2h").(float64), 1.0119289/4, 1e-7)
	near(t, "peak", at(t, got, "peak_db").(float64), 136.902, 5e-4)
	if s := at(t, got, "profiles", 1, "verdicts", 0, "state"); s != "estimate_only" {
		t.Errorf("a slow 5 dB dose from LAeq: %v", s)
	}
	near(t, "niosh", at(t, got, "profiles", 2, "dose_percent").(float64), 25, 0)
	near(t, "niosh shift", at(t, got, "profiles", 2, "dose_shift_percent").(float64), 100, 0)
	near(t, "niosh projected", at(t, got, "profiles", 2, "projected_dose_percent").(float64), 100, 0)
	states := map[string]any{}
	for _, v := range at(t, got, "profiles", 0, "verdicts").([]any) {
		states[at(t, v, "id").(string)] = at(t, v, "state")
	}
	want := map[string]any{"lower-action-reached": "met", "lower-action-exceeded": "met", "upper-action-reached": "met", "upper-action-exceeded": "not_met", "exposure-limit": "not_met",
		"lower-action-peak-reached": "met", "lower-action-peak-exceeded": "met", "upper-action-peak-reached": "met", "upper-action-peak-exceeded": "not_met", "exposure-limit-peak": "not_met"}
	if fmt.Sprint(states) != fmt.Sprint(want) {
		t.Errorf("verdicts %v, want %v", states, want)
	}
}

func TestRunHistoryExclusions(t *testing.T) {
	got := run(t, `{"method":"history","interval_s":60,"quantity":"LAeq","levels_db":[80,80,100,90],"exclude":[{"from_s":120,"to_s":180,"reason":"horn"}]}`)
	near(t, "laeq", at(t, got, "laeq_db").(float64), 86.0206, 1e-4)
	if code := at(t, got, "advice", 0, "code"); code != "measured_time_only" {
		t.Errorf("advice %v", code)
	}
	if r := at(t, got, "exclude", 0, "reason"); r != "horn" {
		t.Errorf("the reason is %v", r)
	}
	got = run(t, `{"method":"history","interval_s":60,"quantity":"LAeq","levels_db":[80,80,100,90],"exclude":[{"from_s":120,"to_s":180,"reason":"break","treat":"not_exposed"}]}`)
	near(t, "laeq", at(t, got, "laeq_db").(float64), 84.7712, 1e-4)
}

func TestRunRefusesWithThePlace(t *testing.T) {
	task := func(s string) string {
		return `{"method":"task-based","tasks":[{"name":"a","hours":1,"levels_db":[80]},` + s + `]}`
	}
	hist := func(s string) string {
		return `{"method":"history","interval_s":1,"quantity":"LAeq","levels_db":[80,81],` + s + `}`
	}
	for _, c := range []struct{ doc, where, says string }{
		{``, "the top level", "empty"},
		{`   `, "the top level", "empty"},
		{`[]`, "the top level", "an object belongs"},
		{`{`, "the top level", "ends too early"},
		{`{"method":"criteria"} {}`, "the top level", "after the end"},
		{`{}`, "/method", "missing"},
		{`{"Method":"criteria"}`, "/method", "missing"},
		{`{"method":5}`, "/method", "a number stands here, where a text belongs"},
		{`{"method":null}`, "/method", "null"},
		{`{"method":"criteria","method":"history"}`, "/method", "twice"},
		{`{"method":"task-based","tasks":[]}`, "/tasks", "at least one"},
		{`{"method":"task-based","Tasks":[]}`, "/Tasks", "the keys here are method, reference_hours, instrument, tasks"},
		{`{"method":"task-based","reference_hours":0,"tasks":[{"name":"a","hours":1,"levels_db":[80]}]}`, "/reference_hours", "above 0 h"},
		{`{"method":"task-based","instrument":"class3","tasks":[]}`, "/instrument", "class1"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":0,"levels_db":[80]}]}`, "/tasks", "add up"},
		{task(`{"hours":1,"levels_db":[80]}`), "/tasks/1/name", "name"},
		{task(`{"name":"b","levels_db":[80]}`), "/tasks/1/hours", "hours_samples"},
		{task(`{"name":"b","hours":1}`), "/tasks/1/levels_db", "at least one level"},
		{task(`{"name":"b","hours":-1,"levels_db":[80]}`), "/tasks/1/hours", "not 0 h or more"},
		{task(`{"name":"b","hours":1,"levels_db":[80,300]}`), "/tasks/1/levels_db/1", "300 dB"},
		{task(`{"name":"b","hours":1,"levels_db":[80,null]}`), "/tasks/1/levels_db/1", "null"},
		{task(`{"name":"b","hours":1,"levels_db":[80,"81"]}`), "/tasks/1/levels_db/1", "a text stands here, where a number belongs"},
		{task(`{"name":"b","hours":1,"levels_db":[80,NaN]}`), "/tasks/1/levels_db/1", "not JSON"},
		{task(`{"name":"b","hours":1,"levels_db":[1e999]}`), "/tasks/1/levels_db/0", "too large"},
		{task(`{"name":"b","hours":1,"levels_db":80}`), "/tasks/1/levels_db", "where a list belongs"},
		{task(`{"name":"b","hours":1,"levels":[80]}`), "/tasks/1/levels", "levels_db"},
		{task(`{"name":"b","hours":1,"hours":2,"levels_db":[80]}`), "/tasks/1/hours", "twice"},
		{task(`{"name":"b","hours":1,"hours_range":[2,1],"levels_db":[80]}`), "/tasks/1/hours_range", "first"},
		{task(`{"name":"b","hours":1,"hours_range":[1],"levels_db":[80]}`), "/tasks/1/hours_range", "two"},
		{task(`{"name":"b","hours":1,"hours_range":[0,-1],"levels_db":[80]}`), "/tasks/1/hours_range/1", "not 0 h or more"},
		{task(`{"name":"b","hours":1.02,"hours_samples":[1],"levels_db":[80]}`), "/tasks/1/hours", "mean of hours_samples"},
		{task(`{"name":"b","hours_range":[1,2],"hours_samples":[1],"levels_db":[80]}`), "/tasks/1/hours_range", "not both"},
		{task(`{"name":"b","hours_samples":[],"levels_db":[80]}`), "/tasks/1/hours_samples", "at least one"},
		{task(`{"name":"b","hours_samples":[1,-2],"levels_db":[80]}`), "/tasks/1/hours_samples/1", "not 0 h or more"},
		{`{"method":"criteria","profiles":["us-niosh"]}`, "/segments", "at least one"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":1}]}`, "/profiles", "us-osha-hc"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":1}],"profiles":["us-osha"]}`, "/profiles/0", "us-osha-pel"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":1}],"profiles":["us-niosh","us-niosh"]}`, "/profiles/1", "twice"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":1},{"level_db":-1,"hours":1}],"profiles":["us-niosh"]}`, "/segments/1/level_db", "-1 dB"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":-1}],"profiles":["us-niosh"]}`, "/segments/0/hours", "not 0 h or more"},
		{`{"method":"criteria","segments":[{"hours":1}],"profiles":["us-niosh"]}`, "/segments/0/level_db", "level"},
		{`{"method":"criteria","segments":[{"level_db":80}],"profiles":["us-niosh"]}`, "/segments/0/hours", "duration"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":0}],"profiles":["us-niosh"]}`, "/segments", "add up"},
		{`{"method":"history","interval_s":1,"quantity":"LAeq"}`, "/levels_db", "missing"},
		{`{"method":"history","interval_s":1,"quantity":"LAeq","levels_db":[]}`, "/levels_db", "at least one"},
		{`{"method":"history","quantity":"LAeq","levels_db":[80]}`, "/interval_s", "missing"},
		{`{"method":"history","interval_s":0,"quantity":"LAeq","levels_db":[80]}`, "/interval_s", "above 0"},
		{`{"method":"history","interval_s":1,"levels_db":[80]}`, "/quantity", "missing"},
		{`{"method":"history","interval_s":1,"quantity":"laeq","levels_db":[80]}`, "/quantity", "LASmax"},
		{`{"method":"history","interval_s":1,"quantity":"LAeq","levels_db":[80,200.1]}`, "/levels_db/1", "200.1 dB"},
		{`{"method":"history","csv":"a.csv"}`, "/csv", "command line"},
		{hist(`"csv":"a.csv"`), "/csv", "not both"},
		{hist(`"shift_hours":0`), "/shift_hours", "above 0 h"},
		{hist(`"shift_hours":25`), "/shift_hours", "24 h"},
		{hist(`"peaks":{"unit":"dB","values":[1]}`), "/peaks/weighting", "C"},
		{hist(`"peaks":{"weighting":"B","unit":"dB","values":[1]}`), "/peaks/weighting", "C"},
		{hist(`"peaks":{"weighting":"C","unit":"db","values":[1]}`), "/peaks/unit", "Pa"},
		{hist(`"peaks":{"weighting":"C","unit":"dB","values":[]}`), "/peaks/values", "at least one"},
		{hist(`"peaks":{"weighting":"C","unit":"Pa","values":[1,0]}`), "/peaks/values/1", "0 Pa"},
		{hist(`"peaks":{"weighting":"C","unit":"dB","values":[1,-2]}`), "/peaks/values/1", "-2 dB"},
		{hist(`"exclude":[{"from_s":0,"to_s":1}]`), "/exclude/0/reason", "reason"},
		{hist(`"exclude":[{"to_s":1,"reason":"x"}]`), "/exclude/0/from_s", "start"},
		{hist(`"exclude":[{"from_s":1,"reason":"x"}]`), "/exclude/0/to_s", "end"},
		{hist(`"exclude":[{"from_s":1,"to_s":0,"reason":"x"}]`), "/exclude/0", "after the start"},
		{hist(`"exclude":[{"from_s":0,"to_s":3,"reason":"x"}]`), "/exclude/0", "after the end"},
		{hist(`"exclude":[{"from_s":0,"to_s":1,"reason":"x","treat":"drop"}]`), "/exclude/0/treat", "not_exposed"},
		{hist(`"exclude":[{"from_s":0,"to_s":2,"reason":"x"}]`), "/exclude", "no time"},
		{hist(`"profiles":["eu"]`), "/profiles/0", "eu-2003-10"},
	} {
		_, err := Run([]byte(c.doc), Options{})
		var f *fault.Error
		if !errors.As(err, &f) || f.Code != fault.ExposureDocument || len(f.Fields) != 1 {
			t.Errorf("%s: %v", c.doc, err)
			continue
		}
		if f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%s:\n at %s: %s\nwant %s: …%s…", c.doc, f.Fields[0].Path, f.Fields[0].Text, c.where, c.says)
		}
		if !strings.Contains(f.Sentence(), c.where) {
			t.Errorf("the sentence %q does not name the place %s", f.Sentence(), c.where)
		}
	}
}

func TestRunNamesTheMethodsThereAre(t *testing.T) {
	_, err := Run([]byte(`{"method":"guess"}`), Options{})
	if !fault.Is(err, fault.ExposureMethod) || !strings.Contains(err.Error(), strings.Join(Methods(), ", ")) {
		t.Errorf("%v", err)
	}
}

func TestRunReadsAReturnFile(t *testing.T) {
	files := map[string]string{"shift.csv": "# kitd-csv: 1\n# step_s: 60\n# quantity: LAeq\n# peak_weighting: C\nlevel_db,peak_db\n80,100\n90,120\n", "bad.csv": "80\n"}
	open := func(path string) (io.ReadCloser, error) {
		text, ok := files[path]
		if !ok {
			return nil, os.ErrNotExist
		}
		return io.NopCloser(strings.NewReader(text)), nil
	}
	out, err := Run([]byte(`{"method":"history","csv":"shift.csv","interval_s":60}`), Options{Open: open})
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	near(t, "laeq", at(t, got, "laeq_db").(float64), 87.4036, 1e-4)
	near(t, "peak", at(t, got, "peak_db").(float64), 120, 0)
	for doc, code := range map[string]fault.Code{
		`{"method":"history","csv":"none.csv"}`:                         fault.ExposureDocument,
		`{"method":"history","csv":"shift.csv","interval_s":1}`:         fault.ExposureDocument,
		`{"method":"history","csv":"shift.csv","quantity":"LASmax"}`:    fault.ExposureDocument,
		`{"method":"history","csv":"shift.csv","peaks":{"values":[1]}}`: fault.ExposureDocument,
		`{"method":"history","csv":"bad.csv"}`:                          fault.ReturnFile,
	} {
		if _, err := Run([]byte(doc), Options{Open: open}); !fault.Is(err, code) {
			t.Errorf("%s: %v", doc, err)
		}
	}
}

func TestRunTakesLocalProfiles(t *testing.T) {
	local, err := ReadProfiles([]byte(`[{"id":"site","edition":"site rule","version":1,"weighting":"A","response":"none","limits":[{"id":"l","quantity":"lex_8h_db","basis":"open_ear","comparison":"ge","value":82,"unit":"dB","source":{"clause":"site rule"}}]}]`))
	if err != nil {
		t.Fatal(err)
	}
	out, err := Run([]byte(`{"method":"criteria","segments":[{"level_db":82,"hours":8}],"profiles":["site"]}`), Options{Profiles: local})
	if err != nil || !bytes.Contains(out, []byte(`"met"`)) {
		t.Errorf("%s, %v", out, err)
	}
}

// The goldens are compared to the last digit: they hold whatever the processor and GOAMD64.
func TestGoldenDocuments(t *testing.T) {
	inputs, err := filepath.Glob("testdata/documents/*.json")
	if err != nil || len(inputs) < 4 {
		t.Fatalf("%d documents, %v", len(inputs), err)
	}
	for _, in := range inputs {
		doc, err := os.ReadFile(in)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Run(doc, Options{})
		if err != nil {
			t.Fatalf("%s: %v", in, err)
		}
		golden := strings.TrimSuffix(in, ".json") + ".golden"
		if os.Getenv("KITD_UPDATE_GOLDEN") != "" {
			if err := os.WriteFile(golden, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from %s; when the change is meant, change EngineVersion and update with KITD_UPDATE_GOLDEN=1\n%s", in, golden, got)
		}
	}
}

func TestProfilesJSONListsParametersAndSources(t *testing.T) {
	out, err := ProfilesJSON()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ReadProfiles(out)
	if err != nil || len(again) != 9 || !bytes.Contains(out, []byte("29 CFR 1910.95")) {
		t.Errorf("%d profiles, %v", len(again), err)
	}
}

func FuzzRun(f *testing.F) {
	inputs, _ := filepath.Glob("testdata/documents/*.json")
	for _, in := range inputs {
		if doc, err := os.ReadFile(in); err == nil && len(doc) < 4000 {
			f.Add(doc)
		}
	}
	f.Add([]byte(`{"method":"history","interval_s":0.5,"quantity":"LASmax","levels_db":[80.123456,81],"exclude":[{"from_s":0.1,"to_s":0.3,"reason":"x","treat":"not_exposed"}],"profiles":["us-osha-pel"]}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		out, err := Run(doc, Options{})
		if err != nil {
			var e *fault.Error
			if !errors.As(err, &e) || e.Kind() != fault.Invalid || len(e.Fields) != 1 || e.Fields[0].Path == "" {
				t.Fatalf("not a fault with a place: %v", err)
			}
			return
		}
		again, err := Run(slices.Clone(doc), Options{})
		if err != nil || !bytes.Equal(out, again) {
			t.Fatalf("a second run differs: %v", err)
		}
		if !jsontext.Value(out).IsValid() {
			t.Fatalf("the answer is not JSON: %s", out)
		}
	})
}
