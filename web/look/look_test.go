package look

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
	"time"
)

var start = time.Date(2026, 11, 18, 7, 0, 0, 0, time.UTC)

func minutes(n int) time.Time { return start.Add(time.Duration(n) * time.Minute) }

func simplePlot() Plot {
	p := Plot{From: start, To: minutes(10), Step: time.Minute, LAeq: 85}
	for i := range 10 {
		p.Levels = append(p.Levels, Level{minutes(i), 80 + float64(i)})
	}
	return p
}

func TestTraceBreaksAtGapsAndExclusions(t *testing.T) {
	p := simplePlot()
	if n := strings.Count(p.trace(false), "M"); n != 1 {
		t.Errorf("an unbroken history is drawn in %d strokes", n)
	}
	p.Levels = append(p.Levels[:3:3], p.Levels[5:]...)
	if n := strings.Count(p.trace(false), "M"); n != 2 {
		t.Errorf("a history with one gap is drawn in %d strokes, want 2", n)
	}
	p = simplePlot()
	p.Excluded = []Excluded{{From: minutes(4), To: minutes(6), Letter: "a"}}
	if kept, out := strings.Count(p.trace(false), "H"), strings.Count(p.trace(true), "H"); kept != 8 || out != 2 {
		t.Errorf("%d steps kept and %d left out, want 8 and 2", kept, out)
	}
}

func TestLongHistoriesAreJoinedByEnergy(t *testing.T) {
	p := Plot{From: start, To: minutes(1456), Step: time.Minute, LAeq: 80}
	for i := range 1456 {
		p.Levels = append(p.Levels, Level{minutes(i), 70 + 20*float64(i%2)})
	}
	levels, step := p.binned()
	// Half the time 70, half 90 dB: 10 lg((10^7 + 10^9)/2) = 87.03 dB (energy mean, ISO 9612:2009, 3.1).
	if len(levels) != 728 || step != 2*time.Minute || levels[0].DB < 87.03 || levels[0].DB > 87.04 {
		t.Errorf("%d steps of %s, the first %.3f dB", len(levels), step, levels[0].DB)
	}
}

func TestLabelsOfLinesStayApart(t *testing.T) {
	p := simplePlot()
	p.Limits = []Limit{{80, "80"}, {85, "85"}, {87, "87"}, {85.2, "85.2"}}
	labels := p.levelLabels()
	last := -100.0
	for _, l := range labels {
		y, err := strconv.ParseFloat(l.Y, 64)
		if err != nil || y-last < 12.9 {
			t.Errorf("the label %q stands %.1f below the one before, %v", l.Text, y-last, err)
		}
		last = y
	}
	if len(labels) != 5 || labels[0].Text != "87" || labels[4].Text != "80" {
		t.Errorf("the labels are %v", labels)
	}
}

func TestPlotStaysInItsBox(t *testing.T) {
	p := simplePlot()
	p.Levels = append(p.Levels, Level{minutes(10), 200}, Level{minutes(11), 0})
	for _, db := range []float64{0, 20, 85, 200} {
		if y := p.y(db); y < levelTop || y > levelFoot {
			t.Errorf("%g dB is drawn at %g", db, y)
		}
	}
	for _, at := range []time.Time{start.Add(-time.Hour), minutes(5), minutes(1000)} {
		if x := p.x(at); x < plotLeft || x > plotRight {
			t.Errorf("%s is drawn at %g", at, x)
		}
	}
	empty := Plot{From: start, To: start}
	var b bytes.Buffer
	if err := Drawing(empty).Render(t.Context(), &b); err != nil || strings.Contains(b.String(), "NaN") {
		t.Errorf("an empty plot gives %v, %.200s", err, b.String())
	}
}

func TestStripIsClippedToItsWeeks(t *testing.T) {
	s := Strip{First: start, Now: start}
	if x := s.x(start.AddDate(-1, 0, 0)); x != 0 {
		t.Errorf("a year before is at %g", x)
	}
	if x := s.x(start.AddDate(1, 0, 0)); x != StripDays*perDay {
		t.Errorf("a year after is at %g", x)
	}
	if _, shown := s.flag(); shown {
		t.Error("a flag stands where no certificate ends")
	}
	s.Ends = start.AddDate(0, 0, 7)
	if d, shown := s.flag(); !shown || !strings.HasPrefix(d, "M27 ") {
		t.Errorf("the flag of day 7 is %q", d)
	}
}

func TestFieldsSayWhatIsWrong(t *testing.T) {
	var b bytes.Buffer
	f := Field{ID: "part-day", Name: "day", Label: "Day", Value: `"><script>`, Rule: "a rule", Err: "an error", Required: true}
	if err := Input(f).Render(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`name="day"`, `id="part-day"`, `aria-invalid="true"`, `aria-describedby="part-day-error part-day-rule"`, `id="part-day-error"`, "required", `value="&#34;&gt;&lt;script&gt;"`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the field lacks %s: %s", want, b.String())
		}
	}
}
