package survey

import (
	"fmt"
	"math"
	"time"

	"kitd/internal/exposure"
	"kitd/internal/fleet"
)

func (c cast) subject() Subject {
	s := Subject{Survey: c.survey.Label(), Site: c.site.Name, Zone: c.survey.Zone, Worker: c.worker.Pseudonym, Date: c.day.Date}
	for _, g := range c.survey.Groups {
		if g.ID == c.day.Group {
			s.Group = g.Name
		}
	}
	return s
}

func (c cast) inputs(cover Cover) Inputs {
	in := Inputs{
		ShiftHours: hours(cover.Shift), MeasuredHours: hours(cover.Measured), Gaps: []GapInput{}, Exclusions: c.review.Exclusions,
		ClockOffsetMS: c.ret.Clock.OffsetMS, Start: c.ret.Start(), StepSeconds: c.ret.History.StepSeconds, Count: c.ret.History.Count,
		Quantity: c.ret.History.Quantity,
	}
	if in.Exclusions == nil {
		in.Exclusions = []exposure.Exclusion{}
	}
	for _, g := range cover.Gaps {
		in.Gaps = append(in.Gaps, GapInput{g.Kind, hours(g.Length), g.LevelDB})
	}
	return in
}

// hours rounds to 1e-6 h, a few milliseconds, as everything stored is rounded.
func hours(d time.Duration) float64 { return math.Round(d.Hours()*1e6) / 1e6 }

// flags says what a reader has to know, worst first.
func (c cast) flags(cover Cover, h exposure.History, peaks *exposure.Peaks, measured exposure.Metrics) []Flag {
	flags := c.coverageFlags()
	for _, f := range c.drift.Flags {
		for _, l := range c.drift.Limits {
			if l.Blocks && f.Code != FlagAsReceived {
				f.Blocks = append(f.Blocks, l.Profile)
			}
		}
		flags = append(flags, f)
	}
	flags = append(flags, c.recordFlags()...)
	if cover.Longer {
		flags = append(flags, flagOf(FlagLonger))
	}
	if cover.Measured+Slack < cover.Shift {
		flags = append(flags, flagOf(FlagShort, "what", span(cover.Measured)+" of "+span(cover.Shift)))
	}
	flags = append(flags, c.channelFlags(peaks)...)
	flags = append(flags, c.historyFlags(h, measured)...)
	return append(flags, flagOf(FlagOneDay))
}

// historyFlags brings the return checks and what the computation met, each with the seconds it speaks of.
func (c cast) historyFlags(h exposure.History, measured exposure.Metrics) []Flag {
	var worn exposure.Wear
	if !c.wear.Stop.IsZero() {
		worn.Seconds = c.wear.Stop.Sub(c.wear.Start).Seconds()
	}
	found := exposure.CheckReturn(h, worn, exposure.DefaultCheckRules())
	for _, f := range measured.Flags {
		if f.Code != "gap" { // the return checks name gaps already
			found = append(found, f)
		}
	}
	var flags []Flag
	for _, f := range found {
		flags = append(flags, Flag{Code: FlagCode(f.Code), Text: f.Text, Seconds: f.Seconds, FromS: f.FromS, ToS: f.ToS})
	}
	return flags
}

// channelFlags compares what the survey needs logged with what came back.
func (c cast) channelFlags(peaks *exposure.Peaks) []Flag {
	has := map[string]bool{string(c.ret.History.Quantity): true}
	if peaks != nil {
		has["L"+peaks.Weighting+"peak"] = true
	}
	var flags []Flag
	for _, n := range c.survey.Needs {
		switch {
		case !has[n.Quantity]:
			flags = append(flags, flagOf(FlagSetting, "what", n.Quantity+" is not in the return"))
		case n.IntervalS > 0 && c.ret.History.StepSeconds > n.IntervalS:
			flags = append(flags, flagOf(FlagSetting, "what", fmt.Sprintf("%s was logged every %g s and not every %g s", n.Quantity, c.ret.History.StepSeconds, n.IntervalS)))
		}
	}
	return flags
}

// recordFlags looks at the wear record and at how the measurement lies to it.
func (c cast) recordFlags() []Flag {
	var flags []Flag
	if o := c.wear.Outcome; o != "" && o != Complete {
		flags = append(flags, flagOf(FlagOutcome, "what", string(o)))
	}
	for _, text := range c.wear.Contradictions() {
		flags = append(flags, flagOf(FlagContradicted, "what", text))
	}
	for _, f := range c.wear.Facts {
		if len(f.NotFit) > 0 {
			flags = append(flags, flagOf(FlagOverridden, "what", fmt.Sprint(f.NotFit)))
		}
	}
	for _, name := range []string{c.ret.UnitName, c.ret.Serial} {
		if u := c.unit.Unit; name != "" && fleet.FoldTag(name) != fleet.FoldTag(u.Tag) && fleet.FoldTag(name) != fleet.FoldTag(u.Serial) {
			flags = append(flags, flagOf(FlagOtherUnit, "name", name, "tag", u.Tag))
		}
	}
	if c.ret.History.StartTaken {
		flags = append(flags, flagOf(FlagClock, "what", "the file names no start, that of the wear was taken"))
	} else if text := c.apart(); text != "" {
		flags = append(flags, flagOf(FlagClock, "what", text))
	}
	return flags
}

// ClockSlack is how far measurement and wear record may lie apart at either end before that is flagged: hanging on and
// taking off are noted to the minute, instruments are started before (common practice, no source).
const ClockSlack = 10 * time.Minute

// apart says by how much the measurement begins earlier or ends later than the wear.
func (c cast) apart() string {
	m := c.ret.Span()
	if early := c.wear.Start.Sub(m.From); early.Abs() > ClockSlack {
		return "the starts lie " + span(early.Abs()) + " apart"
	}
	if late := m.To.Sub(c.wear.Stop); !c.wear.Stop.IsZero() && late.Abs() > ClockSlack {
		return "the ends lie " + span(late.Abs()) + " apart"
	}
	return ""
}

// span writes a duration in hours and minutes.
func span(d time.Duration) string {
	m := int(d.Round(time.Minute) / time.Minute)
	if m < 60 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}

// assess settles for the standard and each profile whether it can be assessed, and takes the verdicts of those that cannot.
func (c *Content) assess(profiles []exposure.Profile) {
	c.Assessments = append(c.Assessments, c.assessment(ISO9612))
	for _, p := range profiles {
		c.Assessments = append(c.Assessments, c.assessment(p.ID))
	}
	for i, p := range c.Day.Profiles {
		c.settle(i, c.Assessable(p.Profile))
	}
	for i := range c.Measured.Profiles {
		c.Measured.Profiles[i].Verdicts = []exposure.Verdict{} // verdicts are of the day
	}
	if c.Assessable(ISO9612) {
		c.Uncertainty = uncertainty(c.Day.LEX8hDB)
	}
}

func (c *Content) assessment(profile string) Assessment {
	a := Assessment{Profile: profile, Assessable: true}
	for _, f := range c.Flags {
		if f.Blocked(profile) {
			a.Assessable = false
			a.Because = append(a.Because, f.Code)
		}
	}
	return a
}

// settle leaves the values and takes the verdicts of a profile that is not assessable.
func (c *Content) settle(i int, assessable bool) {
	if assessable {
		return
	}
	for j := range c.Day.Profiles[i].Verdicts {
		c.Day.Profiles[i].Verdicts[j].State = exposure.NotAssessable
	}
}

// uncertainty is the combined uncertainty of instrument and position (ISO 9612:2009, C.4 with u1 left out).
func uncertainty(lex *float64) *Uncertainty {
	u2, _ := exposure.Personal.Uncertainty()
	u3 := exposure.PositionUncertainty
	standard := math.Sqrt(float64(u2*u2) + float64(u3*u3))
	u := Uncertainty{InstrumentDB: u2, PositionDB: u3, StandardDB: exposure.Level(standard), ExpandedDB: exposure.Level(exposure.Coverage * standard)}
	if lex != nil {
		upper := exposure.Level(*lex + u.ExpandedDB)
		u.UpperDB = &upper
	}
	return &u
}
