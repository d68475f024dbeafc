package survey

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// rests pins every record the result rests on: where it is, what it said, and the hash of that. Free text is not hashed, so
// that it can be erased without breaking the chain.
func (c cast) rests() ([]Evidence, error) {
	var b binder
	b.review(c)
	b.add(Evidence{Noun: NounReturn, ID: c.ret.ID, Label: c.ret.Label(), Detail: fmt.Sprintf("%d levels of %g s, received %s, read by %s",
		c.ret.History.Count, c.ret.History.StepSeconds, minute(c.ret.Received, c.loc), c.ret.By), Hash: c.ret.File}, nil)
	b.wear(c)
	b.add(Evidence{Noun: NounDay, ID: c.day.ID, Label: c.worker.Pseudonym + ", " + c.day.Date.String(),
		Detail: fmt.Sprintf("shift of %d min from %s", c.day.ShiftMinutes, minute(c.day.Start, c.loc))}, dayRecord(c.day))
	for _, k := range c.checks {
		b.check(c, k)
	}
	b.unit(c, NounDosimeter, c.unit, c.span())
	for _, d := range c.calibrators {
		b.unit(c, NounCalibrator, d, c.span())
	}
	for _, p := range c.profiles {
		b.add(Evidence{Noun: NounProfile, Label: p.ID, Detail: p.Name + ", " + p.Edition + ", version " + strconv.Itoa(p.Version)}, p)
	}
	return b.all, b.err
}

// binder collects evidence and keeps the first error.
type binder struct {
	all []Evidence
	err error
}

func (b *binder) add(e Evidence, record any) {
	if record != nil && b.err == nil {
		e.Hash, b.err = HashOf(record)
	}
	b.all = append(b.all, e)
}

func (b *binder) review(c cast) {
	detail := "accepted"
	if n := len(c.review.Exclusions); n > 0 {
		detail = fmt.Sprintf("accepted, %d intervals left out", n)
	}
	r := c.review
	b.add(Evidence{Noun: NounReview, ID: r.ID, Label: "Reviewed by " + r.By, Detail: detail + ", " + minute(r.At, c.loc)},
		map[string]any{"id": r.ID, "return": r.Return, "wear": r.Wear, "verdict": r.Verdict, "at": r.At, "by": r.By,
			"exclusions": r.Exclusions, "clock_offset_ms": c.ret.Clock.OffsetMS, "levels": c.ret.History})
}

func (b *binder) wear(c cast) {
	w := c.wear
	type fact struct {
		ID       ident.ID  `json:"id"`
		Kind     string    `json:"kind"`
		Occurred time.Time `json:"occurred"`
		Entered  time.Time `json:"entered"`
		Outcome  Outcome   `json:"outcome"`
		NotFit   []string  `json:"not_fit"`
	}
	var facts []fact
	for _, f := range w.Facts {
		facts = append(facts, fact{f.ID, f.Kind, f.Occurred, f.Entered, f.Outcome, f.NotFit})
	}
	detail := string(w.Side) + " shoulder, from " + minute(w.Start, c.loc)
	if !w.Stop.IsZero() {
		detail += " to " + minute(w.Stop, c.loc)
	}
	b.add(Evidence{Noun: NounWear, ID: w.ID, Label: w.UnitTag + " on " + c.worker.Pseudonym, Detail: detail},
		map[string]any{"id": w.ID, "day": w.Day, "worker": w.Worker, "unit": w.Unit, "side": w.Side, "start": w.Start, "stop": w.Stop,
			"outcome": w.Outcome, "facts": facts})
}

// dayRecord leaves out the note and where stated levels come from.
func dayRecord(d WorkerDay) any {
	parts := slices.Clone(d.Parts)
	for i := range parts {
		parts[i].Source = ""
	}
	return map[string]any{"id": d.ID, "survey": d.Survey, "worker": d.Worker, "group": d.Group, "start": d.Start, "date": d.Date,
		"shift_minutes": d.ShiftMinutes, "parts": parts}
}

func (b *binder) check(c cast, k Check) {
	detail := k.IndicatedDB.String() + " dB shown"
	if k.Adjusted {
		detail += ", adjusted to " + k.Settled().String() + " dB"
	}
	role := ""
	if k.ID != c.drift.Before && k.ID != c.drift.After {
		role = ", repeated later"
	}
	k.Place = ""
	b.add(Evidence{Noun: NounCheck, ID: k.ID, Of: k.Calibrator, Label: "Check " + string(k.When) + " with " + c.tag(k.Calibrator) + role,
		Detail: detail + ", " + minute(k.At, c.loc)}, k)
}

func (c cast) tag(unit ident.ID) string {
	for _, d := range append(slices.Clone(c.calibrators), c.unit) {
		if d.Unit.ID == unit {
			return d.Unit.Tag
		}
	}
	return unit.String()
}

// unit pins a unit with the certificate that governs on the day and the decision that moved its due date, if one did.
func (b *binder) unit(c cast, noun string, d fleet.Dossier, during fleet.Span) {
	u := d.Unit
	b.add(Evidence{Noun: noun, ID: u.ID, Label: u.Tag, Detail: d.Model.Name + ", serial " + u.Serial},
		map[string]any{"id": u.ID, "tag": u.Tag, "serial": u.Serial, "model": u.Model, "class": d.Model.ClassStd, "microphone": u.Microphone, "firmware": u.Firmware})
	for _, l := range governing(d, during, c.loc) {
		b.add(Evidence{Noun: NounCertificate, ID: l.Certificate, Part: l.ID, Of: u.ID, Label: l.Number,
			Detail: lineDetail(u.Tag, l), File: c.files[l.Certificate]}, l)
		if f, ok := extension(d, l.ID, c.now); ok {
			e := f.Body.(fleet.Extended)
			b.add(Evidence{Noun: NounExtension, ID: f.ID, Part: l.ID, Of: u.ID, Label: "Extension of " + l.Number,
				Detail: "to " + e.Due.String() + " by " + f.By + ": " + e.Reason},
				map[string]any{"id": f.ID, "line": e.Line, "due": e.Due, "by": f.By, "occurred": f.Occurred, "entered": f.Entered})
		}
	}
}

func lineDetail(tag string, l fleet.Line) string {
	parts := []string{tag, "calibrated " + l.Calibrated.String()}
	if !l.Due.IsZero() {
		parts = append(parts, "to "+l.Due.String())
	}
	if l.LabName != "" {
		parts = append(parts, l.LabName)
	}
	if l.LevelDB != nil {
		parts = append(parts, RoundDB(*l.LevelDB).String()+" dB")
	}
	return strings.Join(parts, ", ")
}

// governing gives the certificate lines of the newest calibration on or before the days of the span; two when a calibration
// falls between them.
func governing(d fleet.Dossier, during fleet.Span, loc *time.Location) []fleet.Line {
	var out []fleet.Line
	for _, at := range []time.Time{during.From, during.To} {
		l, ok := lineOn(d.Lines, civil.Of(at.In(loc)))
		if ok && !slices.ContainsFunc(out, func(k fleet.Line) bool { return k.ID == l.ID }) {
			out = append(out, l)
		}
	}
	return out
}

func lineOn(lines []fleet.Line, on civil.Date) (best fleet.Line, found bool) {
	for _, l := range lines {
		if l.Calibrated.After(on) || !l.Superseded.IsZero() {
			continue
		}
		if !found || cmp.Or(l.Calibrated.Compare(best.Calibrated), l.Entered.Compare(best.Entered), slices.Compare(l.ID[:], best.ID[:])) > 0 {
			best, found = l, true
		}
	}
	return best, found
}

// extension finds the last standing decision to move the due date of the line.
func extension(d fleet.Dossier, line ident.ID, at time.Time) (last fleet.Fact, found bool) {
	for _, f := range fleet.Standing(d, at) {
		if e, ok := f.Body.(fleet.Extended); ok && e.Line == line {
			last, found = f, true
		}
	}
	return last, found
}

// span is the time in which the instruments had to be covered: from the check before to the check after.
func (c cast) span() fleet.Span {
	s := fleet.Span{From: c.wear.Start, To: c.wear.Stop}
	if s.To.IsZero() {
		s.To = c.ret.Span().To
	}
	for _, k := range c.checks {
		if k.At.Before(s.From) {
			s.From = k.At
		}
		if !k.At.Before(s.To) {
			s.To = k.At.Add(time.Millisecond)
		}
	}
	if !s.From.Before(s.To) {
		s.To = s.From.Add(time.Millisecond)
	}
	return s
}

// coverageFlags asks the fleet's own rule whether certificates cover the wear and its checks, and names extensions.
func (c cast) coverageFlags() []Flag {
	var flags []Flag
	for _, d := range append([]fleet.Dossier{c.unit}, c.calibrators...) {
		for _, r := range fleet.Assess(d, c.span(), c.now).Reasons {
			if r.Code == fleet.ReasonCertificate {
				f := flagOf(FlagCertificate, "what", d.Unit.Tag+": "+r.Text())
				f.Blocks = []string{Everything}
				flags = append(flags, f)
			}
		}
	}
	for _, e := range c.evidence {
		if e.Noun == NounExtension {
			flags = append(flags, flagOf(FlagExtended, "what", e.Label+" "+e.Detail+"."))
		}
	}
	return flags
}

func minute(t time.Time, loc *time.Location) string { return t.In(loc).Format("2006-01-02 15:04 MST") }
