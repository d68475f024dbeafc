package web

import (
	"fmt"
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// teller writes what is known of units in words, in one zone, as of now.
type teller struct {
	at  places
	now time.Time
	loc *time.Location
}

func (t teller) today() civil.Date { return civil.Of(t.now.In(t.loc)) }

func (t teller) moment(x time.Time) string { return when.Moment(x, t.now, t.loc) }

// where says where a unit is.
func (t teller) where(p fleet.Place) string {
	switch {
	case p.Tag != "":
		return fmt.Sprintf("charger %s, place %d", p.Tag, p.Position)
	case p.State == fleet.InDepot:
		return t.at.depot(p.Depot).Name
	case p.State == fleet.AtLaboratory && p.Holder != "":
		return p.Holder
	case p.Holder != "":
		return string(p.State) + " with " + p.Holder
	}
	return string(p.State)
}

// guards lists what fails first, then what holds.
func (t teller) guards(d fleet.Dossier, v fleet.Verdict) []guard {
	var out []guard
	for _, r := range v.Reasons {
		out = append(out, guard{Fails: true, Mark: reasonMark(r), Text: r.Text(), Clears: t.clears(r), Evidence: evidenceLinks(r.Evidence)})
	}
	return append(out, t.holding(d, v)...)
}

func reasonMark(r fleet.Reason) string {
	switch {
	case r.Code == fleet.ReasonHold:
		return "held"
	case r.Code == fleet.ReasonUnread:
		return "unread"
	case r.Kind == fleet.Unknown:
		return "unknown"
	case r.Code == fleet.ReasonCustody, r.Code == fleet.ReasonPromise:
		return "out"
	}
	return "notfit"
}

func (t teller) clears(r fleet.Reason) string {
	switch {
	case !r.Clears.IsZero():
		return "Clears " + t.moment(r.Clears) + "."
	case r.Kind == fleet.Work:
		return "Clears when the work is done."
	case r.Kind == fleet.Unknown:
		return "Clears when somebody has looked."
	}
	return "Nobody knows yet when it clears."
}

// holding lists the rules that hold.
func (t teller) holding(d fleet.Dossier, v fleet.Verdict) []guard {
	has := func(codes ...fleet.ReasonCode) bool {
		return slices.ContainsFunc(v.Reasons, func(r fleet.Reason) bool { return slices.Contains(codes, r.Code) })
	}
	var out []guard
	add := func(text, more string) { out = append(out, guard{Mark: "fit", Text: text, Clears: more}) }
	if d.Model.CalibrationMonths > 0 && !has(fleet.ReasonCertificate) && !v.CertEnds.IsZero() {
		add("Certificate covers these days.", "To "+when.Day(v.CertEnds, t.today())+".")
	}
	if d.Model.ChargeMinutes > 0 && !has(fleet.ReasonCharge, fleet.ReasonChargeRecord, fleet.ReasonTopUp, fleet.ReasonPower) {
		more := "Kept full."
		if !v.FullBy.IsZero() {
			more = "Next full charge by " + t.moment(v.FullBy) + "."
		}
		add("Full.", more)
	}
	if d.Model.HoldsData && !has(fleet.ReasonUnread, fleet.ReasonClear) {
		add("Memory free, nothing unread.", "")
	}
	if !has(fleet.ReasonHold) {
		add("Not held back.", "")
	}
	if !has(fleet.ReasonPromise, fleet.ReasonCustody) {
		add("Free: promised to nobody and here.", "")
	}
	return out
}

func evidenceLinks(list []fleet.Evidence) []look.Link {
	var out []look.Link
	for _, e := range list {
		l := look.Link{Text: e.Label}
		switch e.Noun {
		case "certificate":
			l.Href = "#certificates"
		case "fact":
			l.Href = "#fact-" + e.ID.String()
		case "booking":
			l.Href = bookingPath(e.ID)
		}
		if e.Noun != "unit" {
			out = append(out, l)
		}
	}
	return out
}

// certificates lists what laboratories said of a unit, newest first.
func (t teller) certificates(d fleet.Dossier, v fleet.Verdict) []certLine {
	extended := map[ident.ID]civil.Date{}
	for _, f := range d.Facts {
		if e, ok := f.Body.(fleet.Extended); ok {
			extended[e.Line] = e.Due
		}
	}
	lines := slices.Clone(d.Lines)
	slices.SortStableFunc(lines, func(a, b fleet.Line) int { return b.Calibrated.Compare(a.Calibrated) })
	var out []certLine
	for _, l := range lines {
		due, more := l.Due, false
		if e, ok := extended[l.ID]; ok {
			due, more = e, true
		}
		c := certLine{
			Href: certificatePath(l.Certificate), Number: l.Number, Laboratory: l.LabName, Calibrated: when.Short(l.Calibrated), Due: when.Short(due), Verdict: string(l.Verdict),
			Found: signed(l.AsFoundDB, 2), Left: signed(l.AsLeftDB, 2), Uncertainty: uncertaintyText(l), Entered: t.moment(l.Entered),
			Covers: l.Verdict == fleet.Pass && due == v.CertEnds && l.Superseded.IsZero(), Extended: more,
		}
		if !l.Superseded.IsZero() {
			c.Verdict = "corrected by a later entry"
		}
		out = append(out, c)
	}
	return out
}

func uncertaintyText(l fleet.Line) string {
	if l.ExpandedDB == nil {
		return "–"
	}
	k := l.CoverageK
	if k == 0 {
		k = 2
	}
	return number(l.ExpandedDB, 2) + fmt.Sprintf(" (k %g)", k)
}

// lateBy is the delay after which an entry is marked as entered late.
const lateBy = 15 * time.Minute

// records tells what happened to a unit, newest first; gone are the facts that were taken back.
func (t teller) records(d fleet.Dossier, gone []ident.ID) []record {
	var out []record
	for _, f := range slices.Backward(d.Facts) {
		out = append(out, record{
			ID: f.ID.String(), Occurred: t.moment(f.Occurred), What: t.happened(d, f.Body), Note: f.Note, By: f.By,
			Entered: t.moment(f.Entered), Late: f.Late(lateBy), Retracted: slices.Contains(gone, f.ID),
		})
	}
	return out
}

// happened says what a fact says.
func (t teller) happened(d fleet.Dossier, body fleet.Body) string {
	switch b := body.(type) {
	case fleet.ChargeOn:
		return fmt.Sprintf("Put on charger %s, place %d", d.Power[b.Charger].Tag, b.Position)
	case fleet.ChargeOff:
		return "Taken off charge" + seenFull(b.Full)
	case fleet.PowerSeen:
		return map[bool]string{true: "Seen with power", false: "Seen without power"}[b.Good]
	case fleet.Opening:
		return "Opening statement, " + map[bool]string{true: "full", false: "not full"}[b.Full] + ": " + b.Statement
	case fleet.Custody:
		return t.changedHands(b)
	case fleet.Held:
		return "Held back: " + b.Reason
	case fleet.SignedOff:
		return "Signed off: " + b.Reason
	case fleet.Worn:
		return "Worn, " + lasting(time.Duration(b.Minutes)*time.Minute)
	case fleet.ReturnAccepted:
		return "Return accepted"
	}
	return t.changed(body)
}

// changed says what a rarer fact says.
func (t teller) changed(body fleet.Body) string {
	switch b := body.(type) {
	case fleet.Cleared:
		if b.Reason != "" {
			return "Memory cleared: " + b.Reason
		}
		return "Memory cleared"
	case fleet.CoverageEnded:
		text := map[string]string{"repair": "Repaired", "microphone": "New microphone", "firmware": "New firmware"}[b.Cause]
		return text + " " + b.Microphone + b.Firmware + "; its certificate ended"
	case fleet.Extended:
		return "Certificate extended to " + when.Day(b.Due, t.today()) + ": " + b.Reason
	case fleet.Retracted:
		return "An earlier record taken back: " + b.Reason
	}
	return body.FactKind()
}

func seenFull(full *bool) string {
	switch {
	case full == nil:
		return ", nobody looked whether full"
	case *full:
		return ", full"
	}
	return ", not full"
}

func (t teller) changedHands(b fleet.Custody) string {
	text := capital(string(b.State))
	if b.State == fleet.InDepot && !b.Depot.IsZero() {
		text = "In " + t.at.depot(b.Depot).Name
	}
	if b.Holder != "" {
		text += " with " + b.Holder
	}
	if !b.Due.IsZero() {
		text += ", back " + t.moment(b.Due)
	}
	return text
}

// promises lists what a unit is promised to from now on.
func (t teller) promises(d fleet.Dossier) []promise {
	var out []promise
	for _, p := range d.Promises {
		if !p.Gone.IsZero() || p.Span.To.Before(t.now) {
			continue
		}
		x := promise{Span: when.Span(p.Span.From, p.Span.To, t.now, t.loc), Label: p.Label}
		if p.Label != "" {
			x.Href = bookingPath(p.Booking)
		}
		out = append(out, x)
	}
	return out
}

// holds lists the holds that nobody has signed off, as choices.
func (t teller) holds(d fleet.Dossier, gone []ident.ID) []look.Option {
	done := slices.Clone(gone)
	for _, f := range d.Facts {
		if b, ok := f.Body.(fleet.SignedOff); ok && !slices.Contains(gone, f.ID) {
			done = append(done, b.Hold)
		}
	}
	var out []look.Option
	for _, f := range d.Facts {
		if b, ok := f.Body.(fleet.Held); ok && !slices.Contains(done, f.ID) {
			out = append(out, look.Option{Value: f.ID.String(), Text: t.moment(f.Occurred) + ": " + clipped(b.Reason, 60)})
		}
	}
	return out
}

// properties says what a unit is.
func (t teller) properties(d fleet.Dossier, p fleet.Place) []pair {
	u := d.Unit
	out := []pair{{Key: "Model", Value: joined(d.Model.Name, d.Model.Maker)}, {Key: "Kind", Value: joined(string(d.Model.Kind), d.Model.ClassStd)}, {Key: "Serial", Value: u.Serial}}
	mic, firmware := u.Microphone, u.Firmware
	for _, f := range d.Facts {
		if b, ok := f.Body.(fleet.CoverageEnded); ok {
			mic, firmware = latest(mic, b.Microphone), latest(firmware, b.Firmware)
		}
	}
	out = append(out, given("Microphone", mic)...)
	out = append(out, given("Firmware", firmware)...)
	out = append(out, pair{Key: "Home", Value: d.Depot.Name}, pair{Key: "Now", Value: t.where(p)})
	if d.KitCode != "" {
		out = append(out, pair{Key: "Kit", Value: d.KitCode, Href: kitPath(d.KitCode)})
	}
	if u.Ownership != fleet.Owned {
		out = append(out, pair{Key: "Owner", Value: string(u.Ownership)})
		out = append(out, given("Hired from", when.Full(u.HireFrom))...)
		out = append(out, given("Hired to", when.Full(u.HireTo))...)
	}
	return append(out, pair{Key: "Entered", Value: t.moment(u.Entered)})
}

func given(key, value string) []pair {
	if value == "" {
		return nil
	}
	return []pair{{Key: key, Value: value}}
}

func joined(a, b string) string {
	if b == "" {
		return a
	}
	return a + ", " + b
}

func latest(old, newer string) string {
	if newer != "" {
		return newer
	}
	return old
}
