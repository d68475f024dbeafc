package fleet

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"

	"pgregory.net/rapid"
)

// naive answers the same question as Assess by stepping through every minute; it shares no code with the rules.
type naive struct {
	d     Dossier
	at    time.Time
	loc   *time.Location
	facts []Fact
}

func newNaive(d Dossier, at time.Time) *naive {
	n := &naive{d: d, at: at, loc: d.Depot.Location()}
	n.facts = n.believed(d.Facts)
	return n
}

func (n *naive) believed(all []Fact) []Fact {
	later := func(a, b Fact) bool { // a was entered after b
		if !a.Entered.Equal(b.Entered) {
			return a.Entered.After(b.Entered)
		}
		return string(a.ID[:]) > string(b.ID[:])
	}
	var withdrawn func(f Fact) bool
	withdrawn = func(f Fact) bool {
		for _, r := range all {
			b, ok := r.Body.(Retracted)
			if ok && b.Fact == f.ID && !r.Entered.After(n.at) && later(r, f) && !withdrawn(r) {
				return true
			}
		}
		return false
	}
	var out []Fact
	for _, f := range all {
		if _, ok := f.Body.(Retracted); !ok && !f.Entered.After(n.at) && !withdrawn(f) {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b Fact) int {
		if c := a.Occurred.Compare(b.Occurred); c != 0 {
			return c
		}
		if later(a, b) {
			return 1
		}
		return -1
	})
	return out
}

// power of a charger at t: "good", "lost" or "unknown".
func (n *naive) power(id ident.ID, t time.Time) string {
	s := n.d.Power[id]
	type sight struct {
		at   time.Time
		good bool
	}
	var seen []sight
	for _, f := range n.believed(s.Facts) {
		if b, ok := f.Body.(PowerSeen); ok {
			if k := len(seen); k > 0 && seen[k-1].at.Equal(f.Occurred) {
				seen[k-1].good = seen[k-1].good && b.Good
			} else {
				seen = append(seen, sight{f.Occurred, b.Good})
			}
		}
	}
	watch := time.Duration(s.Hours) * time.Hour
	for i := len(seen) - 1; i >= 0; i-- {
		if seen[i].at.After(t) {
			continue
		}
		silent := seen[i].at.Add(watch)
		switch {
		case !seen[i].good, i+1 < len(seen) && !seen[i+1].good:
			return "lost"
		case watch == 0:
			return "good"
		case i+1 < len(seen) && seen[i+1].at.After(silent) && !t.Before(silent):
			return "unknown"
		case i+1 == len(seen) && n.at.After(silent) && !t.Before(silent):
			return "unknown"
		}
		return "good"
	}
	return "unknown"
}

type naiveCharge struct {
	on       bool
	charger  ident.ID
	pos      int
	onAt     time.Time
	full     bool
	off      int
	progress int
	charged  time.Time
	powered  bool
}

func (n *naive) charge(until time.Time, hopeful bool) naiveCharge {
	var s naiveCharge
	if len(n.facts) == 0 {
		return s
	}
	next := 0
	for t := n.facts[0].Occurred; !t.After(until); t = t.Add(time.Minute) {
		s.pass(n.d.Model, t)
		for next < len(n.facts) && !n.facts[next].Occurred.After(t) {
			s.happen(n.facts[next])
			next++
		}
		p := "lost"
		if s.on {
			p = n.power(s.charger, t)
		}
		s.powered = s.on && (p == "good" || p == "unknown" && hopeful)
		if !s.powered {
			s.progress = 0
		}
	}
	return s
}

func (s *naiveCharge) pass(m Model, t time.Time) {
	if s.powered {
		s.progress++
		if s.progress >= m.ChargeMinutes {
			s.full, s.off, s.charged = true, 0, t
		}
		return
	}
	if s.full {
		s.off++
		if m.ReadyDays > 0 && s.off > m.ReadyDays*1440 {
			s.full = false
		}
	}
}

func (s *naiveCharge) happen(f Fact) {
	see := func(full bool) {
		s.full = full
		if full {
			s.off, s.charged = 0, f.Occurred
		}
	}
	switch b := f.Body.(type) {
	case ChargeOn:
		if !s.on || s.charger != b.Charger || s.pos != b.Position {
			s.on, s.charger, s.pos, s.onAt, s.progress = true, b.Charger, b.Position, f.Occurred, 0
		}
	case ChargeOff:
		s.on = false
		if b.Full != nil {
			see(*b.Full)
		}
	case Opening:
		s.progress = 0
		see(b.Full)
	case Custody:
		if b.State != InDepot {
			s.on = false
		}
	case Worn:
		if b.Minutes > 0 {
			if s.on && !s.onAt.After(f.Occurred.Add(-time.Duration(b.Minutes)*time.Minute)) {
				s.on = false
			}
			s.full, s.progress = false, 0
		}
	}
}

func (n *naive) governing(day civil.Date) *Line {
	var best *Line
	grave := map[LabVerdict]int{Pass: 0, NotStated: 1, Fail: 2}
	for i := range n.d.Lines {
		l := &n.d.Lines[i]
		if l.Entered.After(n.at) || !l.Superseded.IsZero() && !l.Superseded.After(n.at) || l.Calibrated.After(day) {
			continue
		}
		if best == nil || l.Calibrated.After(best.Calibrated) {
			best = l
			continue
		}
		if l.Calibrated == best.Calibrated {
			a, b := grave[l.Verdict], grave[best.Verdict]
			newer := l.Entered.After(best.Entered) || l.Entered.Equal(best.Entered) && string(l.ID[:]) > string(best.ID[:])
			if a > b || a == b && newer {
				best = l
			}
		}
	}
	return best
}

func (n *naive) due(l *Line) civil.Date {
	due := l.Due
	for _, f := range n.facts {
		if e, ok := f.Body.(Extended); ok && e.Line == l.ID {
			due = e.Due
		}
	}
	return due
}

func (n *naive) covered(t time.Time) bool {
	day := civil.Of(t.In(n.loc))
	l := n.governing(day)
	if l == nil || l.Verdict != Pass || day.After(n.due(l)) {
		return false
	}
	for _, f := range n.facts {
		_, ended := f.Body.(CoverageEnded)
		if ended && !f.Occurred.After(t) && civil.Of(f.Occurred.In(n.loc)).After(l.Calibrated) {
			return false
		}
	}
	return true
}

func (n *naive) certEnds(t time.Time) civil.Date {
	l := n.governing(civil.Of(t.In(n.loc)))
	if l == nil || l.Verdict != Pass {
		return civil.Date{}
	}
	ends := n.due(l)
	for _, f := range n.facts {
		day := civil.Of(f.Occurred.In(n.loc))
		if _, ok := f.Body.(CoverageEnded); ok && day.After(l.Calibrated) && !day.After(ends) {
			return day
		}
	}
	return ends
}

func (n *naive) away(t time.Time) bool {
	for i := len(n.facts) - 1; i >= 0; i-- {
		b, ok := n.facts[i].Body.(Custody)
		if !ok || n.facts[i].Occurred.After(t) {
			continue
		}
		last := !slices.ContainsFunc(n.facts[i+1:], func(f Fact) bool { _, ok := f.Body.(Custody); return ok })
		if b.State == InDepot || b.State == Out && !n.d.For.IsZero() && b.Booking == n.d.For {
			return false
		}
		if b.State == Lost || b.State == Retired || !last || b.Due.IsZero() || b.Due.Before(n.at) {
			return true
		}
		return t.Before(b.Due)
	}
	return false
}

func (n *naive) held(t time.Time) bool {
	for i, f := range n.facts {
		if _, ok := f.Body.(Held); !ok || f.Occurred.After(t) {
			continue
		}
		off := false
		for _, g := range n.facts[i+1:] {
			if s, ok := g.Body.(SignedOff); ok && s.Hold == f.ID && !g.Occurred.After(t) {
				off = true
			}
		}
		if !off {
			return true
		}
	}
	return false
}

func (n *naive) hired(t time.Time) bool {
	u, day := n.d.Unit, civil.Of(t.In(n.loc))
	return u.Ownership == Owned || (u.HireFrom.IsZero() || !day.Before(u.HireFrom)) && (u.HireTo.IsZero() || !day.After(u.HireTo))
}

func (n *naive) promised(t time.Time) bool {
	return slices.ContainsFunc(n.d.Promises, func(p Promise) bool {
		made := p.Entered.IsZero() || !p.Entered.After(n.at)
		stands := p.Gone.IsZero() || p.Gone.After(n.at)
		return made && stands && p.Span.Contains(t) && (n.d.For.IsZero() || p.Booking != n.d.For)
	})
}

func (n *naive) memory(t time.Time) (runs, unread int) {
	accepted, inside := map[ident.ID]bool{}, map[ident.ID]bool{}
	for _, f := range n.facts {
		if f.Occurred.After(t) {
			break
		}
		switch b := f.Body.(type) {
		case Worn:
			inside[b.Wear] = true
		case ReturnAccepted:
			accepted[b.Wear] = true
		case Cleared:
			inside = map[ident.ID]bool{}
		}
	}
	for w := range inside {
		if !accepted[w] {
			unread++
		}
	}
	return len(inside), unread
}

// answer collects the codes and dates.
func (n *naive) answer(span Span) (set map[ReasonCode]bool, ends civil.Date, fullBy time.Time) {
	set = map[ReasonCode]bool{}
	m := n.d.Model
	for t := span.From; t.Before(span.To); t = t.Add(time.Minute) {
		mark := func(c ReasonCode, bad bool) {
			if bad {
				set[c] = true
			}
		}
		mark(ReasonCertificate, m.CalibrationMonths > 0 && !n.covered(t))
		mark(ReasonCustody, n.away(t))
		mark(ReasonHold, n.held(t))
		mark(ReasonHire, !n.hired(t))
		mark(ReasonPromise, n.promised(t))
	}
	if m.HoldsData {
		if runs, unread := n.memory(span.From); unread > 0 {
			set[ReasonUnread] = true
		} else if runs >= max(1, m.MemoryRuns) {
			set[ReasonClear] = true
		}
	}
	if m.ChargeMinutes > 0 {
		fullBy = n.chargeReasons(span.From, set)
	}
	if m.CalibrationMonths > 0 {
		ends = n.certEnds(span.From)
	}
	return set, ends, fullBy
}

func (n *naive) chargeReasons(from time.Time, set map[ReasonCode]bool) (fullBy time.Time) {
	any := slices.ContainsFunc(n.facts, func(f Fact) bool {
		switch b := f.Body.(type) {
		case ChargeOn, ChargeOff, Opening:
			return !f.Occurred.After(from)
		case Worn:
			return b.Minutes > 0 && !f.Occurred.After(from)
		}
		return false
	})
	if !any {
		set[ReasonChargeRecord] = true
		return
	}
	careful, hopeful := n.charge(from, false), n.charge(from, true)
	if !careful.full && hopeful.full {
		set[ReasonPower] = true
	} else if !careful.full {
		set[ReasonCharge] = true
	}
	due := func(s naiveCharge) time.Time {
		if s.powered || s.charged.IsZero() || n.d.Model.TopUpDays == 0 {
			return time.Time{}
		}
		return s.charged.AddDate(0, 0, n.d.Model.TopUpDays)
	}
	lapsed := func(s naiveCharge) bool { return !due(s).IsZero() && due(s).Before(from) }
	if lapsed(careful) && lapsed(hopeful) {
		set[ReasonTopUp] = true
	}
	return due(careful)
}

// The random world: a unit of a depot in Berlin around the end of summer time on 25 October 2026, times on a grid so that
// coincidences are common.
var worldStart = time.Date(2026, 10, 20, 22, 0, 0, 0, time.UTC)

func grid(t *rapid.T, label string, days int) time.Time {
	return worldStart.Add(time.Duration(rapid.IntRange(0, days*24).Draw(t, label)) * time.Hour)
}

func drawID(n int) ident.ID { return ident.ID{15: byte(n + 1)} }

func drawBody(t *rapid.T, facts []Fact) Body {
	charger := drawID(200 + rapid.IntRange(0, 1).Draw(t, "charger"))
	some := func(label string) ident.ID {
		if len(facts) == 0 {
			return drawID(250)
		}
		return rapid.SampledFrom(facts).Draw(t, label).ID
	}
	wear := drawID(220 + rapid.IntRange(0, 2).Draw(t, "wear"))
	switch rapid.IntRange(0, 15).Draw(t, "kind") {
	case 0, 1, 2:
		return ChargeOn{charger, rapid.IntRange(1, 2).Draw(t, "position")}
	case 3, 4:
		return ChargeOff{rapid.SampledFrom([]*bool{nil, nil, ptr(true), ptr(false)}).Draw(t, "full")}
	case 5:
		return Opening{Full: rapid.Bool().Draw(t, "opening"), Statement: "counted"}
	case 6, 7:
		s := rapid.SampledFrom([]CustodyState{InDepot, InDepot, Out, Out, AtLaboratory, InTransit, Lost, Retired}).Draw(t, "custody")
		b := Custody{State: s, Booking: drawID(230 + rapid.IntRange(0, 1).Draw(t, "booking"))}
		if rapid.Bool().Draw(t, "dated") {
			b.Due = grid(t, "due", 12)
		}
		return b
	case 8:
		return Held{Reason: "dropped"}
	case 9:
		return SignedOff{Hold: some("hold"), Reason: "looked at"}
	case 10:
		return Worn{Wear: wear, Minutes: rapid.SampledFrom([]int{0, 60, 480}).Draw(t, "minutes")}
	case 11:
		return ReturnAccepted{wear}
	case 12:
		return Cleared{}
	case 13:
		return CoverageEnded{Cause: rapid.SampledFrom([]string{"repair", "microphone", "firmware"}).Draw(t, "cause")}
	case 14:
		return Extended{Line: drawID(240 + rapid.IntRange(0, 2).Draw(t, "line")), Due: drawDay(t, "moved", -2, 12), Reason: "laboratory late"}
	}
	return Retracted{some("retracted"), "typing error"}
}

func ptr[T any](v T) *T { return &v }

func drawDay(t *rapid.T, label string, lo, hi int) civil.Date {
	return civil.Date{Year: 2026, Month: 10, Day: 21}.AddDays(rapid.IntRange(lo, hi).Draw(t, label))
}

func drawDossier(t *rapid.T) Dossier {
	d := Dossier{
		Unit: Unit{ID: drawID(1), Tag: "D-001", Ownership: rapid.SampledFrom([]Ownership{Owned, Owned, Rented, ClientOwned}).Draw(t, "ownership"),
			HireFrom: drawDay(t, "hired from", -3, 4), HireTo: drawDay(t, "hired to", 3, 14)},
		Model: Model{Kind: Dosimeter, ChargeMinutes: 150, TopUpDays: rapid.SampledFrom([]int{0, 4}).Draw(t, "top-up"),
			ReadyDays: rapid.SampledFrom([]int{0, 1, 3}).Draw(t, "ready"), CalibrationMonths: rapid.SampledFrom([]int{0, 12, 12}).Draw(t, "months"),
			MemoryRuns: rapid.IntRange(0, 2).Draw(t, "runs"), HoldsData: rapid.Bool().Draw(t, "holds")},
		Depot: Depot{Zone: "Europe/Berlin"},
		Power: map[ident.ID]Supply{},
		For:   rapid.SampledFrom([]ident.ID{{}, drawID(230)}).Draw(t, "for"),
	}
	for i := range rapid.IntRange(0, 14).Draw(t, "facts") {
		occurred := grid(t, "occurred", 11)
		d.Facts = append(d.Facts, Fact{ID: drawID(2 + i), Unit: d.Unit.ID, Occurred: occurred, Body: drawBody(t, d.Facts), By: "ida",
			Entered: occurred.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 0, 30, 90}).Draw(t, "lateness")) * time.Hour)})
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "lines") {
		l := Line{ID: drawID(240 + i), Number: fmt.Sprint("C-", i), Calibrated: drawDay(t, "calibrated", -5, 9), Due: drawDay(t, "due day", 0, 16),
			Verdict: rapid.SampledFrom([]LabVerdict{Pass, Pass, Pass, Fail, NotStated}).Draw(t, "verdict"), Entered: grid(t, "line entered", 11)}
		if rapid.IntRange(0, 4).Draw(t, "superseded") == 0 {
			l.Superseded = l.Entered.Add(time.Duration(rapid.IntRange(1, 96).Draw(t, "superseded after")) * time.Hour)
		}
		d.Lines = append(d.Lines, l)
	}
	for c := range 2 {
		s := Supply{Tag: fmt.Sprint("N-", c), Hours: rapid.SampledFrom([]int{0, 0, 24}).Draw(t, "watch")}
		for i := range rapid.IntRange(0, 4).Draw(t, "sightings") {
			occurred := grid(t, "seen", 11)
			s.Facts = append(s.Facts, Fact{ID: drawID(100 + 10*c + i), Occurred: occurred, Body: PowerSeen{rapid.IntRange(0, 3).Draw(t, "good") > 0},
				Entered: occurred.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 48}).Draw(t, "seen late")) * time.Hour)})
		}
		d.Power[drawID(200+c)] = s
	}
	drawPromises(t, &d)
	return d
}

func drawPromises(t *rapid.T, d *Dossier) {
	from := worldStart
	for i := range rapid.IntRange(0, 3).Draw(t, "promises") {
		from = from.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "gap")) * time.Hour)
		to := from.Add(time.Duration(rapid.IntRange(1, 48).Draw(t, "length")) * time.Hour)
		p := Promise{Unit: d.Unit.ID, Booking: drawID(230 + i), Span: Span{from, to}, Label: "S-1"}
		if rapid.Bool().Draw(t, "promise dated") {
			p.Entered = grid(t, "promised", 11)
			if rapid.Bool().Draw(t, "given up") {
				p.Gone = p.Entered.Add(time.Duration(rapid.IntRange(1, 72).Draw(t, "given up after")) * time.Hour)
			}
		}
		d.Promises = append(d.Promises, p)
		from = to
	}
}

func TestAssessAgreesWithMinuteStepping(t *testing.T) {
	for range 10 { // rarely met corners need about a thousand worlds
		rapid.Check(t, askBoth)
	}
}

func askBoth(rt *rapid.T) {
	d := drawDossier(rt)
	at := grid(rt, "as known at", 13)
	from := grid(rt, "from", 13).Add(time.Duration(rapid.SampledFrom([]int{0, 30, 150}).Draw(rt, "minutes past")) * time.Minute)
	span := Span{from, from.Add(time.Duration(rapid.IntRange(1, 50).Draw(rt, "hours")) * time.Hour)}
	want, ends, fullBy := newNaive(d, at).answer(span)

	got := Assess(d, span, at)
	set := map[ReasonCode]bool{}
	for _, r := range got.Reasons {
		set[r.Code] = true
	}
	if !maps.Equal(set, want) {
		rt.Fatalf("reasons %v, stepping gives %v", got.Reasons, want)
	}
	if got.Fit != (len(want) == 0) || got.CertEnds != ends || !got.FullBy.Equal(fullBy) {
		rt.Fatalf("fit %v, certificate ends %q, full by %v; stepping gives %v, %q, %v", got.Fit, got.CertEnds, got.FullBy, len(want) == 0, ends, fullBy)
	}
	poolAgrees(rt, d, got, span, at)
	clearsInTime(rt, d, got, at)
}

// clearsInTime asks again for the minute at which each reason is said to clear: that reason must be gone.
func clearsInTime(rt *rapid.T, d Dossier, v Verdict, at time.Time) {
	for _, r := range v.Reasons {
		if r.Clears.IsZero() {
			continue
		}
		if r.Clears.Before(v.Span.From) {
			rt.Fatalf("%q clears %v, before the span", r.Text(), r.Clears)
		}
		fromLab := slices.ContainsFunc(d.Facts, func(f Fact) bool {
			b, ok := f.Body.(Custody)
			return ok && b.State == AtLaboratory && b.Due.Equal(r.Clears)
		})
		if r.Code == ReasonCertificate && fromLab {
			continue // expected, not promised: the new certificate is not there yet
		}
		for _, x := range Assess(d, Span{r.Clears, r.Clears.Add(time.Minute)}, at).Reasons {
			if x.Code == r.Code && (x.Code == ReasonCertificate || x.Code == ReasonCharge || x.Form == r.Form && fmt.Sprint(x.Evidence) == fmt.Sprint(r.Evidence)) {
				rt.Fatalf("%q is said to clear %v, but then: %q", r.Text(), r.Clears, x.Text())
			}
		}
	}
}

// poolAgrees builds the pool at another moment, then asks it the same question twice.
func poolAgrees(rt *rapid.T, d Dossier, want Verdict, span Span, at time.Time) {
	p := NewPool([]Dossier{d}, grid(rt, "pool of", 13))
	for range 2 {
		got, ok := p.Verdict(d.Unit.ID, span, at, SoonDays)
		if !ok || fmt.Sprint(got) != fmt.Sprint(want) {
			rt.Fatalf("pool says %v, Assess %v", got, want)
		}
		b := p.Scan(span, at, SoonDays)[0]
		if b.State != want.State || b.Fit != want.Fit || b.Blocked != want.Blocked() || b.Ends != want.CertEnds {
			rt.Fatalf("scan says %+v, Assess %v", b, want)
		}
	}
	masked := Assess(d.Behind(func(c ident.ID) bool { return c.IsZero() }), span, at)
	if masked.Fit != want.Fit || masked.State != want.State {
		rt.Fatalf("across a wall %v, else %v", masked, want)
	}
}
