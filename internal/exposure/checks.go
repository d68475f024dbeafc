package exposure

import "fmt"

// CheckRules are the limits of the return checks. All defaults are common practice, no source.
type CheckRules struct {
	LeastShare     float64 // of the planned wear that has to be measured
	FlatSeconds    float64 // for so long one and the same level is a flat line
	FlatSteps      int     // and for at least so many steps
	FloorDB        float64 // a worn dosimeter hardly stays below this level
	FloorSeconds   float64 // for so long
	EventSeconds   float64 // an event of this length
	EventShare     float64 // may carry this share of the energy
	EventOfSeconds float64 // of histories at least so long
}

// DefaultCheckRules: three quarters of the wear; five minutes and 30 steps flat; half an hour below 50 dB; one minute with
// half of the energy of at least half an hour.
func DefaultCheckRules() CheckRules {
	return CheckRules{LeastShare: 0.75, FlatSeconds: 300, FlatSteps: 30, FloorDB: 50, FloorSeconds: 1800, EventSeconds: 60, EventShare: 0.5, EventOfSeconds: 1800}
}

// Wear is what is known of the time the instrument was worn. 0 means unknown.
type Wear struct{ Seconds float64 }

// CheckReturn flags what a person should look at before a history is computed: too short for the wear, gaps, flat lines,
// long quiet as on a shelf, one event that carries most of the energy. It decides nothing.
func CheckReturn(h History, w Wear, rules CheckRules) []Flag {
	if h.Check() != nil || h.Levels.Check() != nil {
		return []Flag{}
	}
	flags := h.flagShort(w, rules)
	flags = append(flags, h.flagGaps()...)
	flags = append(flags, h.flagFlat(rules)...)
	flags = append(flags, h.flagQuiet(rules)...)
	return append(flags, h.flagEvent(rules)...)
}

func (h History) flagShort(w Wear, rules CheckRules) []Flag {
	measured := h.Seconds()
	for _, g := range h.Gaps {
		measured -= float64(g.To-g.From) * h.StepSeconds
	}
	if w.Seconds <= 0 || measured >= rules.LeastShare*w.Seconds {
		return []Flag{}
	}
	return []Flag{{
		Code:    "too_short",
		Text:    fmt.Sprintf("Measured %.0f s of a wear of %.0f s, less than %.0f %%.", measured, w.Seconds, 100*rules.LeastShare),
		Seconds: Level(w.Seconds - measured),
	}}
}

func (h History) flagGaps() []Flag {
	flags := []Flag{}
	for _, g := range h.Gaps {
		flags = append(flags, h.stretch("gap", "Nothing was measured; the rest stands for this time unless an exclusion says otherwise.", g))
	}
	return flags
}

// stretch makes a flag of a range of steps.
func (h History) stretch(code, text string, s Steps) Flag {
	from, to := Level(float64(s.From)*h.StepSeconds), Level(float64(s.To)*h.StepSeconds)
	return Flag{Code: code, Text: text, Seconds: Level(to - from), FromS: &from, ToS: &to}
}

// measured gives the ranges between the gaps.
func (h History) measured() []Steps {
	var list []Steps
	pos := 0
	for _, g := range h.Gaps {
		if g.From > pos {
			list = append(list, Steps{pos, g.From})
		}
		pos = g.To
	}
	if pos < h.Levels.Len() {
		list = append(list, Steps{pos, h.Levels.Len()})
	}
	return list
}

func (h History) flagFlat(rules CheckRules) []Flag {
	var flags []Flag
	for _, r := range h.measured() {
		for from := r.From; from < r.To; {
			to := from + 1
			for to < r.To && h.Levels.steps(to) == h.Levels.steps(from) {
				to++
			}
			if to-from >= rules.FlatSteps && float64(to-from)*h.StepSeconds >= rules.FlatSeconds {
				text := fmt.Sprintf("One and the same level, %v dB, all the time: a stuck instrument or no microphone.", h.Levels.At(from))
				flags = append(flags, h.stretch("flat_line", text, Steps{from, to}))
			}
			from = to
		}
	}
	return flags
}

func (h History) flagQuiet(rules CheckRules) []Flag {
	floor := int32(float64(rules.FloorDB * float64(h.Levels.PerDB)))
	text := fmt.Sprintf("Below %v dB all the time: left on a shelf or in a bag?", rules.FloorDB)
	var flags []Flag
	for _, r := range h.measured() {
		from := r.From
		for i := r.From; i <= r.To; i++ {
			if i < r.To && h.Levels.steps(i) < floor {
				continue
			}
			if i > from && float64(i-from)*h.StepSeconds >= rules.FloorSeconds {
				flags = append(flags, h.stretch("below_floor", text, Steps{from, i}))
			}
			from = i + 1
		}
	}
	return flags
}

// flagEvent finds the stretch of the event length with the most energy.
func (h History) flagEvent(rules CheckRules) []Flag {
	width := int(rules.EventSeconds / h.StepSeconds)
	if width < 1 || h.Seconds() < rules.EventOfSeconds {
		return nil
	}
	total, best, at := 0.0, 0.0, Steps{}
	for _, r := range h.measured() {
		window := 0.0
		for i := r.From; i < r.To; i++ {
			e := growth(h.Levels.At(i), energyGrowth)
			total += e
			window += e
			if i-width >= r.From {
				window -= growth(h.Levels.At(i-width), energyGrowth)
			}
			if window > best {
				best, at = window, Steps{max(r.From, i-width+1), i + 1}
			}
		}
	}
	if best <= rules.EventShare*total*(1+1e-9) {
		return nil
	}
	text := fmt.Sprintf("%.0f %% of the sound energy of the whole: a knock, a shout at the microphone, or work?", 100*best/total)
	return []Flag{h.stretch("one_event", text, at)}
}
