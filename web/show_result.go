package web

import (
	"cmp"
	"fmt"
	"strconv"

	"kitd/internal/exposure"
	"kitd/internal/survey"
	"kitd/web/look"
)

// comparisonWords spells a comparison out, for nobody should have to know which of the two a limit means.
func comparisonWords(c exposure.Comparison) string {
	if c == exposure.AtOrAbove {
		return "at or above (≥)"
	}
	return "above (>)"
}

// unitWords names the unit of a limit with its weighting.
func unitWords(v exposure.Verdict, weighting string) string {
	switch v.Quantity {
	case exposure.LEX8h, exposure.LEX8hAdjusted, exposure.LevelMax:
		return "dB(A)"
	case exposure.PeakDB:
		if weighting != "" {
			return "dB(" + weighting + ")"
		}
	}
	return v.Unit
}

var measureWords = map[exposure.Measure]string{
	exposure.DosePercent: "dose of the shift", exposure.LEX8h: "daily exposure", exposure.PeakDB: "peak", exposure.PeakPa: "peak pressure",
	exposure.LevelMax: "highest level", exposure.LEX8hAdjusted: "daily exposure adjusted for the long shift",
}

// decimals is how many a value of the measure is shown with; comparisons are made on unrounded values.
func decimals(m exposure.Measure) int {
	if m == exposure.DosePercent || m == exposure.PeakPa {
		return 0
	}
	return 1
}

// shownFigure rounds for display, but never onto the limit: a value just short of it is shown with as many decimals as it takes.
func shownFigure(value, limit float64, places int) string {
	for ; places < 6; places++ {
		text := strconv.FormatFloat(value, 'f', places, 64)
		shown, err := strconv.ParseFloat(text, 64)
		if err == nil && (value == limit) == (shown == limit) && (value < limit) == (shown < limit) {
			break
		}
	}
	return minus(strconv.FormatFloat(value, 'f', places, 64))
}

func limitName(v exposure.Verdict) string {
	name := capital(v.Duty)
	name += " (" + measureWords[v.Quantity]
	if v.Basis == exposure.AtEar {
		name += ", at the ear"
	}
	return name + ")"
}

func limitRule(v exposure.Verdict, weighting string) string {
	return comparisonWords(v.Comparison) + " " + strconv.FormatFloat(v.Limit, 'f', -1, 64) + " " + unitWords(v, weighting)
}

// verdictOf puts one verdict into words and its mark.
func verdictOf(v exposure.Verdict, assessable bool, weighting string) verdictRow {
	row := verdictRow{Limit: limitName(v), Rule: limitRule(v, weighting), Found: "–", Range: "–", Mark: "unknown", Word: "not assessable"}
	if v.Value != nil {
		row.Found = shownFigure(*v.Value, v.Limit, decimals(v.Quantity))
	}
	if !assessable {
		return row
	}
	reached, below := "at or above", "below"
	if v.Comparison == exposure.Above {
		reached, below = "above", "not above"
	}
	switch v.State {
	case exposure.Met:
		row.Mark, row.Word = "reached", reached
	case exposure.NotMet:
		row.Mark, row.Word = "below", below
	case exposure.EstimateOnly:
		row.Word = "estimate only"
		if v.Value != nil {
			row.Word = "estimate only, " + map[bool]string{true: reached, false: below}[leansOver(v)]
		}
	case exposure.NotAssessable:
		return row
	}
	if v.WithinUncertainty && v.State != exposure.EstimateOnly {
		row.Mark, row.Word = "reaches", row.Word+"; the limit lies within the uncertainty"
	}
	return row
}

func leansOver(v exposure.Verdict) bool {
	if v.Comparison == exposure.AtOrAbove {
		return *v.Value >= v.Limit
	}
	return *v.Value > v.Limit
}

// withRange adds the range of the expanded uncertainty to verdicts on the daily level.
func withRange(row verdictRow, v exposure.Verdict, u *survey.Uncertainty) verdictRow {
	if u != nil && v.Quantity == exposure.LEX8h && v.Value != nil {
		lo, hi := *v.Value-u.ExpandedDB, *v.Value+u.ExpandedDB
		row.Range = number(&lo, 1) + " to " + number(&hi, 1)
	}
	return row
}

func verdictTables(c survey.Content) []profileVerdicts {
	var out []profileVerdicts
	for _, p := range c.Day.Profiles {
		g := profileVerdicts{Name: p.Profile + ", " + p.Edition + ", version " + strconv.Itoa(p.Version)}
		for _, v := range p.Verdicts {
			g.Rows = append(g.Rows, withRange(verdictOf(v, c.Assessable(p.Profile), c.Day.PeakWeighting), v, c.Uncertainty))
		}
		out = append(out, g)
	}
	return out
}

// highest is the limit to lead with: of those reached the one on the highest level of the daily exposure, else a dose, else a peak.
func highest(c survey.Content) (exposure.Verdict, bool) {
	var best exposure.Verdict
	found := false
	rank := map[exposure.Measure]int{exposure.LEX8h: 3, exposure.LEX8hAdjusted: 2, exposure.DosePercent: 2, exposure.PeakDB: 1, exposure.PeakPa: 1, exposure.LevelMax: 1}
	for _, p := range c.Day.Profiles {
		if !c.Assessable(p.Profile) {
			continue
		}
		for _, v := range p.Verdicts {
			order := cmp.Or(cmp.Compare(rank[v.Quantity], rank[best.Quantity]), cmp.Compare(v.Limit, best.Limit), cmp.Compare(strictness(v), strictness(best)))
			if v.State == exposure.Met && (!found || order > 0) {
				best, found = v, true
			}
		}
	}
	return best, found
}

// strictness puts "above" a value before "at or above" it: who is above is at it too.
func strictness(v exposure.Verdict) int {
	if v.Comparison == exposure.Above {
		return 1
	}
	return 0
}

func anyAssessable(c survey.Content) bool {
	for _, p := range c.Day.Profiles {
		if c.Assessable(p.Profile) {
			return true
		}
	}
	return false
}

// resultAnswer is the answer in words.
func resultAnswer(c survey.Content) (lead, rest string) {
	day := "The day is " + number(c.Day.LEX8hDB, 1) + " dB(A)"
	if c.Day.LEX8hDB == nil {
		day = "The day has no level"
	}
	v, reached := highest(c)
	switch {
	case !anyAssessable(c):
		lead = day + ", but no limit can be assessed."
	case !reached:
		lead = day + "; no limit it is judged by is reached."
	case v.Quantity == exposure.LEX8h:
		lead = day + ", " + comparisonWords(v.Comparison) + " " + strconv.FormatFloat(v.Limit, 'f', -1, 64) + " dB(A)."
	default:
		lead = fmt.Sprintf("%s; the %s is %s %s, %s %s.", day, measureWords[v.Quantity], shownFigure(*v.Value, v.Limit, decimals(v.Quantity)), v.Unit,
			comparisonWords(v.Comparison), strconv.FormatFloat(v.Limit, 'f', -1, 64)+" "+unitWords(v, c.Day.PeakWeighting))
	}
	return lead, uncertaintyWords(c)
}

func uncertaintyWords(c survey.Content) string {
	u := c.Uncertainty
	if u == nil {
		return "ISO 9612 gives no uncertainty for it; see below."
	}
	text := "The expanded uncertainty is " + number(&u.ExpandedDB, 1) + " dB, one-sided 95 %, of instrument and microphone position alone"
	if u.UpperDB != nil {
		text += ": by those it is not above " + number(u.UpperDB, 1) + " dB(A)"
	}
	return text + "."
}

func resultFigures(c survey.Content) []figure {
	d := c.Day
	out := []figure{{Lead: true, Name: "Daily exposure, L", Sub: "EX,8h", Value: number(d.LEX8hDB, 1), Unit: "dB(A)"}}
	if u := c.Uncertainty; u != nil {
		out = append(out, figure{Name: "Expanded uncertainty U, one-sided 95 %", Value: number(&u.ExpandedDB, 1), Unit: "dB"},
			figure{Name: "Upper value, with U", Value: number(u.UpperDB, 1), Unit: "dB(A)"})
	}
	peak := figure{Name: "Highest peak", Value: number(d.PeakDB, 1)}
	if d.PeakDB != nil {
		peak.Unit = "dB(" + d.PeakWeighting + ")"
	}
	return append(out, peak, figure{Name: "Sound exposure", Value: number(&d.Pa2h, 2), Unit: "Pa²h"})
}

func doseRows(c survey.Content) []doseRow {
	var out []doseRow
	for _, p := range c.Day.Profiles {
		if p.DosePercent == nil {
			continue
		}
		name := p.Profile
		if p.EstimateOnly {
			name += ", estimate only"
		}
		out = append(out, doseRow{name, number(p.DosePercent, 1), number(p.ProjectedDosePercent, 1), number(p.DoseShiftPercent, 1), number(p.TWADB, 1), number(p.LavgDB, 1)})
	}
	return out
}

func budgetOf(u *survey.Uncertainty) (rows []budgetRow, foot []pair, note string) {
	if u == nil {
		return nil, nil, "ISO 9612 gives no uncertainty where its conditions are not kept; what stands in the way is named above."
	}
	rows = []budgetRow{
		{"Instrument (ISO 9612:2009, Table C.5)", "u₂ " + number(&u.InstrumentDB, 2), "1", number(&u.InstrumentDB, 2)},
		{"Where the microphone sits (C.6)", "u₃ " + number(&u.PositionDB, 2), "1", number(&u.PositionDB, 2)},
	}
	foot = []pair{{Key: "Combined standard uncertainty", Value: number(&u.StandardDB, 2)}, {Key: "Expanded, U = 1.65 u, one-sided 95 %", Value: number(&u.ExpandedDB, 2)}}
	return rows, foot, "One measured day: how much days differ is not known and not in it."
}

func resultValues(c survey.Content) []pair {
	d := c.Day
	out := []pair{
		{Key: "LAeq", Value: number(c.Measured.LAeqDB, 1) + " dB(A), measured"}, {Key: "Measured", Value: number(&c.Inputs.MeasuredHours, 2) + " h"},
		{Key: "Shift", Value: number(&c.Inputs.ShiftHours, 2) + " h"}, {Key: "Highest level", Value: number(d.MaxDB, 1) + " dB(A)"},
		{Key: "L10, L50, L90", Value: number(d.L10DB, 1) + ", " + number(d.L50DB, 1) + ", " + number(d.L90DB, 1) + " dB(A)"},
	}
	for _, g := range c.Inputs.Gaps {
		text := number(&g.Hours, 2) + " h, " + string(g.Kind)
		if g.LevelDB != nil {
			text += " " + g.LevelDB.String() + " dB(A)"
		}
		out = append(out, pair{Key: "Not measured", Value: text})
	}
	if v := c.Drift.ValueDB; v != nil {
		out = append(out, pair{Key: "Drift", Value: minus(v.String()) + " dB"})
	}
	out = append(out, pair{Key: "Method", Value: c.Method}, pair{Key: "Edition", Value: c.Edition}, pair{Key: "Engine", Value: c.Engine},
		pair{Key: "Corrections", Value: "none applied for the ear or a headset"})
	return out
}

// resultFlagWords gives flags and advice, each once.
func resultFlagWords(c survey.Content) []string {
	var out []string
	seen := map[string]bool{}
	add := func(text string) {
		if !seen[text] {
			out, seen[text] = append(out, text), true
		}
	}
	for _, f := range c.Flags {
		add(f.Text)
	}
	for _, f := range c.Day.Flags {
		text := f.Text
		if f.Seconds > 0 {
			text += " (" + lasting(seconds(f.Seconds)) + ")"
		}
		add(text)
	}
	for _, a := range c.Day.Advice {
		add(a.Text)
	}
	return out
}

// evidenceHref is where the record of a link is shown; empty where no page shows it.
func evidenceHref(l survey.ChainLink) string {
	switch l.Noun {
	case survey.NounReturn:
		return returnPath(l.ID)
	case survey.NounWear:
		return wearPath(l.ID)
	case survey.NounDosimeter, survey.NounCalibrator:
		return unitPath(l.Label)
	}
	return ""
}

// linkHead names a link; some labels say already what they are.
func linkHead(l survey.ChainLink) string {
	switch l.Noun {
	case survey.NounReview, survey.NounReturn, survey.NounCheck:
		return capital(l.Label)
	}
	return l.What + " " + l.Label
}

// chainOf lists the chain of evidence; checks that failed stand out.
func chainOf(v survey.ResultView, computed string) []look.Step {
	drifted := v.Result.Content.Drift.Blocks(survey.ISO9612)
	var steps []look.Step
	for i, l := range v.Chain {
		s := look.Step{Head: linkHead(l), Href: evidenceHref(l), Text: l.Detail}
		if i == 0 {
			s.Text = "computed " + computed + " by " + v.Result.By + ", engine " + v.Result.Content.Engine
		}
		s.Look = l.Noun == survey.NounCheck && drifted
		steps = append(steps, s)
	}
	return steps
}

// stands says why the result stands, or what keeps it from standing.
func stands(c survey.Content) []string {
	var out []string
	for _, a := range c.Assessments {
		name := a.Profile
		if name == survey.ISO9612 {
			name = "ISO 9612"
		}
		text := "Assessable by " + name + "."
		if !a.Assessable {
			text = "Not assessable by " + name + ": see what to know when reading it."
		}
		out = append(out, text)
	}
	return out
}
