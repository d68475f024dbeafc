package fleet

import (
	"strconv"
	"strings"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// wording turns findings into reasons: the form of the sentence, its arguments and the evidence.
type wording struct {
	t     *timeline
	clock clock
	sees  func(ident.ID) bool
	at    int64 // the moment of knowledge
}

type args = map[string]string

func (w wording) reason(f finding) Reason {
	r := Reason{Kind: Work, Code: codeNames[f.code], Clears: instant(f.clears)}
	switch {
	case 1<<f.code&blockingCodes != 0:
		r.Kind = Blocking
	case 1<<f.code&unknownCodes != 0 && !f.dark:
		r.Kind = Unknown
	}
	switch f.code {
	case codeCertificate:
		w.certificate(f, &r)
	case codeHold:
		w.hold(f, &r)
	case codePromise:
		w.promise(f, &r)
	case codeCustody:
		w.custody(f, &r)
	case codeHire:
		w.hire(f, &r)
	case codeCharge:
		w.charge(f, &r)
	case codeUnread:
		w.unread(f, &r)
	case codePower:
		w.power(f, &r)
	default:
		w.plain(f, &r)
	}
	return r
}

func (w wording) certificate(f finding, r *Reason) {
	r.Args = args{}
	if f.line >= 0 && f.cover != coverNone && f.cover != coverBefore {
		l := &w.t.cover.lines[f.line]
		r.Args["number"], r.Args["date"] = l.Number, w.clock.day(l.Calibrated)
		r.Evidence = append(r.Evidence, Evidence{"certificate", l.Certificate, l.Number})
	}
	if f.ref >= 0 {
		r.Evidence = append(r.Evidence, w.fact(f.ref))
	}
	switch f.cover {
	case coverNone:
		r.Form = "cert-none"
		r.Evidence = append(r.Evidence, w.unit())
	case coverBefore:
		l := &w.t.cover.lines[0]
		r.Form, r.Args["number"], r.Args["from"] = "cert-before", l.Number, w.clock.day(l.Calibrated)
		r.Evidence = append(r.Evidence, Evidence{"certificate", l.Certificate, l.Number})
	case coverFail:
		r.Form = "cert-fail"
	case coverUnstated:
		r.Form = "cert-unstated"
	case coverDue:
		w.lapsed(f, r)
	case coverEvent:
		r.Form = "cert-" + w.t.facts[f.ref].Body.(CoverageEnded).Cause
		r.Args["date"] = w.clock.dayOf(f.mark)
	}
}

func (w wording) lapsed(f finding, r *Reason) {
	r.Form = "cert-ended"
	if f.inside {
		r.Form = "cert-inside"
	}
	if f.ref >= 0 {
		r.Form += "-extended"
	}
	r.Args["end"] = w.clock.day(w.t.cover.ends[f.line])
}

func (w wording) hold(f finding, r *Reason) {
	b := w.t.facts[f.ref].Body.(Held)
	r.Form = "hold"
	r.Args = args{"since": w.clock.dayOf(f.mark), "who": w.t.facts[f.ref].By, "reason": strings.TrimRight(b.Reason, ". ")}
	if b.Rule != "" {
		r.Form, r.Args["rule"] = "hold-rule", b.Rule
	}
	if f.clears != never {
		r.Form, r.Args["until"] = "hold-past", w.clock.moment(f.clears)
	}
	r.Evidence = []Evidence{w.fact(f.ref)}
}

// promise names the booking, except across a client wall: there it says "promised until" and nothing else.
func (w wording) promise(f finding, r *Reason) {
	p := &w.t.d.Promises[f.ref]
	r.Form, r.Args = "promise-walled", args{"until": w.clock.moment(f.clears)}
	if !w.sees(p.Client) || p.Label == "" {
		return
	}
	r.Form, r.Args["label"] = "promise", p.Label
	r.Evidence = []Evidence{{"booking", p.Booking, p.Label}}
}

var custodyForms = map[CustodyState]string{Out: "out", AtLaboratory: "lab", InTransit: "transit", Lost: "lost", Retired: "retired"}

func (w wording) custody(f finding, r *Reason) {
	b := w.t.facts[f.ref].Body.(Custody)
	form := custodyForms[b.State]
	r.Args = args{"since": w.clock.dayOf(f.mark), "holder": ""}
	due := msOr(b.Due, never)
	switch {
	case f.overdue:
		form += "-late"
	case f.clears == never && b.State.comesBack():
		form += "-open"
	case f.clears == due && b.State.comesBack():
		form += "-back"
	case f.clears != never:
		form, r.Args["until"] = form+"-past", w.clock.moment(f.clears)
	}
	if due != never {
		r.Args["due"] = w.clock.moment(due)
	}
	r.Form = form
	if !w.sees(b.Client) {
		return
	}
	if b.Holder != "" {
		r.Args["holder"] = " with " + b.Holder
	}
	r.Evidence = []Evidence{w.fact(f.ref)}
	if !b.Booking.IsZero() {
		r.Evidence = append(r.Evidence, Evidence{"booking", b.Booking, b.Holder})
	}
}

func (w wording) hire(f finding, r *Reason) {
	u := w.t.d.Unit
	r.Evidence = []Evidence{w.unit()}
	switch {
	case !f.overdue:
		r.Form, r.Args = "hire-before", args{"from": w.clock.day(u.HireFrom)}
	case f.inside:
		r.Form, r.Args = "hire-inside", args{"to": w.clock.day(u.HireTo)}
	default:
		r.Form, r.Args = "hire-ended", args{"to": w.clock.day(u.HireTo)}
	}
}

var chargeForms = [...]string{whyNever: "charge-never", whyShort: "charge-short", whyIdle: "charge-idle", whyWorn: "charge-worn",
	whySeen: "charge-seen", whyPower: "charge-power", whyCharging: "charge-charging"}

func (w wording) charge(f finding, r *Reason) {
	r.Form, r.Args = chargeForms[f.why], args{}
	if f.ref < 0 {
		r.Evidence = []Evidence{w.unit()}
		return
	}
	r.Evidence = []Evidence{w.fact(f.ref)}
	switch f.why {
	case whyIdle:
		r.Args["charged"], r.Args["days"] = w.clock.dayOf(f.mark), strconv.Itoa(w.t.d.Model.ReadyDays)
	case whyWorn, whySeen:
		r.Args["when"] = w.clock.moment(w.t.facts[f.ref].Occurred.UnixMilli())
	case whyPower:
		r.Args["charger"] = w.chargerBefore(f.ref)
	case whyCharging:
		r.Args["clears"] = w.clock.moment(f.clears)
	}
}

// chargerBefore names the charger the unit stood on at a fact.
func (w wording) chargerBefore(ref int) string {
	for i := ref; i >= 0; i-- {
		if on, ok := w.t.facts[i].Body.(ChargeOn); ok {
			return w.t.d.Power[on.Charger].Tag
		}
	}
	return ""
}

func (w wording) unread(f finding, r *Reason) {
	r.Form, r.Args = "unread", args{"when": w.clock.moment(w.t.facts[f.ref].Occurred.UnixMilli()), "n": strconv.Itoa(len(f.refs))}
	if len(f.refs) > 1 {
		r.Form = "unread-many"
	}
	for _, ref := range f.refs {
		r.Evidence = append(r.Evidence, w.fact(ref))
	}
}

// power speaks of the unit's charger, or of a charger's own power.
func (w wording) power(f finding, r *Reason) {
	r.Args = args{}
	if f.ref >= 0 {
		id, _ := w.chargerAt(f.ref)
		supply := w.t.d.Power[id]
		r.Form, r.Args["charger"] = "power-never", supply.Tag
		if last := linePower(supply, w.at).lastGood; last != never {
			r.Form, r.Args["since"] = "power-silent", w.clock.moment(last)
		}
		r.Evidence = []Evidence{w.fact(f.ref), {"unit", id, supply.Tag}}
		return
	}
	r.Evidence = []Evidence{w.unit()}
	switch {
	case f.dark && f.mark == never:
		r.Form = "power-dark-own"
	case f.dark:
		r.Form, r.Args["since"] = "power-lost-own", w.clock.moment(f.mark)
	case f.mark == never:
		r.Form = "power-never-own"
	default:
		r.Form, r.Args["since"] = "power-silent-own", w.clock.moment(f.mark)
	}
}

func (w wording) chargerAt(ref int) (ident.ID, bool) {
	for i := ref; i >= 0; i-- {
		if id, ok := chargerOf(w.t.facts[i].Body); ok {
			return id, true
		}
	}
	return ident.ID{}, false
}

func (w wording) plain(f finding, r *Reason) {
	r.Evidence = []Evidence{w.unit()}
	switch f.code {
	case codeTopUp:
		r.Form, r.Args = "top-up", args{"due": w.clock.dayOf(f.mark)}
		if f.ref >= 0 {
			r.Evidence = []Evidence{w.fact(f.ref)}
		}
	case codeChargeRecord:
		r.Form, r.Args = "charge-record", args{"date": w.clock.day(civil.Of(w.t.d.Unit.Entered.In(w.clock.loc)))}
	case codeClear:
		r.Form, r.Args = "clear", args{"runs": strconv.FormatInt(f.mark, 10), "capacity": strconv.Itoa(max(w.t.d.Model.MemoryRuns, 1))}
	}
}

func (w wording) unit() Evidence { return Evidence{"unit", w.t.d.Unit.ID, w.t.d.Unit.Tag} }

func (w wording) fact(ref int) Evidence {
	f := w.t.facts[ref]
	return Evidence{"fact", f.ID, w.label(f)}
}

// label is what people call a fact.
func (w wording) label(f Fact) string {
	a := args{"when": w.clock.moment(f.Occurred.UnixMilli()), "by": f.By}
	switch b := f.Body.(type) {
	case Custody:
		a["state"] = string(b.State)
	case CoverageEnded:
		a["cause"] = b.Cause
	}
	return fill("fact-"+f.Body.FactKind(), a)
}

func (w wording) contra(c contradiction) string {
	if c.form == "contra-two-verdicts" {
		a, b := w.t.cover.lines[c.a], w.t.cover.lines[c.b]
		return fill(c.form, args{"a": a.Number, "b": b.Number, "when": w.clock.day(b.Calibrated)})
	}
	first := w.t.facts[c.a]
	spoken := first
	if c.b >= 0 && c.form != "contra-worn-on-charger" && c.form != "contra-read-before-worn" && c.form != "contra-worn-away" {
		spoken = w.t.facts[c.b]
	}
	a := args{"when": w.clock.moment(spoken.Occurred.UnixMilli()), "a": custodyWord(first), "b": custodyWord(spoken)}
	return fill(c.form, a)
}

func custodyWord(f Fact) string {
	if b, ok := f.Body.(Custody); ok {
		return string(b.State)
	}
	return f.Body.FactKind()
}
