package look

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Plot is the picture of one wear: level by the minute with its equivalent level and the limits, and the dose so far below.
type Plot struct {
	Title, Words string    // Words says the same as the picture, for readers
	From, To     time.Time // in the zone shown
	Levels       []Level   // at equal steps; gaps are left blank
	Step         time.Duration
	LevelName    string  // what one step shows, "L_Aeq each minute, dB(A)"
	LAeq         float64 // dB, the heavy line
	Limits       []Limit
	Excluded     []Excluded
	Peak         *Point // the highest peak, nil when there is none
	PeakText     string
	Dose         []Point // percent, rising; empty: no dose panel
	DoseName     string
}

// Level is one step: the level in dB from At for Plot.Step.
type Level struct {
	At time.Time
	DB float64
}

// Point is a value at a moment.
type Point struct {
	At    time.Time
	Value float64
}

// Limit is a level drawn dashed.
type Limit struct {
	DB   float64
	Text string
}

// Excluded is an interval left out, with the letter of its note.
type Excluded struct {
	From, To time.Time
	Letter   string
}

const (
	plotWide   = 780.0
	plotLeft   = 44.0
	plotRight  = 746.0
	levelTop   = 26.0
	levelFoot  = 236.0
	doseTop    = 272.0
	doseFoot   = 374.0
	mostPoints = 728 // one a unit of width
)

func (p Plot) tall() float64 {
	if len(p.Dose) > 0 {
		return doseFoot + 24
	}
	return levelFoot + 24
}

func (p Plot) box() string { return fmt.Sprintf("0 0 %s %s", num(plotWide), num(p.tall())) }

func (p Plot) x(t time.Time) float64 {
	whole := p.To.Sub(p.From).Seconds()
	if whole <= 0 {
		return plotLeft
	}
	v := plotLeft + (plotRight-plotLeft)*t.Sub(p.From).Seconds()/whole
	return min(max(v, plotLeft), plotRight)
}

// levelRange is the axis in whole tens around everything drawn, silence left aside: at least 20 dB, at most 80.
func (p Plot) levelRange() (lo, hi float64) {
	lo, hi = p.LAeq, p.LAeq
	for _, l := range p.Levels {
		lo, hi = min(lo, l.DB), max(hi, l.DB)
	}
	for _, l := range p.Limits {
		lo, hi = min(lo, l.DB), max(hi, l.DB)
	}
	hi = math.Ceil((hi+0.5)/10) * 10
	lo = max(math.Floor(lo/10)*10, hi-80)
	return min(lo, hi-20), hi
}

func (p Plot) y(db float64) float64 {
	lo, hi := p.levelRange()
	v := levelFoot - (levelFoot-levelTop)*(db-lo)/(hi-lo)
	return min(max(v, levelTop), levelFoot)
}

type tick struct {
	At, Text string // At is a coordinate
	Label    string // coordinate of the text's baseline
}

func (p Plot) levelTicks() []tick {
	lo, hi := p.levelRange()
	var out []tick
	for v := lo; v <= hi; v += 10 {
		out = append(out, tick{num(p.y(v)), strconv.Itoa(int(v)), num(p.y(v) + 4)})
	}
	return out
}

// hours gives at most about ten marks of time at round steps.
func (p Plot) hours() []tick {
	step := time.Minute
	for _, s := range []time.Duration{1, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440} {
		step = s * time.Minute
		if p.To.Sub(p.From)/step <= 10 {
			break
		}
	}
	y, m, d := p.From.Date()
	var out []tick
	for t := time.Date(y, m, d, 0, 0, 0, 0, p.From.Location()); !t.After(p.To); t = t.Add(step) {
		if !t.Before(p.From) {
			out = append(out, tick{At: num(p.x(t)), Text: t.Format("15:04")})
		}
	}
	return out
}

func (p Plot) excludedAt(t time.Time) bool {
	for _, e := range p.Excluded {
		if !t.Before(e.From) && t.Before(e.To) {
			return true
		}
	}
	return false
}

// binned joins steps so that no more are drawn than the picture is wide; levels are averaged by energy.
func (p Plot) binned() ([]Level, time.Duration) {
	n := (len(p.Levels) + mostPoints - 1) / mostPoints
	if n <= 1 {
		return p.Levels, p.Step
	}
	out := make([]Level, 0, mostPoints)
	for i := 0; i < len(p.Levels); i += n {
		part := p.Levels[i:min(i+n, len(p.Levels))]
		sum := 0.0
		for _, l := range part {
			sum += math.Pow(10, l.DB/10)
		}
		out = append(out, Level{part[0].At, 10 * math.Log10(sum/float64(len(part)))})
	}
	return out, p.Step * time.Duration(n)
}

// trace is the stepped path of the levels that are left out (or are not). It is broken at gaps.
func (p Plot) trace(excluded bool) string {
	levels, step := p.binned()
	var b strings.Builder
	var end time.Time
	for _, l := range levels {
		if p.excludedAt(l.At) != excluded {
			end = time.Time{}
			continue
		}
		if !l.At.Equal(end) {
			fmt.Fprintf(&b, "M%s %s", num(p.x(l.At)), num(p.y(l.DB)))
		} else {
			fmt.Fprintf(&b, "V%s", num(p.y(l.DB)))
		}
		end = l.At.Add(step)
		fmt.Fprintf(&b, "H%s", num(p.x(end)))
	}
	return b.String()
}

// across is a horizontal line at a level, with gaps where something is left out.
func (p Plot) across(db float64) string {
	y := num(p.y(db))
	path := fmt.Sprintf("M%s %s", num(plotLeft), y)
	for _, e := range p.Excluded {
		path += fmt.Sprintf("H%sM%s %s", num(p.x(e.From)), num(p.x(e.To)), y)
	}
	return path + "H" + num(plotRight)
}

func (p Plot) doseTopValue() float64 {
	top := 100.0
	for _, d := range p.Dose {
		top = max(top, d.Value)
	}
	step := doseStep(top)
	return math.Ceil(top/step) * step
}

func doseStep(top float64) float64 {
	for _, s := range []float64{50, 100, 200, 500, 1000, 2000, 5000} {
		if top/s <= 4 {
			return s
		}
	}
	return math.Pow(10, math.Ceil(math.Log10(top/4)))
}

func (p Plot) doseY(v float64) float64 { return doseFoot - (doseFoot-doseTop)*v/p.doseTopValue() }

func (p Plot) doseTicks() []tick {
	top := p.doseTopValue()
	var out []tick
	for v := 0.0; v <= top; v += doseStep(top) {
		out = append(out, tick{num(p.doseY(v)), strconv.Itoa(int(v)), num(p.doseY(v) + 4)})
	}
	return out
}

func (p Plot) dosePath() string {
	var b strings.Builder
	every := max(1, len(p.Dose)/(mostPoints/4))
	for i, d := range p.Dose {
		if i%every == 0 || i == len(p.Dose)-1 {
			fmt.Fprintf(&b, "%s%s %s", map[bool]string{true: "M", false: "L"}[i == 0], num(p.x(d.At)), num(p.doseY(d.Value)))
		}
	}
	return b.String()
}

func (p Plot) doseEnd() Point { return p.Dose[len(p.Dose)-1] }

// passes is where the dose first reaches 100 percent.
func (p Plot) passes() (Point, bool) {
	for _, d := range p.Dose {
		if d.Value >= 100 {
			return d, true
		}
	}
	return Point{}, false
}

// span is a closed shape between two moments and two heights.
func (p Plot) span(e Excluded, top, foot float64) string {
	return fmt.Sprintf("M%s %sH%sV%sH%sz", num(p.x(e.From)), num(top), num(p.x(e.To)), num(foot), num(p.x(e.From)))
}

func (p Plot) bracket(e Excluded) string {
	return fmt.Sprintf("M%s 32V26H%sV32", num(p.x(e.From)), num(p.x(e.To)))
}

func (p Plot) middle(e Excluded) string { return num((p.x(e.From) + p.x(e.To)) / 2) }

func (p Plot) verticals() string {
	var b strings.Builder
	for _, h := range p.hours() {
		fmt.Fprintf(&b, "M%s %sV%s", h.At, num(levelTop), num(levelFoot))
		if len(p.Dose) > 0 {
			fmt.Fprintf(&b, "M%s %sV%s", h.At, num(doseTop), num(doseFoot))
		}
	}
	return b.String()
}

func (p Plot) axes() string {
	path := fmt.Sprintf("M%s %sH%s", num(plotLeft), num(levelFoot), num(plotRight))
	if len(p.Dose) > 0 {
		path += fmt.Sprintf("M%s %sH%s", num(plotLeft), num(doseFoot), num(plotRight))
	}
	return path
}

// levelLabel names a line at its right end.
type levelLabel struct {
	Text, Y string
	Pen     bool // the computed value; limits are in pencil
}

// levelLabels places the names of the lines to their right, at least a line of text apart.
func (p Plot) levelLabels() []levelLabel {
	lines := slices.Clone(p.Limits)
	slices.SortStableFunc(lines, func(a, b Limit) int { return cmp.Compare(b.DB, a.DB) })
	i := slices.IndexFunc(lines, func(l Limit) bool { return l.DB < p.LAeq })
	if i < 0 {
		i = len(lines)
	}
	lines = slices.Insert(lines, i, Limit{p.LAeq, fmt.Sprintf("%.1f", p.LAeq)})
	out := make([]levelLabel, len(lines))
	last := math.Inf(-1)
	for j, l := range lines {
		last = max(p.y(l.DB)+4, last+13)
		out[j] = levelLabel{l.Text, num(last), i == j}
	}
	return out
}

func rightOf(left, y string) string { return "M" + left + " " + y + "H" + num(plotRight) }

// anchor keeps a label inside the picture: it ends at its point when the point lies in the right half.
func anchor(x float64) (at, side string) {
	if x > (plotLeft+plotRight)/2 {
		return num(x - 6), "end"
	}
	return num(x + 6), "start"
}

func (p Plot) peakMark() string {
	x := p.x(p.Peak.At)
	return fmt.Sprintf("M%s 30h8l-4 7z", num(x-4))
}
