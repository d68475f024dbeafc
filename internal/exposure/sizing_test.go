package exposure

import (
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/fault"
)

// ISO 9612:2009, Table 1 (from memory): cumulative hours of a job-based measurement.
func TestJobMinimumHours(t *testing.T) {
	for n, hours := range map[int]float64{1: 5, 5: 5, 6: 5.5, 10: 7.5, 15: 10, 18: 10.75, 20: 11.25, 30: 13.75, 40: 16.25, 41: 17, 200: 17} {
		near(t, "hours", JobMinimumHours(n), hours, 0)
	}
}

// Exact hypergeometric sample sizes, computed independently; the samples of an unlimited group are 22, 11, 29 and 14, as
// NIOSH 77-173 (from memory) prints them.
func TestSampleWorkers(t *testing.T) {
	for _, row := range table(t, "worker_sampling.csv", 13) {
		for i, c := range [][2]float64{{0.1, 0.9}, {0.1, 0.95}, {0.2, 0.9}, {0.2, 0.95}} {
			r, err := ComputeSizing(Sizing{GroupSize: int(row[0]), TopFraction: c[0], Confidence: c[1]})
			if err != nil {
				t.Fatal(err)
			}
			if want := int(row[1+2*i]); r.Workers.Workers != want || r.Workers.Reached < c[1]-1e-9 {
				t.Errorf("%v workers, top %v, %v: %+v, want %d", row[0], c[0], c[1], r.Workers, want)
			}
			if want := []int{22, 29, 11, 14}[i]; r.Workers.UnlimitedGroup != want {
				t.Errorf("unlimited, top %v, %v: %d, want %d", c[0], c[1], r.Workers.UnlimitedGroup, want)
			}
		}
	}
}

// One worker fewer would not do; nobody is left to miss when all are measured; a large group nears the unlimited one.
func TestSampleWorkersIsTheSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(1, 400).Draw(t, "size")
		top := rapid.IntRange(1, size).Draw(t, "top")
		confidence := rapid.Float64Range(0.5, 0.999).Draw(t, "confidence")
		n, reached := SampleWorkers(size, top, confidence)
		missed := func(n int) float64 {
			p := 1.0
			for i := range n {
				p *= max(0, float64(size-top-i)) / float64(size-i)
			}
			return p
		}
		if n < 1 || n > size || reached < confidence-1e-9 || 1-missed(n-1) >= confidence+1e-9 {
			t.Fatalf("%d workers reach %v", n, reached)
		}
	})
	if n, _ := SampleWorkers(1_000_000, 100_000, 0.9); n != 22 {
		t.Errorf("%d of a very large group", n)
	}
}

func TestSizing(t *testing.T) {
	r, err := ComputeSizing(Sizing{GroupSize: 18, Dosimeters: 4})
	if err != nil {
		t.Fatal(err)
	}
	if r.Job.MinimumHours != 10.75 || r.Job.MinimumSamples != 5 || r.Job.MinutesASample != 129 || r.Job.SplitAdvised || r.FullDay.MinimumDays != 3 || r.FullDay.DaysOfFieldwork != 1 || r.Task.MinimumSamples != 3 {
		t.Errorf("%+v", r)
	}
	if w := r.Workers; w.TopWorkers != 2 || w.DaysOfFieldwork != (w.Workers+3)/4 {
		t.Errorf("%+v", w)
	}
	if large, err := ComputeSizing(Sizing{GroupSize: 41}); err != nil || !large.Job.SplitAdvised || large.Advice[0].Code != "group_above_40" {
		t.Errorf("%+v, %v", large, err)
	}
	for _, s := range []Sizing{{}, {GroupSize: -1}, {GroupSize: 5, TopFraction: 0.6}, {GroupSize: 5, Confidence: 1}, {GroupSize: 5, Dosimeters: -1}} {
		if _, err := ComputeSizing(s); !fault.Is(err, fault.ExposureInput) {
			t.Errorf("%+v: %v", s, err)
		}
	}
}
