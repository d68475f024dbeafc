package exposure

import (
	"errors"
	"math"
	"strings"
	"testing"

	"kitd/internal/fault"
)

func TestRunGroup(t *testing.T) {
	got := run(t, `{"method":"group","values_db":[80,82,84,86,88,90],"limit_db":85}`)
	near(t, "n", at(t, got, "n").(float64), 6, 0)
	near(t, "mean", at(t, got, "mean_db").(float64), 85, 0)
	near(t, "sd", at(t, got, "sd_db").(float64), math.Sqrt(14), 1e-6)
	near(t, "exceedance", at(t, got, "exceedance_fraction").(float64), 0.5, 0)
	near(t, "95/70", at(t, got, "upper_tolerance_95_70_db").(float64), 85+2.1867*math.Sqrt(14), 3e-4)
	near(t, "95/95", at(t, got, "upper_tolerance_95_95_db").(float64), 85+3.7077*math.Sqrt(14), 3e-4)
	if below := at(t, got, "upper_limit_below"); below != false {
		t.Errorf("upper_limit_below %v", below)
	}
	at(t, got, "energy_mean_db")
	few := run(t, `{"method":"group","values_db":[80,82,84,86,88],"limit_db":120}`)
	if below := at(t, few, "upper_limit_below"); below != nil {
		t.Errorf("five values: upper_limit_below %v", below)
	}
	two := run(t, `{"method":"group","values_db":[80,82],"limit_db":85,"compare_db":[90]}`)
	near(t, "difference", at(t, two, "comparison", "difference_db").(float64), -9, 0)
}

// No result calls anybody compliant: bounds are given.
func TestBoundsAreNotAJudgement(t *testing.T) {
	for _, doc := range []string{
		`{"method":"group","values_db":[60,61,62,63,64,65],"limit_db":85}`,
		`{"method":"protector","exposure":{"laeq_db":95},"device":{"nrr":30}}`,
		`{"method":"hearing-risk","lex_8h_db":85,"years":10,"frequency_hz":4000,"fraction_worse_off":0.5}`,
	} {
		out, err := Run([]byte(doc), Options{})
		if err != nil || strings.Contains(strings.ToLower(string(out)), "complian") || !strings.Contains(string(out), Caution) {
			t.Errorf("%s, %v", out, err)
		}
	}
}

func TestRunProtector(t *testing.T) {
	got := run(t, `{"method":"protector","exposure":{"laeq_db":104,"lceq_db":103,"octaves_db":[75,84,86,88,97,99,97,96]},
		"device":{"snr":21,"hml":{"h":24,"m":18,"l":13},"octave_mean_db":[7.4,10.0,14.4,19.6,22.8,29.6,38.8,34.1],"octave_sd_db":[3.3,3.6,3.6,4.6,4.0,6.2,7.4,5.2]},"action_level_db":85}`)
	near(t, "octave", at(t, got, "effective_level_db", "octave").(float64), 81.4, 0.1)
	near(t, "hml", at(t, got, "effective_level_db", "hml").(float64), 81.5, 0)
	near(t, "snr", at(t, got, "effective_level_db", "snr").(float64), 82, 0)
	if band := at(t, got, "band"); band != "acceptable" {
		t.Errorf("band %v", band)
	}
	got = run(t, `{"method":"protector","exposure":{"laeq_db":100},"device":{"nrr":25},"second_device":{"nrr":30},"derating_percent":50}`)
	near(t, "dual", at(t, got, "effective_level_db", "nrr").(float64), 83.5, 0)
	got = run(t, `{"method":"protector","exposure":{"laeq_db":100},"device":{"nrr":25},"derating_percent":25,"derating_of":"rating","performance_percent":98}`)
	near(t, "by the rating", at(t, got, "effective_level_db", "nrr").(float64), 88.25, 0)
	got = run(t, `{"method":"protector","exposure":{"laeq_db":100},"device":{"personal_attenuation_db":25},"worn_fraction":0.5}`)
	near(t, "half of the time", at(t, got, "effective_level_db", "personal").(float64), 97.0034, 1e-4)
}

func TestRunHearing(t *testing.T) {
	got := run(t, `{"method":"hearing-risk","lex_8h_db":90,"years":20,"frequency_hz":4000,"fraction_worse_off":0.1}`)
	near(t, "NIPTS", at(t, got, "nipts_db").(float64), 17.8, 0.06)
	near(t, "median", at(t, got, "nipts_median_db").(float64), 12.9, 0.06)
	if c := at(t, got, "hearing_caution"); c != HearingCaution {
		t.Errorf("caution %v", c)
	}
}

func TestRunSizingAndFurther(t *testing.T) {
	got := run(t, `{"method":"sizing","group_size":18}`)
	near(t, "hours", at(t, got, "job_based", "minimum_hours").(float64), 10.75, 0)
	got = run(t, `{"method":"sizing","group_size":50,"top_fraction":0.2,"confidence":0.9,"dosimeters":3}`)
	near(t, "workers", at(t, got, "worker_sampling", "workers").(float64), 10, 0)
	near(t, "days", at(t, got, "worker_sampling", "days_of_fieldwork").(float64), 4, 0)
	for _, doc := range []string{
		`{"method":"task-based","tasks":[{"name":"a","hours":8,"levels_db":[80]}],"further":{"drift_db":0.3}}`,
		`{"method":"job-based","hours_effective":8,"levels_db":[80,80,80],"further":{"drift_db":0.3}}`,
		`{"method":"full-day","hours_effective":8,"levels_db":[80,80,80],"further":{"drift_db":0.3}}`,
		`{"method":"full-day","days":[{"level_db":80,"hours":8},{"level_db":80,"hours":8},{"level_db":80,"hours":8}],"further":{"drift_db":0.3}}`,
	} {
		got := run(t, doc)
		near(t, doc, at(t, got, "standard_uncertainty_db").(float64), math.Sqrt(3.25+0.03), 1e-6)
		near(t, doc, at(t, got, "further_terms", 0, "standard_uncertainty_db").(float64), 0.3/math.Sqrt(3), 1e-6)
	}
}

// An at-ear limit is decided where the level under the protectors is given, exactly at its value.
func TestRunAtEar(t *testing.T) {
	state := func(doc string) any {
		t.Helper()
		for _, v := range at(t, run(t, doc), "profiles", 0, "verdicts").([]any) {
			if at(t, v, "id") == "exposure-limit" {
				return at(t, v, "state")
			}
		}
		return nil
	}
	for ear, want := range map[string]string{"": "not_assessable", `,"at_ear":{"lex_8h_db":87}`: "not_met", `,"at_ear":{"lex_8h_db":87.000001}`: "met", `,"at_ear":{"peak_db":130}`: "not_assessable"} {
		for _, doc := range []string{
			`{"method":"criteria","segments":[{"level_db":95,"hours":8}],"profiles":["eu-2003-10"]` + ear + `}`,
			`{"method":"history","interval_s":60,"quantity":"LAeq","levels_db":[95,95],"shift_hours":8,"profiles":["eu-2003-10"]` + ear + `}`,
			`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"level_db":95}],"profiles":["eu-2003-10"]` + ear + `}`,
		} {
			if got := state(doc); got != want {
				t.Errorf("%s: %v, want %s", doc, got, want)
			}
		}
	}
}

func TestRunMoreRefusesWithThePlace(t *testing.T) {
	group := func(s string) string { return `{"method":"group",` + s + `}` }
	ear := func(exposure, rest string) string {
		return `{"method":"protector","exposure":{` + exposure + `},` + rest + `}`
	}
	noise := `"laeq_db":100`
	risk := func(level, years, hz, worse string) string {
		return `{"method":"hearing-risk","lex_8h_db":` + level + `,"years":` + years + `,"frequency_hz":` + hz + `,"fraction_worse_off":` + worse + `}`
	}
	for _, c := range []struct{ doc, where, says string }{
		{group(`"limit_db":85`), "/values_db", "at least one"},
		{group(`"values_db":[],"limit_db":85`), "/values_db", "at least one"},
		{group(`"values_db":[80]`), "/limit_db", "missing"},
		{group(`"values_db":[80,-999],"limit_db":85`), "/values_db/1", "-999 dB"},
		{group(`"values_db":[80],"limit_db":285`), "/limit_db", "285 dB"},
		{group(`"values_db":[80],"limit_db":85,"compare_db":[]`), "/compare_db", "at least one"},
		{group(`"values_db":[80],"limit_db":85,"compare_db":[80,201]`), "/compare_db/1", "201 dB"},
		{group(`"values":[80],"limit_db":85`), "/values", "values_db"},
		{`{"method":"protector","device":{"nrr":25}}`, "/exposure", "missing"},
		{ear(`"lceq_db":100`, `"device":{"nrr":25}`), "/exposure/laeq_db", "missing"},
		{ear(`"laeq_db":-1`, `"device":{"nrr":25}`), "/exposure/laeq_db", "-1 dB"},
		{ear(`"laeq_db":100,"lceq_db":300`, `"device":{"nrr":25}`), "/exposure/lceq_db", "300 dB"},
		{ear(`"laeq_db":100,"octaves_db":[80]`, `"device":{"nrr":25}`), "/exposure/octaves_db", "eight values"},
		{ear(`"laeq_db":100,"octaves_db":[80,80,80,80,80,80,-1]`, `"device":{"nrr":25}`), "/exposure/octaves_db/6", "-1 dB"},
		{`{"method":"protector","exposure":{"laeq_db":100}}`, "/device", "missing"},
		{ear(noise, `"device":{}`), "/device", "personal_attenuation_db"},
		{ear(noise, `"device":{"snr":25}`), "/device", "lceq_db"},
		{ear(noise, `"device":{"snr":-25}`), "/device/snr", "0 and 80 dB"},
		{ear(noise, `"device":{"hml":{"h":25,"m":20}}`), "/device/hml", "together"},
		{ear(noise, `"device":{"hml":{"h":25,"m":99,"l":3}}`), "/device/hml/m", "0 and 80 dB"},
		{ear(noise, `"device":{"octave_mean_db":[1,2,3,4,5,6,7]}`), "/device/octave_sd_db", "need"},
		{ear(noise, `"device":{"octave_sd_db":[1,2,3,4,5,6,7]}`), "/device/octave_mean_db", "need"},
		{ear(noise, `"device":{"octave_mean_db":[1,2,3,4,5,6,7],"octave_sd_db":[1,2,3,4,5,6,7,8]}`), "/device/octave_sd_db", "8 bands"},
		{ear(noise, `"device":{"octave_mean_db":[1,2,3,4,5,6,7],"octave_sd_db":[1,2,3,4,5,6,-7]}`), "/device/octave_sd_db/6", "0 and 30 dB"},
		{ear(noise, `"device":{"nrr":25},"second_device":{"nrr":-1}`), "/second_device/nrr", "0 and 80 dB"},
		{ear(noise, `"device":{"nrr":25},"derating_percent":101`), "/derating_percent", "0 to 100"},
		{ear(noise, `"device":{"nrr":25},"derating_of":"x"`), "/derating_of", "rating"},
		{ear(noise, `"device":{"nrr":25},"derating_of":""`), "/derating_of", "rating"},
		{ear(noise, `"device":{"nrr":25},"deduction_db":-1`), "/deduction_db", "0 to 50"},
		{ear(noise, `"device":{"nrr":25},"worn_fraction":1.01`), "/worn_fraction", "0 to 1"},
		{ear(noise, `"device":{"nrr":25},"action_level_db":0`), "/action_level_db", "leave the key out"},
		{ear(noise, `"device":{"nrr":25},"action_level_db":20`), "/action_level_db", "50 to 140"},
		{ear(noise, `"device":{"nrr":25},"performance_percent":50`), "/performance_percent", "84"},
		{ear(noise, `"device":{"NRR":25}`), "/device/NRR", "nrr"},
		{`{"method":"hearing-risk"}`, "/lex_8h_db", "missing"},
		{risk("100.1", "10", "4000", "0.5"), "/lex_8h_db", "end at 100 dB"},
		{risk("-1", "10", "4000", "0.5"), "/lex_8h_db", "-1 dB"},
		{risk("90", "41", "4000", "0.5"), "/years", "40 years"},
		{risk("90", "-1", "4000", "0.5"), "/years", "40 years"},
		{risk("90", "10", "8000", "0.5"), "/frequency_hz", "6000 Hz"},
		{risk("90", "10", "4000", "0.04"), "/fraction_worse_off", "0.05 to 0.95"},
		{risk("90", "10", "4000", "10"), "/fraction_worse_off", "0.05 to 0.95"},
		{risk("90", "10", "4000", `0.5,"age_db":200`), "/age_db", "120 dB"},
		{`{"method":"sizing"}`, "/group_size", "missing"},
		{`{"method":"sizing","group_size":0}`, "/group_size", "1 to"},
		{`{"method":"sizing","group_size":2.5}`, "/group_size", "2.5"},
		{`{"method":"sizing","group_size":5,"top_fraction":0}`, "/top_fraction", "0.001"},
		{`{"method":"sizing","group_size":5,"confidence":1}`, "/confidence", "0.999"},
		{`{"method":"sizing","group_size":5,"dosimeters":0}`, "/dosimeters", "1 or more"},
		{`{"method":"weekly","days_lex_8h_db":[80],"profiles":["eu"]}`, "/profiles/0", "eu-2003-10"},
		{`{"method":"job-based","hours_effective":8,"levels_db":[80],"group_size":0}`, "/group_size", "at least one"},
		{`{"method":"job-based","hours_effective":8,"levels_db":[80],"measured_hours":-1}`, "/measured_hours", "above 0 h"},
		{`{"method":"job-based","hours_effective":8,"levels_db":[80],"further":{"drift_db":99}}`, "/further/drift_db", "99 dB"},
		{`{"method":"full-day","days":[{"level_db":80,"hours":8}],"further":{"certificate_expanded_uncertainty_db":-1}}`, "/further/certificate_expanded_uncertainty_db", "-1 dB"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":8,"levels_db":[80]}],"further":{"drift":1}}`, "/further/drift", "drift_db"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":8,"levels_db":[80],"sample_minutes":[1,2]}]}`, "/tasks/0/sample_minutes", "one each"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":8,"levels_db":[80],"sample_minutes":[0]}]}`, "/tasks/0/sample_minutes/0", "above 0"},
		{`{"method":"criteria","segments":[{"level_db":80,"hours":1}],"profiles":["us-niosh"],"at_ear":{"lex_8h_db":-5}}`, "/at_ear/lex_8h_db", "-5 dB"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"level_db":80}],"at_ear":{"peak_db":500}}`, "/at_ear/peak_db", "500 dB"},
	} {
		_, err := Run([]byte(c.doc), Options{})
		var f *fault.Error
		if !errors.As(err, &f) || f.Code != fault.ExposureDocument || len(f.Fields) != 1 || f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%s:\n%v\nwant %s: …%s…", c.doc, err, c.where, c.says)
		}
	}
}
