package exposure

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"kitd/internal/fault"
)

// Numbers that no day has are told with their place, and are not left to fail when the answer is written.
func TestRunRefusesImpossibleDurationsWithThePlace(t *testing.T) {
	deep := strings.Repeat("[", 9000) + strings.Repeat("]", 9000)
	for _, c := range []struct{ doc, where, says string }{
		{`{"method":"criteria","segments":[{"level_db":90,"hours":1e308}],"profiles":["us-osha-pel"]}`, "/segments/0/hours", "longer than a year"},
		{`{"method":"criteria","segments":[{"level_db":90,"hours":1e-320}],"profiles":["us-osha-pel"]}`, "/segments/0/hours", "shorter"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":1e308,"levels_db":[80]}]}`, "/tasks/0/hours", "longer than a year"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":1e-320,"levels_db":[80]}]}`, "/tasks/0/hours", "shorter"},
		{`{"method":"task-based","tasks":[{"name":"a","hours":1,"hours_range":[0,1e308],"levels_db":[80]}]}`, "/tasks/0/hours_range/1", "longer than a year"},
		{`{"method":"task-based","tasks":[{"name":"a","hours_samples":[1,1e308],"levels_db":[80]}]}`, "/tasks/0/hours_samples/1", "longer than a year"},
		{`{"method":"job-based","hours_effective":1e-320,"levels_db":[80,80,80]}`, "/hours_effective", "above 0 h"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":1e308,"level_db":85}]}`, "/parts/0/hours", "longer than a year"},
		{`{"method":"worker-day","shift_hours":8,"parts":[{"hours":8,"gap":"same"}]}`, "/parts", "every part is a gap declared same; there is"},
		{`{"method":"history","interval_s":1e-320,"quantity":"LAeq","levels_db":[80]}`, "/interval_s", "at least"},
		{`{"method":"history","interval_s":1,"quantity":"LAeq","levels_db":[80],"shift_hours":1e-320}`, "/shift_hours", "above 0 h"},
		{`{"method":"weekly","days_lex_8h_db":` + deep + `}`, "/days_lex_8h_db" + strings.Repeat("/0", deepest-1), "nested"},
	} {
		_, err := Run([]byte(c.doc), Options{})
		var f *fault.Error
		if !errors.As(err, &f) || len(f.Fields) != 1 {
			t.Errorf("%.80s: %v", c.doc, err)
			continue
		}
		if f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%.80s:\n at %s: %s\nwant %s: …%s…", c.doc, f.Fields[0].Path, f.Fields[0].Text, c.where, c.says)
		}
	}
}

// 30 CFR 62.130(c) forbids sound above 115 dBA at any time; a level stated for no time is no sound.
func TestALevelThatLastedNoTimeIsNoMaximum(t *testing.T) {
	msha, err := ProfileByID("us-msha-pel")
	if err != nil {
		t.Fatal(err)
	}
	m, err := ComputeSegments([]Segment{{85, 8}, {130, 0}}, []Profile{msha}, Context{})
	if err != nil {
		t.Fatal(err)
	}
	if m.MaxDB == nil || *m.MaxDB != 85 {
		t.Errorf("the highest level is %v, want 85 dB", deref(m.MaxDB))
	}
	for _, v := range m.Profiles[0].Verdicts {
		if v.State != NotMet {
			t.Errorf("%s: %s", v.ID, v.State)
		}
	}
}

// The upper limit of the share above a limit far beyond a narrow group is nearly nothing. Expected values: the chance that
// a noncentral t reaches the distance seen is 5 %, solved by scipy's adaptive quadrature over the chi distribution.
func TestExceedanceUpperFarFromTheLimit(t *testing.T) {
	for _, c := range []struct {
		n        int
		distance float64
		want     float64
	}{
		{2, 2.97, 0.5836}, {2, 34.9, 0.0143}, {2, 77.01, 6.845e-7}, {2, 141.03, 0}, {2, 329.59, 0}, {2, 1083.83, 0},
	} {
		got := exceedanceUpper(c.n, c.distance, 0.95)
		if got == nil || math.Abs(*got-c.want) > 0.01*c.want+1e-12 {
			t.Errorf("n = %d, %v standard deviations: %v, want %v", c.n, c.distance, deref(got), c.want)
		}
	}
}

// A second device with other data than the first is told as well, not dropped.
func TestSecondDeviceWithOtherData(t *testing.T) {
	out, err := Run([]byte(`{"method":"protector","exposure":{"laeq_db":100,"lceq_db":103},"device":{"snr":10},"second_device":{"nrr":33}}`), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var r ProtectorResult
	if err := json.Unmarshal(out, &r); err != nil {
		t.Fatal(err)
	}
	// 29 CFR 1910.95 App. B: C-weighted level less NRR, and A-weighted level less (NRR - 7); ISO 4869-2: C-weighted level less SNR.
	for method, want := range map[string]float64{"snr": 93, "nrr": 70, "nrr_a": 74} {
		if got, ok := r.EffectiveLevelDB[method]; !ok || math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %v, want %v", method, got, want)
		}
	}
	if r.BandMethod != "snr" || len(r.Advice) == 0 || r.Advice[0].Code != "second_device_not_added" {
		t.Errorf("band by %s, advice %v", r.BandMethod, r.Advice)
	}
}

func TestOneSampleIsCountedInWords(t *testing.T) {
	for _, method := range []string{"job-based", "full-day"} {
		out, err := Run([]byte(`{"method":"`+method+`","hours_effective":8,"levels_db":[85]}`), Options{})
		if err != nil || !strings.Contains(string(out), "few_samples") || strings.Contains(string(out), "Only 1 ") {
			t.Errorf("%s: %s, %v", method, out, err)
		}
	}
}
