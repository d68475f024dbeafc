package demo

import (
	"bytes"
	"math"
	mrand "math/rand/v2"
	"time"

	"kitd/internal/exposure"
)

func tenth(v float64) float64 { return math.Round(v*10) / 10 }

// stretch is a part of a shift with a typical level in dB(A) and how far it wanders.
type stretch struct {
	minutes     int
	level, span float64
}

// shifts are the invented working days, eight hours each.
var shifts = map[string][]stretch{
	"fettling": {{25, 76, 3}, {95, 88, 4}, {15, 66, 3}, {100, 90, 4}, {35, 68, 3}, {120, 89, 5}, {60, 86, 4}, {30, 74, 4}},
	"hammer":   {{20, 78, 3}, {110, 94, 5}, {20, 70, 3}, {90, 95, 5}, {40, 68, 3}, {140, 93, 5}, {60, 82, 4}},
	"sweep":    {{30, 72, 3}, {200, 81, 4}, {40, 67, 3}, {180, 82, 4}, {30, 71, 3}},
}

// levels draws one level a second and a C-weighted peak beside each.
func levels(kind string, r *mrand.Rand) (las, peaks []float64) {
	wander := 0.0
	for _, part := range shifts[kind] {
		for range part.minutes * 60 {
			wander = 0.97*wander + 0.24*r.NormFloat64()
			l := part.level + part.span*wander/1.2 + 1.1*r.NormFloat64()
			p := l + 11 + 2.5*math.Abs(r.NormFloat64())
			if r.IntN(9000) == 0 {
				p += 18
			}
			las, peaks = append(las, tenth(min(max(l, 55), 125))), append(peaks, tenth(min(p, 139)))
		}
	}
	return las, peaks
}

// file writes a return as the data link would hand it over.
func file(tag, serial, kind string, start time.Time, r *mrand.Rand) ([]byte, error) {
	las, cpk := levels(kind, r)
	l, err := exposure.NewLevels(las)
	if err != nil {
		return nil, err
	}
	p, err := exposure.NewLevels(cpk)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = exposure.WriteCSV(&b, exposure.Return{Unit: tag, Serial: serial, Start: start, Rows: l.Len(),
		History: exposure.History{StepSeconds: 1, Quantity: exposure.LAeq, Levels: l}, Peaks: &exposure.Peaks{Weighting: "C", Levels: p}})
	return b.Bytes(), err
}
