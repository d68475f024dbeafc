package exposure

import (
	"testing"

	"pgregory.net/rapid"
)

func nipts(t *testing.T, level, years, hz, worse float64) float64 {
	t.Helper()
	r, err := ComputeHearingRisk(HearingRisk{LEX8hDB: level, Years: years, FrequencyHz: hz, FractionWorseOff: worse})
	if err != nil {
		t.Fatal(err)
	}
	return r.NIPTSDB
}

// ISO 1999:2013, clause 6, at three levels and four times, six frequencies, three fractiles, computed from the formulas.
func TestNIPTS(t *testing.T) {
	for _, row := range table(t, "nipts.csv", 12) {
		for f, hz := range []float64{500, 1000, 2000, 3000, 4000, 6000} {
			for q, worse := range []float64{0.9, 0.5, 0.1} {
				got := nipts(t, row[0], row[1], hz, worse)
				if !roundsTo(got, row[2+3*f+q], 0.1+1e-3) {
					t.Errorf("%v dB, %v years, %v Hz, %v: %v, want %v", row[0], row[1], hz, worse, got, row[2+3*f+q])
				}
			}
		}
	}
}

// Values printed in ISO 1999:2013: Table D.2 (90 dB, 20 years, 4 kHz) median 13, worst tenth 18; Table D.4 (100 dB, 40 years, 3
// kHz) worst tenth 60; Annex C (90 dB, 30 years, worst tenth) 0, 9, 19 dB at 1, 2, 4 kHz, with age 14, 21, 36 dB, of which the
// noise adds 13.3 dB at 4 kHz.
func TestNIPTSAsPrinted(t *testing.T) {
	for _, c := range [][5]float64{{90, 20, 4000, 0.5, 13}, {90, 20, 4000, 0.1, 18}, {100, 40, 3000, 0.1, 60}, {90, 30, 1000, 0.1, 0}, {90, 30, 2000, 0.1, 9}, {90, 30, 4000, 0.1, 19}} {
		near(t, "NIPTS", nipts(t, c[0], c[1], c[2], c[3]), c[4], 0.5)
	}
	age := 36.0
	r, err := ComputeHearingRisk(HearingRisk{90, 30, 4000, 0.1, &age})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "noise on top of age", r.WithAge.CompressedNoiseDB, 13.3, 0.2) // printed from 19, here from 19.2
	near(t, "both", r.WithAge.ThresholdDB, 36+r.WithAge.CompressedNoiseDB, 1e-6)
	near(t, "sum", r.WithAge.SumDB, 36+r.NIPTSDB, 1e-6)
	none, err := ComputeHearingRisk(HearingRisk{90, 30, 4000, 0.1, nil})
	if err != nil || none.WithAge != nil || none.NIPTSDB != r.NIPTSDB || none.Caution == "" {
		t.Errorf("%+v, %v", none, err)
	}
}

// ISO 1999:1990, Table E.2 (90 dB; from memory): tenth with the smaller shift, median, tenth with the larger, after 10, 20, 30
// and 40 years. One cell is printed 8 for 8.5.
func TestNIPTSOf1990(t *testing.T) {
	for hz, rows := range map[float64][4][3]float64{
		4000: {{7, 11, 15}, {9, 13, 18}, {10, 14, 19}, {11, 15, 20}},
		3000: {{4, 8, 13}, {7, 10, 16}, {8, 11, 18}, {9, 12, 19}},
		2000: {{0, 2, 6}, {2, 4, 8}, {3, 5, 9}, {4, 6, 10}},
		6000: {{3, 7, 12}, {4, 8, 14}, {5, 9, 15}, {6, 10, 15}},
	} {
		for i, row := range rows {
			for q, worse := range []float64{0.9, 0.5, 0.1} {
				near(t, "NIPTS", nipts(t, 90, float64(10*(i+1)), hz, worse), row[q], 0.55)
			}
		}
	}
}

// Below 10 years: N(10) lg(t + 1)/lg 11.
func TestNIPTSOfFewYears(t *testing.T) {
	ten := nipts(t, 95, 10, 4000, 0.1)
	near(t, "0 years", nipts(t, 95, 0, 4000, 0.1), 0, 0)
	near(t, "1 year", nipts(t, 95, 1, 4000, 0.1), ten*0.289065, 1e-4) // lg 2/lg 11
	near(t, "just below", nipts(t, 95, 9.999999, 4000, 0.1), ten, 1e-4)
	near(t, "at L0", nipts(t, 75, 40, 4000, 0.05), 0, 0)
	near(t, "below 75 dB", nipts(t, 60, 40, 4000, 0.05), 0, 0)
}

// Never below 0; more level, more years or a worse fractile is no smaller shift. At 10 years and more the better fractiles of
// some frequencies narrow with time, so time is taken for the median and worse.
func TestNIPTSProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hz := rapid.SampledFrom([]float64{500, 1000, 2000, 3000, 4000, 6000}).Draw(t, "hz")
		level := rapid.Float64Range(75, 99).Draw(t, "level")
		years := rapid.Float64Range(0, 39).Draw(t, "years")
		worse := rapid.Float64Range(0.1, 0.95).Draw(t, "worse")
		shift := func(level, years, worse float64) float64 {
			r, err := ComputeHearingRisk(HearingRisk{level, years, hz, worse, nil})
			if err != nil {
				t.Fatal(err)
			}
			return r.NIPTSDB
		}
		n := shift(level, years, worse)
		if n < 0 || shift(level+1, years, worse) < n || shift(level, years, worse-0.05) < n {
			t.Fatalf("%v dB", n)
		}
		if worse <= 0.5 && shift(level, years+1, worse) < n-1e-6 {
			t.Fatalf("%v dB after %v years, %v after one more", n, years, shift(level, years+1, worse))
		}
	})
}
