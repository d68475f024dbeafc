package web

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"kitd/internal/exposure"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

// The panel below the levels counts equal energy: 100 % is 85 dB(A) over 8 hours. Doses by other rules are figures of the
// engine; minutes do not give them exactly.
const (
	energyName  = "sound energy so far, % of 85 dB(A) over 8 h"
	energyLevel = 85.0
	energyHours = 8.0
)

// history is a time history as it is drawn: stretches of a minute or more from the true start on.
type history struct {
	start      time.Time
	length     time.Duration
	stretches  []survey.Stretched
	exclusions []exposure.Exclusion
	quantity   exposure.Quantity
}

// plot draws a history in a zone, with what is left out of it.
func (h history) plot(loc *time.Location) look.Plot {
	start := h.start.In(loc)
	p := look.Plot{From: start, To: start.Add(h.length), DoseName: energyName, Step: h.length}
	if len(h.stretches) > 1 {
		p.Step = seconds(h.stretches[1].AtS - h.stretches[0].AtS)
	}
	p.LevelName = "dB(A), equivalent level of each " + stepName(p.Step)
	if h.quantity == exposure.LASmax {
		p.LevelName = "dB(A), energy mean of the slow maxima of each " + stepName(p.Step)
	}
	for i, e := range h.exclusions {
		p.Excluded = append(p.Excluded, look.Excluded{From: start.Add(seconds(e.FromS)), To: start.Add(seconds(e.ToS)), Letter: letter(i)})
	}
	h.fill(&p, start)
	return p
}

// fill adds the levels, and the energy where nothing is left out.
func (h history) fill(p *look.Plot, start time.Time) {
	energy := 0.0
	p.Dose = append(p.Dose, look.Point{At: start})
	for i, s := range h.stretches {
		end := h.length.Seconds()
		if i+1 < len(h.stretches) {
			end = h.stretches[i+1].AtS
		}
		if !s.Gap {
			p.Levels = append(p.Levels, look.Level{At: start.Add(seconds(s.AtS)), DB: s.LeqDB})
			counted := end - s.AtS - h.leftOut(s.AtS, end)
			energy += 100 * counted / 3600 / energyHours * math.Pow(10, (s.LeqDB-energyLevel)/10)
		}
		p.Dose = append(p.Dose, look.Point{At: start.Add(seconds(end)), Value: energy})
	}
}

// leftOut is how many seconds of a stretch lie in exclusions; exclusions that overlap are joined by the engine and count once.
func (h history) leftOut(from, to float64) float64 {
	sum, done := 0.0, from
	for _, e := range h.exclusions {
		a, z := max(e.FromS, done), min(e.ToS, to)
		if z > a {
			sum, done = sum+z-a, z
		}
	}
	return sum
}

func stepName(d time.Duration) string {
	switch {
	case d == time.Minute:
		return "minute"
	case d > 0 && d%time.Minute == 0:
		return strconv.Itoa(int(d/time.Minute)) + " minutes"
	}
	return strconv.FormatFloat(d.Seconds(), 'g', -1, 64) + " s"
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// letter names a note: a, b … z, aa, ab …
func letter(i int) string {
	text := string(rune('a' + i%26))
	if i >= 26 {
		text = letter(i/26-1) + text
	}
	return text
}

// plotWords says in words what the picture shows.
func plotWords(p look.Plot) string {
	if len(p.Levels) == 0 {
		return "No level was measured."
	}
	lo, hi := p.Levels[0].DB, p.Levels[0].DB
	for _, l := range p.Levels {
		lo, hi = min(lo, l.DB), max(hi, l.DB)
	}
	text := fmt.Sprintf("Levels between %.0f and %.0f dB(A) from %s to %s.", lo, hi, p.From.Format("15:04"), p.To.Format("15:04"))
	for _, e := range p.Excluded {
		text += " " + e.From.Format("15:04") + " to " + e.To.Format("15:04") + " is left out."
	}
	if p.LAeq > 0 {
		text += fmt.Sprintf(" Equivalent level %.1f dB.", p.LAeq)
	}
	if n := len(p.Dose); n > 0 {
		text += fmt.Sprintf(" Sound energy ends at %.0f percent of 85 dB over 8 hours.", p.Dose[n-1].Value)
	}
	return text
}

// notes says of each exclusion when and why.
func (h history) notes(by string, loc *time.Location) []exclusionNote {
	var out []exclusionNote
	for i, e := range h.exclusions {
		text := when.Clock(h.start.Add(seconds(e.FromS)), loc) + " to " + when.Clock(h.start.Add(seconds(e.ToS)), loc) + ", left out"
		if e.Treat == exposure.NotExposed {
			text += " as not exposed"
		}
		if by != "" {
			text += " by " + by
		}
		out = append(out, exclusionNote{letter(i), text + ": " + e.Reason})
	}
	return out
}
