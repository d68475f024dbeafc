package exposure

import (
	"math"
	"slices"
	"testing"

	"kitd/internal/fault"
)

// annexD is the worked example of ISO 9612:2009, Annex D.
func annexD(instrument Instrument, durations bool) TaskDay {
	d := TaskDay{Instrument: instrument, Tasks: []Task{
		{Name: "planning", Hours: 1.5, LevelsDB: []float64{70}},
		{Name: "welding", Hours: 5, LevelsDB: []float64{80.1, 82.2, 79.6}},
		{Name: "cutting", Hours: 1.5, LevelsDB: []float64{86.5, 92.4, 89.3, 93.2, 87.8, 86.2}},
	}}
	if durations {
		d.Tasks[1].HoursRange = []float64{4, 6}
		d.Tasks[2].HoursRange = []float64{1, 2}
	}
	return d
}

// ISO 9612:2009, Annex D: L_EX,8h 84.3 dB, U 2.7 dB without and 3.2 dB with the duration uncertainty (printed); intermediate
// values computed from C.2. With a class 1 meter the same data give 2.14 and 2.77 dB.
func TestAnnexD(t *testing.T) {
	r, err := ComputeTasks(annexD(Personal, true))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "L_EX,8h", r.LEX8hDB, 84.294, 6e-4)
	near(t, "u", r.StandardUncertainty, 1.9606, 6e-5)
	near(t, "U", r.ExpandedUncertainty, 3.235, 6e-4)
	near(t, "upper", r.UpperDB, r.LEX8hDB+r.ExpandedUncertainty, 1.1e-6)
	for i, want := range [][6]float64{
		{70, 62.730, 0.0070, 0, 0.0202, 0},
		{80.786, 78.744, 0.2786, 0.7965, 0.2419, 1},
		{90.103, 82.833, 0.7144, 1.2178, 2.0669, 0.5},
	} {
		got := r.Tasks[i]
		near(t, "level", got.LevelDB, want[0], 6e-4)
		near(t, "contribution", value(t, "lex", got.LEX8hDB), want[1], 6e-4)
		near(t, "c1a", got.C1a, want[2], 6e-5)
		near(t, "u1a", got.U1aDB, want[3], 6e-5)
		near(t, "c1b", got.C1bDBPerHour, want[4], 1e-4)
		near(t, "u1b", got.U1bHours, want[5], 0)
	}
	for _, c := range []struct {
		instrument Instrument
		durations  bool
		want       float64
	}{{Personal, false, 2.720}, {Class2, false, 2.720}, {Class1, false, 2.140}, {Class1, true, 2.765}} {
		r, err := ComputeTasks(annexD(c.instrument, c.durations))
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(c.instrument), r.ExpandedUncertainty, c.want, 6e-4)
	}
}

// ISO 9612:2009, C.2: the uncertainty of repeated durations is the standard error of their mean.
func TestTaskDurationSamples(t *testing.T) {
	r, err := ComputeTasks(TaskDay{Tasks: []Task{{Name: "a", HoursSamples: []float64{2, 3, 4}, LevelsDB: []float64{85, 85, 85}}}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "hours", r.Tasks[0].Hours, 3, 0)
	near(t, "u1b", r.Tasks[0].U1bHours, 1/math.Sqrt(3), 1e-6)
	near(t, "L_EX,8h", r.LEX8hDB, 85+10*math.Log10(3.0/8), 1e-6)
	near(t, "c1a", r.Tasks[0].C1a, 1, 1e-6)
	near(t, "c1b", r.Tasks[0].C1bDBPerHour, 4.34/3, 1e-6)
	one, err := ComputeTasks(TaskDay{Tasks: []Task{{Name: "a", HoursSamples: []float64{2}, LevelsDB: []float64{85}}}})
	if err != nil || one.Tasks[0].U1bHours != 0 || one.Tasks[0].U1aDB != 0 {
		t.Errorf("one duration, one level: %+v, %v", one, err)
	}
}

func TestTaskAdvice(t *testing.T) {
	r, err := ComputeTasks(TaskDay{Tasks: []Task{
		{Name: "one", Hours: 1, LevelsDB: []float64{80}},
		{Name: "two", Hours: 1, LevelsDB: []float64{80, 81}},
		{Name: "even", Hours: 1, HoursRange: []float64{1, 1}, LevelsDB: []float64{80, 81, 82.9}},
		{Name: "uneven", Hours: 1, HoursSamples: nil, LevelsDB: []float64{80, 81, 83}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range r.Advice {
		got = append(got, a.Task+" "+a.Code)
	}
	want := []string{"one single_sample", "two few_samples", "uneven spread_3_db", "one duration_taken_as_exact", "two duration_taken_as_exact", "uneven duration_taken_as_exact"}
	if !slices.Equal(got, want) {
		t.Errorf("advice %v, want %v", got, want)
	}
}

func TestTaskOfNoDurationAddsNothing(t *testing.T) {
	r, err := ComputeTasks(TaskDay{Tasks: []Task{
		{Name: "none", Hours: 0, LevelsDB: []float64{120, 120, 120}},
		{Name: "all", Hours: 8, LevelsDB: []float64{85, 85, 85}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	if r.LEX8hDB != 85 || r.Tasks[0].LEX8hDB != nil || r.Tasks[0].C1a != 0 {
		t.Errorf("%+v", r)
	}
}

func TestTasksThatCannotBeComputed(t *testing.T) {
	level := []float64{80}
	for name, d := range map[string]TaskDay{
		"no tasks":        {},
		"no hours":        {Tasks: []Task{{LevelsDB: level}}},
		"no levels":       {Tasks: []Task{{Hours: 1}}},
		"negative hours":  {Tasks: []Task{{Hours: -1, LevelsDB: level}}},
		"NaN level":       {Tasks: []Task{{Hours: 1, LevelsDB: []float64{math.NaN()}}}},
		"300 dB":          {Tasks: []Task{{Hours: 1, LevelsDB: []float64{300}}}},
		"other duration":  {Tasks: []Task{{Hours: 2, HoursSamples: []float64{1}, LevelsDB: level}}},
		"both spreads":    {Tasks: []Task{{HoursRange: []float64{1, 2}, HoursSamples: []float64{1}, LevelsDB: level}}},
		"backward range":  {Tasks: []Task{{Hours: 1, HoursRange: []float64{2, 1}, LevelsDB: level}}},
		"outside range":   {Tasks: []Task{{Hours: 3, HoursRange: []float64{1, 2}, LevelsDB: level}}},
		"three in range":  {Tasks: []Task{{Hours: 3, HoursRange: []float64{1, 2, 3}, LevelsDB: level}}},
		"instrument":      {Instrument: "ear", Tasks: []Task{{Hours: 1, LevelsDB: level}}},
		"reference hours": {ReferenceHours: -8, Tasks: []Task{{Hours: 1, LevelsDB: level}}},
	} {
		if _, err := ComputeTasks(d); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
