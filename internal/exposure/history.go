package exposure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"kitd/internal/fault"
)

// Quantity is what the levels of a time history are.
type Quantity string

// The quantities of a time history.
const (
	LAeq   Quantity = "LAeq"   // A-weighted equivalent level of each step
	LASmax Quantity = "LASmax" // highest A-weighted slow level within each step
)

// Steps is a half-open range of positions in a history.
type Steps struct {
	From int `json:"from"`
	To   int `json:"to"`
}

// History is a series of levels, one a step. Gaps are the positions whose level was not measured; the value kept there
// does not count.
type History struct {
	StepSeconds float64
	Quantity    Quantity
	Levels      Levels
	Gaps        []Steps
}

// Peaks are peak levels in dB with their frequency weighting ("A", "C" or "Z"), one a step where the counts agree.
type Peaks struct {
	Weighting string
	Levels    Levels
}

// Treat is what an exclusion does with its time.
type Treat string

// The treatments of excluded time.
const (
	Remove     Treat = "remove"      // the time is not counted: the rest represents it
	NotExposed Treat = "not_exposed" // the time is counted, without sound energy
)

// Exclusion takes [FromS, ToS), in seconds from the start of the history, out of it. Reason is required.
type Exclusion struct {
	FromS  float64 `json:"from_s"`
	ToS    float64 `json:"to_s"`
	Reason string  `json:"reason"`
	Treat  Treat   `json:"treat"`
}

// leastStep, in seconds, is shorter than the integration time of any logged level.
const leastStep = 1e-4

// Seconds is the time the history spans, gaps included.
func (h History) Seconds() float64 { return float64(h.Levels.Len()) * h.StepSeconds }

// Check reports the first thing that makes the history unusable.
func (h History) Check() error {
	switch {
	case !(h.StepSeconds >= leastStep && h.StepSeconds <= 86400):
		return badInput("the step of %v s is not above 0 s (at least %v s) and at most 86400 s", h.StepSeconds, leastStep)
	case h.Quantity != LAeq && h.Quantity != LASmax:
		return badInput("the quantity is LAeq or LASmax, not %q", h.Quantity)
	case h.Levels.Len() == 0:
		return badInput("the history holds no level")
	}
	end := 0
	for _, g := range h.Gaps {
		if g.From < end || g.To <= g.From || g.To > h.Levels.Len() {
			return badInput("the gap [%d, %d) is not in order or lies outside the history", g.From, g.To)
		}
		end = g.To
	}
	return h.Levels.checkForm()
}

func badInput(format string, args ...any) error {
	return fault.New(fault.ExposureInput, "what", fmt.Sprintf(format, args...))
}

// cut is a stretch of the history that is not counted as measured, in steps.
type cut struct {
	from, to float64
	silent   bool // the time is kept without energy
}

// part is a fraction of one step.
type part struct {
	at     int
	weight float64
}

// plan tells which steps count: whole ones in runs, fractions at the edges of exclusions, and time without energy.
type plan struct {
	runs    []Steps
	parts   []part
	silent  float64 // steps
	removed float64 // steps taken out by exclusions
	missing float64 // steps of gaps that no exclusion covers
}

func (h History) plan(exclusions []Exclusion) (plan, error) {
	cuts, err := h.cuts(exclusions)
	if err != nil {
		return plan{}, err
	}
	var p plan
	for _, c := range cuts {
		if c.silent {
			p.silent += c.to - c.from
		} else {
			p.removed += c.to - c.from
		}
	}
	for _, gap := range h.Gaps {
		rest := without(cut{float64(gap.From), float64(gap.To), false}, cuts)
		for _, c := range rest {
			p.missing += c.to - c.from
		}
		cuts = append(cuts, rest...)
	}
	slices.SortFunc(cuts, func(a, b cut) int { return cmp.Compare(a.from, b.from) })
	pos := 0.0
	for _, c := range cuts {
		p.keep(pos, c.from)
		pos = max(pos, c.to)
	}
	p.keep(pos, float64(h.Levels.Len()))
	return p, nil
}

// cuts turns exclusions into joined, ordered stretches. Two that overlap have to agree on the treatment.
func (h History) cuts(exclusions []Exclusion) ([]cut, error) {
	cuts := make([]cut, 0, len(exclusions))
	for i, e := range exclusions {
		if text := e.trouble(h.Seconds()); text != "" {
			return nil, badInput("exclusion %d %s", i, text)
		}
		cuts = append(cuts, cut{snap(e.FromS / h.StepSeconds), snap(e.ToS / h.StepSeconds), e.Treat == NotExposed})
	}
	slices.SortFunc(cuts, func(a, b cut) int { return cmp.Compare(a.from, b.from) })
	joined := cuts[:0]
	for _, c := range cuts {
		last := len(joined) - 1
		switch {
		case last < 0 || joined[last].to <= c.from:
			joined = append(joined, c)
		case joined[last].silent != c.silent:
			return nil, badInput("two exclusions overlap and treat the time differently at %v s; shorten one", Level(c.from*h.StepSeconds))
		default:
			joined[last].to = max(joined[last].to, c.to)
		}
	}
	return joined, nil
}

// trouble says why the exclusion cannot be applied to a history of so many seconds, or nothing.
func (e Exclusion) trouble(seconds float64) string {
	switch {
	case !(e.FromS >= 0) || !(e.ToS > e.FromS):
		return fmt.Sprintf("runs from %v s to %v s; the end has to come after the start, and the start not before 0 s", e.FromS, e.ToS)
	case e.ToS > seconds*(1+1e-9):
		return fmt.Sprintf("ends at %v s, after the end of the history at %v s", e.ToS, seconds)
	case e.Reason == "":
		return "has no reason; say why the time is taken out"
	case e.Treat != Remove && e.Treat != NotExposed:
		return fmt.Sprintf("is treated as %q; it is remove or not_exposed", e.Treat)
	}
	return ""
}

// snap takes away the rounding of a division that should have given a whole number of steps.
func snap(steps float64) float64 {
	if whole := math.Round(steps); math.Abs(steps-whole) < 1e-9*max(1, whole) {
		return whole
	}
	return steps
}

// without gives what is left of c outside the ordered, separate stretches.
func without(c cut, stretches []cut) []cut {
	var rest []cut
	for _, s := range stretches {
		if s.to <= c.from || s.from >= c.to {
			continue
		}
		if s.from > c.from {
			rest = append(rest, cut{c.from, s.from, c.silent})
		}
		c.from = s.to
	}
	if c.from < c.to {
		rest = append(rest, c)
	}
	return rest
}

// keep counts the stretch [from, to), given in steps, as measured.
func (p *plan) keep(from, to float64) {
	if to <= from {
		return
	}
	first, last := math.Ceil(from), math.Floor(to)
	if first > last {
		p.parts = append(p.parts, part{int(last), to - from})
		return
	}
	if first > from {
		p.parts = append(p.parts, part{int(first) - 1, first - from})
	}
	if last > first {
		p.runs = append(p.runs, Steps{int(first), int(last)})
	}
	if to > last {
		p.parts = append(p.parts, part{int(last), to - last})
	}
}
