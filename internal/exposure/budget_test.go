package exposure

import (
	"math"
	"slices"
	"testing"
)

func adviceCodes(list []Advice) []string {
	var codes []string
	for _, a := range list {
		codes = append(codes, a.Code)
	}
	return codes
}

// Further terms are off unless given: a drift of 0.3 dB as a rectangular half-width, a certificate of 0.2 dB with k = 2
// (JCGM 100:2008, 4.3.7 and 4.3.3), each in full in the sum, since one instrument measured all.
func TestFurtherTerms(t *testing.T) {
	drift, certificate := -0.3, 0.2
	further := FurtherTerms{&drift, &certificate}
	extra := 0.3*0.3/3 + 0.01
	plain, err := ComputeTasks(annexD(Personal, true))
	if err != nil {
		t.Fatal(err)
	}
	day := annexD(Personal, true)
	day.Further = further
	on, err := ComputeTasks(day)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", on.StandardUncertainty, math.Sqrt(plain.StandardUncertainty*plain.StandardUncertainty+extra), 2e-6)
	if plain.FurtherTerms != nil || len(on.FurtherTerms) != 2 || on.LEX8hDB != plain.LEX8hDB || !slices.Contains(adviceCodes(on.Advice), "further_terms") || slices.Contains(adviceCodes(plain.Advice), "further_terms") {
		t.Errorf("off %+v, on %+v", plain.FurtherTerms, on)
	}
	job := SampledDay{LevelsDB: []float64{88.1, 86.1, 89.7, 86.5, 91.1, 86.7}, EffectiveHours: 7.5, Further: further}
	r, err := ComputeJob(job)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", value(t, "u", r.StandardUncertainty), math.Sqrt(1.402665*1.402665+3.25+extra), 2e-6)
	for _, bad := range []float64{math.NaN(), 21, math.Inf(-1)} {
		job.Further = FurtherTerms{DriftDB: &bad}
		if _, err := ComputeJob(job); err == nil {
			t.Errorf("a drift of %v dB", bad)
		}
	}
}

// Beyond Table C.4 of ISO 9612:2009 Land's exact limit stands: more than 30 samples, more than 6 dB of spread.
func TestBeyondTableC4(t *testing.T) {
	many := SampledDay{EffectiveHours: 8}
	for i := range 40 {
		many.LevelsDB = append(many.LevelsDB, 80+float64(i%5))
	}
	r, err := ComputeJob(many)
	if err != nil || r.C1U1From != FromLand || len(r.Advice) != 0 {
		t.Fatalf("%+v, %v", r, err)
	}
	near(t, "c1u1", value(t, "c1u1", r.C1U1DB), landC1U1(40, deviation(many.LevelsDB)), 1e-6)
	many.LevelsDB = many.LevelsDB[:30]
	within, err := ComputeJob(many)
	if err != nil || within.C1U1From != FromTableC4 {
		t.Fatalf("%+v, %v", within, err)
	}
	near(t, "at the seam", value(t, "c1u1", within.C1U1DB), landC1U1(30, deviation(many.LevelsDB)), 0.06)
	// Both sides of u1 = 6 dB, three samples: the table says 46.5, the exact limit nearly the same.
	for off, from := range map[float64]string{-1e-5: FromTableC4, 1e-5: FromLand} {
		r, err := ComputeJob(SampledDay{LevelsDB: []float64{80 - 6 - off, 80, 80 + 6 + off}, EffectiveHours: 8})
		if err != nil || r.C1U1From != from {
			t.Errorf("%+g: %+v, %v", off, r, err)
		}
		near(t, "c1u1", value(t, "c1u1", r.C1U1DB), 46.5, 0.16)
		if slices.Contains(adviceCodes(r.Advice), "spread_beyond_table") != (off > 0) {
			t.Errorf("%+g: advice %v", off, adviceCodes(r.Advice))
		}
	}
	if widest, err := ComputeJob(SampledDay{LevelsDB: []float64{0, 200, 0}, EffectiveHours: 8}); err != nil || widest.UpperDB == nil {
		t.Errorf("%+v, %v", widest, err)
	}
}

// ISO 9612:2009, Table 1 and 9.3 (from memory): durations at their least are enough, below they are told of.
func TestDurationAdvice(t *testing.T) {
	job := SampledDay{LevelsDB: []float64{80, 80, 80, 80, 80}, EffectiveHours: 8, GroupSize: 18, MeasuredHours: 10.75}
	for hours, want := range map[float64]bool{10.75: false, 10.749: true, 0: false} {
		job.MeasuredHours = hours
		r, err := ComputeJob(job)
		if err != nil {
			t.Fatal(err)
		}
		if got := slices.Contains(adviceCodes(r.Advice), "too_short"); got != want {
			t.Errorf("%v h: advice %v", hours, adviceCodes(r.Advice))
		}
	}
	job.GroupSize = 41
	if r, err := ComputeJob(job); err != nil || !slices.Contains(adviceCodes(r.Advice), "group_above_40") {
		t.Errorf("%+v, %v", r, err)
	}
	task := Task{Name: "a", Hours: 1, HoursRange: []float64{1, 1}, LevelsDB: []float64{80, 80, 80}, SampleMinutes: []float64{5, 4.9, 20}}
	short := Task{Name: "b", Hours: 0.05, HoursRange: []float64{0.05, 0.05}, LevelsDB: []float64{80, 80, 80}, SampleMinutes: []float64{3, 3, 3}}
	r, err := ComputeTasks(TaskDay{Tasks: []Task{task, short}})
	if err != nil || len(r.Advice) != 1 || r.Advice[0].Code != "short_sample" || r.Advice[0].Task != "a" {
		t.Errorf("%+v, %v", r.Advice, err)
	}
	task.SampleMinutes = []float64{5}
	if _, err := ComputeTasks(TaskDay{Tasks: []Task{task}}); err == nil {
		t.Error("one duration for three levels")
	}
}
