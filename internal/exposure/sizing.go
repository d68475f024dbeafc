package exposure

import (
	"fmt"
	"math"
)

// Sizing asks how much to measure in a group. TopFraction and Confidence are for a sample that is to hold at least one of the
// most exposed workers; Dosimeters, when above 0, turns workers into days.
type Sizing struct {
	GroupSize   int
	TopFraction float64
	Confidence  float64
	Dosimeters  int
}

// JobSizing is the least a job-based measurement takes (ISO 9612:2009, 10.2 and Table 1; from memory).
type JobSizing struct {
	MinimumHours          float64 `json:"minimum_hours"` // over all samples together
	MinimumSamples        int     `json:"minimum_samples"`
	MinutesASample        float64 `json:"minutes_a_sample"` // when there are just that many
	SplitAdvised          bool    `json:"split_advised"`    // more than 40 workers: 17 h, or split the group
	HighestC1U1DB         float64 `json:"highest_c1u1_db"`  // above it the standard asks for more samples or another group
	SamplesOverTheWorkers string  `json:"spread"`
}

// FullDaySizing is the least full-day measurements take (ISO 9612:2009, 11.3; from memory).
type FullDaySizing struct {
	MinimumDays     int     `json:"minimum_days"`
	FurtherDays     int     `json:"further_days"` // when the first differ by SpreadDB or more
	SpreadDB        float64 `json:"spread_db"`
	DaysOfFieldwork int     `json:"days_of_fieldwork,omitzero"`
}

// TaskSizing is the least a task takes (ISO 9612:2009, 9.3; from memory).
type TaskSizing struct {
	MinimumSamples int     `json:"minimum_samples"`
	MinimumMinutes float64 `json:"minimum_minutes"` // each; the whole task when it is shorter
	FurtherSamples int     `json:"further_samples"`
	SpreadDB       float64 `json:"spread_db"`
}

// WorkerSampling is how many workers to pick at random so that at least one of the most exposed is among them.
type WorkerSampling struct {
	TopFraction     float64 `json:"top_fraction"`
	TopWorkers      int     `json:"top_workers"`
	Confidence      float64 `json:"confidence"`
	Workers         int     `json:"workers"`
	Reached         float64 `json:"confidence_reached"`
	UnlimitedGroup  int     `json:"workers_of_an_unlimited_group"`
	DaysOfFieldwork int     `json:"days_of_fieldwork,omitzero"`
}

// SizingResult is the plan for each strategy; the least the standard asks for, not what a difficult group may need.
type SizingResult struct {
	Engine    string         `json:"engine"`
	Edition   string         `json:"edition"`
	GroupSize int            `json:"group_size"`
	Job       JobSizing      `json:"job_based"`
	FullDay   FullDaySizing  `json:"full_day"`
	Task      TaskSizing     `json:"task_based"`
	Workers   WorkerSampling `json:"worker_sampling"`
	Advice    []Advice       `json:"advice"`
}

const (
	largestGroup  = 1_000_000
	leastSamples  = 5   // job-based
	leastDays     = 3   // full-day
	leastMinutes  = 5.0 // a sample of a task
	leastOfTask   = 3
	widestC1U1    = 3.5 // dB
	widestSpread  = 3.0 // dB
	splitAbove    = 40
	hoursAtMost   = 17.0
	defaultTop    = 0.1
	defaultSurety = 0.95
)

// JobMinimumHours is the cumulative duration, in hours, that a job-based measurement of a group takes at least (ISO
// 9612:2009, Table 1; from memory).
func JobMinimumHours(groupSize int) float64 {
	n := float64(groupSize)
	switch {
	case groupSize <= 5:
		return 5
	case groupSize <= 15:
		return 5 + (n-5)*0.5
	case groupSize <= splitAbove:
		return 10 + (n-15)*0.25
	}
	return hoursAtMost
}

// SampleWorkers is the smallest number of workers to pick at random, without returning any, so that with the confidence
// given at least one of the top workers of the group is among them, and the confidence reached: exact, by the hypergeometric
// distribution.
func SampleWorkers(groupSize, top int, confidence float64) (workers int, reached float64) {
	missed := 1.0
	for n := range groupSize {
		if missed <= 1-confidence+1e-12 {
			return n, 1 - missed
		}
		missed *= max(0, float64(groupSize-top-n)) / float64(groupSize-n)
	}
	return groupSize, 1
}

// ComputeSizing plans the size of a survey of one group. Faults have the code exposure-input.
func ComputeSizing(s Sizing) (SizingResult, error) {
	if s.TopFraction == 0 {
		s.TopFraction = defaultTop
	}
	if s.Confidence == 0 {
		s.Confidence = defaultSurety
	}
	if where, what := s.trouble(); what != "" {
		return SizingResult{}, badInput("%s: %s", where, what)
	}
	top := max(1, int(math.Ceil(s.TopFraction*float64(s.GroupSize)-1e-9)))
	workers, reached := SampleWorkers(s.GroupSize, top, s.Confidence)
	hours := JobMinimumHours(s.GroupSize)
	r := SizingResult{Engine: EngineVersion, Edition: MethodEdition, GroupSize: s.GroupSize,
		Job: JobSizing{MinimumHours: hours, MinimumSamples: leastSamples, MinutesASample: Level(hours * 60 / leastSamples), SplitAdvised: s.GroupSize > splitAbove,
			HighestC1U1DB: widestC1U1, SamplesOverTheWorkers: "samples of equal length, spread at random over the workers and over the day"},
		FullDay: FullDaySizing{MinimumDays: leastDays, FurtherDays: 2, SpreadDB: widestSpread, DaysOfFieldwork: fieldDays(leastDays, s.Dosimeters)},
		Task:    TaskSizing{leastOfTask, leastMinutes, leastOfTask, widestSpread},
		Workers: WorkerSampling{TopFraction: s.TopFraction, TopWorkers: top, Confidence: s.Confidence, Workers: workers, Reached: Share(reached),
			UnlimitedGroup: unlimitedSample(s.TopFraction, s.Confidence), DaysOfFieldwork: fieldDays(workers, s.Dosimeters)},
		Advice: []Advice{},
	}
	if r.Job.SplitAdvised {
		r.Advice = append(r.Advice, Advice{Code: "group_above_40", Text: "More than 40 workers: measure at least 17 h in all, or split the group (ISO 9612:2009, Table 1)."})
	}
	return r, nil
}

// unlimitedSample is the number of workers from a group without end: the share missed by n is (1 - top)^n.
func unlimitedSample(top, confidence float64) int {
	return int(math.Ceil(math.Log(1-confidence)/math.Log(1-top) - 1e-9))
}

func fieldDays(wears, dosimeters int) int {
	if dosimeters == 0 {
		return 0
	}
	return (wears + dosimeters - 1) / dosimeters
}

// trouble says which part of the question cannot be answered, as a path, and why.
func (s Sizing) trouble() (where, what string) {
	switch {
	case s.GroupSize < 1 || s.GroupSize > largestGroup:
		return "group_size", fmt.Sprintf("a group has 1 to %d workers, not %d", largestGroup, s.GroupSize)
	case !(s.TopFraction >= 0.001 && s.TopFraction <= 0.5):
		return "top_fraction", fmt.Sprintf("the share of the most exposed is 0.001 to 0.5, not %v", s.TopFraction)
	case !(s.Confidence >= 0.5 && s.Confidence <= 0.999):
		return "confidence", fmt.Sprintf("the confidence is 0.5 to 0.999, not %v", s.Confidence)
	case s.Dosimeters < 0:
		return "dosimeters", fmt.Sprintf("the number of dosimeters is 1 or more, not %d", s.Dosimeters)
	}
	return "", ""
}
