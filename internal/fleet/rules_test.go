package fleet

import (
	"slices"
	"strings"
	"testing"
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// The table tests tell one rule each. The numbers (150 minutes, 28 days, 3 days) are the invented demo's: per-model data of the
// owner, common practice, no source.

var (
	unitID    = drawID(1)
	chargerID = drawID(200)
	lineID    = drawID(240)
	london    = "Europe/London"
	asked     = moment("2026-11-24 08:10")
	two       = days("2026-11-24 09:00", "2026-11-25 17:00")
)

func moment(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

func date(s string) civil.Date {
	d, err := civil.Parse(s)
	if err != nil {
		panic(err)
	}
	return d
}

func days(from, to string) Span { return Span{moment(from), moment(to)} }

// sound is a fit dosimeter: certified to 11 June 2027, full, on a powered charger.
func sound() Dossier {
	return Dossier{
		Unit: Unit{ID: unitID, Tag: "D-014", Ownership: Owned, Entered: moment("2026-01-05 09:00")},
		Model: Model{Name: "Wick 2", Kind: Dosimeter, ChargeMinutes: 150, TopUpDays: 28, ReadyDays: 3, RunMinutes: 2400,
			CalibrationMonths: 12, MemoryRuns: 1, HoldsData: true},
		Depot: Depot{Zone: london, Name: "Harrow Lane"},
		Lines: []Line{{ID: lineID, Certificate: drawID(241), Number: "LK-1", Calibrated: date("2026-06-12"), Due: date("2027-06-11"),
			Verdict: Pass, Entered: moment("2026-06-20 09:00")}},
		Facts: []Fact{happened(10, "2026-11-20 09:00", ChargeOn{chargerID, 4})},
		Power: map[ident.ID]Supply{chargerID: {Tag: "N-1", Facts: []Fact{happened(11, "2026-11-01 09:00", PowerSeen{true})}}},
	}
}

func happened(id int, at string, b Body) Fact {
	return Fact{ID: drawID(id), Unit: unitID, Occurred: moment(at), Entered: moment(at), By: "R. Amsel", Body: b}
}

func with(d Dossier, facts ...Fact) Dossier {
	d.Facts = append(slices.Clone(d.Facts), facts...)
	return d
}

type rule struct {
	name   string
	d      Dossier
	span   Span
	kind   ReasonKind
	code   ReasonCode
	text   string
	clears string
	state  State
}

func off(at string) Dossier { return with(sound(), happened(20, at, ChargeOff{})) }

func rules() []rule {
	lapsed, ending, failed, unstated, none, early := sound(), sound(), sound(), sound(), sound(), sound()
	lapsed.Lines[0].Due = date("2026-11-19")
	ending.Lines[0].Due = date("2026-11-24")
	failed.Lines[0].Verdict, unstated.Lines[0].Verdict = Fail, NotStated
	none.Lines = nil
	early.Lines[0].Calibrated = date("2026-11-25")
	atLab := with(lapsed, happened(20, "2026-11-20 12:00", Custody{State: AtLaboratory, Due: moment("2026-12-11 12:00")}))
	hired := sound()
	hired.Unit.Ownership, hired.Unit.HireFrom, hired.Unit.HireTo = Rented, date("2026-11-25"), date("2026-12-31")
	given := sound()
	given.Unit.Ownership, given.Unit.HireFrom, given.Unit.HireTo = ClientOwned, date("2026-11-01"), date("2026-11-24")
	promised := sound()
	promised.Promises = []Promise{{Booking: drawID(230), Span: days("2026-11-25 08:00", "2026-12-04 18:00"), Label: "S-112, T. Osk"}}
	walled := sound()
	walled.Promises = []Promise{{Span: days("2026-11-25 08:00", "2026-12-04 18:00")}}
	silent := sound()
	silent.Power[chargerID] = Supply{Tag: "N-2"}
	fresh := sound()
	fresh.Facts = nil
	dark := sound()
	dark.Power[chargerID] = Supply{Tag: "N-2", Facts: []Fact{happened(11, "2026-11-01 09:00", PowerSeen{true}), happened(12, "2026-11-21 09:00", PowerSeen{false})}}
	box := Dossier{Unit: Unit{ID: unitID, Tag: "N-2", Ownership: Owned}, Model: Model{Kind: Charger, PowerHours: 2}, Depot: Depot{Zone: london},
		Facts: []Fact{happened(20, "2026-11-24 03:10", PowerSeen{true})}}
	idle := sound()
	idle.Model.ReadyDays = 0
	idle = with(idle, happened(20, "2026-10-20 09:00", Opening{Full: true}))
	idle.Facts = idle.Facts[1:]

	return []rule{
		{"no certificate", none, two, Blocking, ReasonCertificate, "No certificate on record.", "", StateNotFit},
		{"certificate lapsed", lapsed, two, Blocking, ReasonCertificate, "Certificate ended Thu 19 Nov.", "", StateNotFit},
		{"certificate ends inside", ending, two, Blocking, ReasonCertificate, "Certificate ends Tue 24 Nov, inside the interval.", "", StateNotFit},
		{"certificate failed", failed, two, Blocking, ReasonCertificate, "Certificate LK-1 of Fri 12 Jun failed it.", "", StateNotFit},
		{"no verdict stated", unstated, two, Blocking, ReasonCertificate, "Certificate LK-1 of Fri 12 Jun states no verdict.", "", StateNotFit},
		{"certified later", early, two, Blocking, ReasonCertificate, "Certificate LK-1 covers from Wed 25 Nov only.", "2026-11-25 00:00", StateNotFit},
		{"repair", with(sound(), happened(20, "2026-11-24 07:00", CoverageEnded{Cause: "repair"})), two, Blocking, ReasonCertificate, "A repair on Tue 24 Nov ended its certificate.", "", StateNotFit},
		{"microphone", with(sound(), happened(20, "2026-11-24 07:00", CoverageEnded{Cause: "microphone"})), two, Blocking, ReasonCertificate, "A new microphone on Tue 24 Nov ended its certificate.", "", StateNotFit},
		{"firmware inside", with(sound(), happened(20, "2026-06-12 07:00", CoverageEnded{Cause: "repair"}), happened(21, "2026-11-24 08:00", CoverageEnded{Cause: "firmware"})), two, Blocking, ReasonCertificate, "New firmware on Tue 24 Nov ended its certificate.", "", StateNotFit},
		{"extension ends inside", with(lapsed, happened(20, "2026-11-19 09:00", Extended{Line: lineID, Due: date("2026-11-24"), Reason: "late"})), two, Blocking, ReasonCertificate, "Certificate ends Tue 24 Nov, extension included, inside the interval.", "", StateNotFit},
		{"lapsed at the laboratory", atLab, two, Blocking, ReasonCertificate, "Certificate ended Thu 19 Nov.", "2026-12-11 12:00", StateNotFit},
		{"at the laboratory", atLab, two, Blocking, ReasonCustody, "At the laboratory; back Fri 11 Dec, 12:00 GMT.", "2026-12-11 12:00", StateNotFit},
		{"hold", with(sound(), happened(20, "2026-11-19 09:00", Held{Reason: "Checks differ by 0.7 dB."})), two, Blocking, ReasonHold, "Held back since Thu 19 Nov by R. Amsel: Checks differ by 0.7 dB.", "", StateHeld},
		{"rule's hold", with(sound(), happened(20, "2026-11-19 09:00", Held{Reason: "drift", Rule: "two failed checks"})), two, Blocking, ReasonHold, "Held back since Thu 19 Nov by the rule two failed checks: drift.", "", StateHeld},
		{"promise", promised, two, Blocking, ReasonPromise, "Promised to S-112, T. Osk until Fri 4 Dec, 18:00 GMT.", "2026-12-04 18:00", StateNotFit},
		{"promise behind a wall", walled, two, Blocking, ReasonPromise, "Promised until Fri 4 Dec, 18:00 GMT.", "2026-12-04 18:00", StateNotFit},
		{"out", with(sound(), happened(20, "2026-11-23 09:00", Custody{State: Out, Holder: "N. Faye", Due: moment("2026-11-25 12:00")})), two, Blocking, ReasonCustody, "Out with N. Faye; back Wed 25 Nov, 12:00 GMT.", "2026-11-25 12:00", StateOut},
		{"still out", with(sound(), happened(20, "2026-11-20 09:00", Custody{State: Out, Holder: "N. Faye", Due: moment("2026-11-23 12:00")})), two, Blocking, ReasonCustody, "Still out with N. Faye, due back Mon 23 Nov, 12:00 GMT.", "", StateNotFit},
		{"lost", with(sound(), happened(20, "2026-11-20 09:00", Custody{State: Lost})), two, Blocking, ReasonCustody, "Lost since Fri 20 Nov.", "", StateNotFit},
		{"retired", with(sound(), happened(20, "2026-11-20 09:00", Custody{State: Retired})), two, Blocking, ReasonCustody, "Retired Fri 20 Nov.", "", StateNotFit},
		{"before the hire", hired, two, Blocking, ReasonHire, "Hired from Wed 25 Nov only.", "2026-11-25 00:00", StateNotFit},
		{"hire ends inside", given, two, Blocking, ReasonHire, "Hire ends Tue 24 Nov, inside the interval.", "", StateNotFit},
		{"no charge history", fresh, two, Unknown, ReasonChargeRecord, "No charge on record since it came on Mon 5 Jan.", "", StateUnknown},
		{"idle too long", off("2026-11-21 08:59"), two, Work, ReasonCharge, "Last full Sat 21 Nov, off the charger for more than 3 days.", "", StateNotFit},
		{"used", with(off("2026-11-23 08:00"), happened(21, "2026-11-23 16:00", Worn{Wear: drawID(220), Minutes: 480}), happened(22, "2026-11-23 17:00", ReturnAccepted{drawID(220)}), happened(23, "2026-11-23 17:10", Cleared{})), two, Work, ReasonCharge, "Used since its last full charge, to Mon 23 Nov, 16:00 GMT.", "", StateNotFit},
		{"charging", with(fresh, happened(20, "2026-11-24 08:00", ChargeOn{chargerID, 4})), two, Work, ReasonCharge, "Not full; on charge, full Tue 24 Nov, 10:30 GMT.", "2026-11-24 10:30", StateNotFit},
		{"taken off early", with(fresh, happened(20, "2026-11-24 06:00", ChargeOn{chargerID, 4}), happened(21, "2026-11-24 07:00", ChargeOff{})), two, Work, ReasonCharge, "Taken off the charger before it was full.", "", StateNotFit},
		{"seen not full", with(sound(), happened(20, "2026-11-24 07:00", ChargeOff{Full: ptr(false)})), two, Work, ReasonCharge, "Seen not full Tue 24 Nov, 07:00 GMT.", "", StateNotFit},
		{"power lost before", dark, two, Work, ReasonCharge, "Not full: charger N-2 lost power.", "", StateNotFit},
		{"power nobody saw", silent, two, Unknown, ReasonPower, "Nobody has recorded whether charger N-2 has power; look at it.", "", StateUnknown},
		{"a silent charger", box, two, Unknown, ReasonPower, "No power record since Tue 24 Nov, 03:10 GMT; look at it.", "", StateUnknown},
		{"a dark charger", with(box, happened(21, "2026-11-24 05:00", PowerSeen{})), two, Work, ReasonPower, "Seen without power; last good Tue 24 Nov, 03:10 GMT.", "", StateNotFit},
		{"top-up lapsed", idle, two, Work, ReasonTopUp, "Full charge was due Tue 17 Nov.", "", StateNotFit},
		{"unread", with(sound(), happened(19, "2026-11-19 18:00", Worn{Wear: drawID(220), Minutes: 480})), two, Work, ReasonUnread, "Return of the wear that ended Thu 19 Nov, 18:00 GMT is not accepted.", "", StateUnread},
		{"read, not cleared", with(sound(), happened(19, "2026-11-19 18:00", Worn{Wear: drawID(220), Minutes: 480}), happened(20, "2026-11-20 08:00", ReturnAccepted{drawID(220)})), two, Work, ReasonClear, "Memory holds 1 of 1 runs, all read; clear it.", "", StateNotFit},
	}
}

func TestEachRuleSaysWhy(t *testing.T) {
	for _, r := range rules() {
		t.Run(r.name, func(t *testing.T) {
			v := Assess(r.d, r.span, asked)
			i := slices.IndexFunc(v.Reasons, func(x Reason) bool { return x.Code == r.code })
			if i < 0 {
				t.Fatalf("no reason %q, only %v", r.code, v.Reasons)
			}
			x := v.Reasons[i]
			if x.Kind != r.kind || x.Text() != r.text || v.State != r.state || v.Fit {
				t.Errorf("%s %q, state %q, fit %v; want %s %q, state %q", x.Kind, x.Text(), v.State, v.Fit, r.kind, r.text, r.state)
			}
			if clears := (x.Clears.IsZero() && r.clears == "") || r.clears != "" && x.Clears.Equal(moment(r.clears)); !clears {
				t.Errorf("clears %v, want %q", x.Clears, r.clears)
			}
			if len(x.Evidence) == 0 && r.name != "promise behind a wall" {
				t.Error("a reason without evidence")
			}
			if strings.ContainsAny(x.Text(), "{}") {
				t.Errorf("a gap in the sentence %q", x.Text())
			}
		})
	}
}

func TestFit(t *testing.T) {
	extended := sound()
	extended.Lines[0].Due = date("2026-11-19")
	renewed := sound()
	renewed.Lines = append([]Line{{ID: drawID(242), Number: "LK-0", Calibrated: date("2025-06-12"), Due: date("2026-06-11"), Verdict: Fail}}, renewed.Lines...)
	lastDay := sound()
	lastDay.Lines[0].Due = date("2026-11-25")
	own := with(sound(), happened(20, "2026-11-24 07:00", Custody{State: Out, Booking: drawID(230)}), happened(21, "2026-11-24 07:30", ChargeOff{Full: ptr(true)}))
	own.For = drawID(230)
	own.Promises = []Promise{{Booking: drawID(230), Span: two}}
	touching := sound()
	touching.Promises = []Promise{{Span: days("2026-11-20 08:00", "2026-11-24 09:00")}, {Span: days("2026-11-25 17:00", "2026-11-30 08:00")}}
	worn := []Fact{happened(19, "2026-11-19 18:00", Worn{Wear: drawID(220), Minutes: 480}), happened(20, "2026-11-20 08:00", ReturnAccepted{drawID(220)}), happened(21, "2026-11-20 08:05", Cleared{})}
	back := happened(20, "2026-11-20 09:00", Custody{State: Out, Due: moment("2026-11-24 09:00")})
	for name, d := range map[string]Dossier{
		"kept full":             sound(),
		"three days off":        off("2026-11-21 09:00"),
		"extended":              with(extended, happened(20, "2026-11-19 09:00", Extended{Line: lineID, Due: date("2026-12-19")})),
		"renewed after failing": renewed,
		"last day included":     lastDay,
		"its own booking":       own,
		"touching promises":     touching,
		"read and cleared":      with(sound(), worn...),
		"signed off":            with(sound(), happened(20, "2026-11-19 09:00", Held{Reason: "drift"}), happened(21, "2026-11-23 09:00", SignedOff{Hold: drawID(20)})),
		"expected back in time": with(sound(), back, happened(22, "2026-11-20 09:01", ChargeOff{}), happened(23, "2026-11-23 09:00", Opening{Full: true})),
		"retracted hold":        with(sound(), happened(20, "2026-11-19 09:00", Held{Reason: "drift"}), happened(21, "2026-11-23 09:00", Retracted{drawID(20), "wrong unit"})),
	} {
		if v := Assess(d, two, asked); !v.Fit {
			t.Errorf("%s: %v", name, texts(v.Reasons))
		}
	}
}

func texts(rs []Reason) (out []string) {
	for _, r := range rs {
		out = append(out, string(r.Kind)+": "+r.Text())
	}
	return out
}

// The last covered day ends at midnight of the depot, not of Greenwich.
func TestLastDayInTheDepotsZone(t *testing.T) {
	d := sound()
	d.Depot.Zone = "America/Denver"
	d.Lines[0].Due = date("2026-11-25")
	if v := Assess(d, days("2026-11-25 15:00", "2026-11-26 07:00"), asked); !v.Fit {
		t.Errorf("to midnight in Denver: %v", texts(v.Reasons))
	}
	if v := Assess(d, days("2026-11-25 15:00", "2026-11-26 07:01"), asked); v.Fit {
		t.Error("a minute past midnight in Denver is still covered")
	}
}

func TestPowerLossCountsFromTheLastGoodSighting(t *testing.T) {
	d := sound()
	s := d.Power[chargerID]
	s.Facts = append(s.Facts, happened(12, "2026-11-21 09:00", PowerSeen{true}), happened(13, "2026-11-23 09:00", PowerSeen{false}))
	d.Power[chargerID] = s
	if v := Assess(d, two, asked); !v.Fit {
		t.Errorf("exactly three days after power was last good: %v", texts(v.Reasons))
	}
	if v := Assess(d, days("2026-11-24 09:01", "2026-11-25 09:00"), asked); v.Fit {
		t.Error("three days and a minute after power was last good the unit still counts as full")
	}
	if by := Assess(d, two, asked).FullBy; !by.Equal(moment("2026-12-19 09:00")) {
		t.Errorf("full by %v, want 28 days after power was last good", by)
	}
}

func TestAsKnownAt(t *testing.T) {
	late := happened(20, "2026-11-20 09:00", Held{Reason: "dropped"})
	late.Entered = moment("2026-11-24 12:00")
	d := with(sound(), late, happened(21, "2026-11-24 15:00", Retracted{drawID(20), "another unit"}))
	d.Lines[0].Entered = moment("2026-11-24 08:00")
	for at, want := range map[string]State{"2026-11-24 07:00": StateNotFit, "2026-11-24 08:10": StateFit, "2026-11-24 12:00": StateHeld, "2026-11-24 15:00": StateFit} {
		if v := Assess(d, two, moment(at)); v.State != want {
			t.Errorf("as known at %s: %q, want %q (%v)", at, v.State, want, texts(v.Reasons))
		}
	}
	if !late.Late(time.Hour) {
		t.Error("an entry three days late is not marked late")
	}
}

func TestStates(t *testing.T) {
	soon := sound()
	soon.Lines[0].Due = date("2026-12-24")
	if v := Assess(soon, two, asked); v.State != StateDueSoon || !v.Fit {
		t.Errorf("30 days before its end: %q", v.State)
	}
	if v := AssessSoon(soon, two, asked, 29); v.State != StateFit {
		t.Errorf("asked for 29 days: %q", v.State)
	}
	out := with(soon, happened(20, "2026-11-23 09:00", Custody{State: Out, Due: moment("2026-11-26 09:00")}))
	if v := AssessSoon(out, two, asked, 10); v.State != StateOut {
		t.Errorf("out: %q", v.State)
	}
	out = with(out, happened(21, "2026-11-23 18:00", Worn{Wear: drawID(220), Minutes: 400}))
	if v := AssessSoon(out, two, asked, 10); v.State != StateOut {
		t.Errorf("out with the day's data in it: %q", v.State)
	}
}

func TestContradictionsStandAndAreNamed(t *testing.T) {
	for want, d := range map[string]Dossier{
		"Two places at once, Fri 20 Nov, 09:00 GMT: in depot and lost.":        with(sound(), happened(20, "2026-11-20 09:00", Custody{State: InDepot}), happened(21, "2026-11-20 09:00", Custody{State: Lost})),
		"Handed out Sat 21 Nov, 09:00 GMT while still out on another booking.": with(sound(), happened(20, "2026-11-20 09:00", Custody{State: Out, Booking: drawID(230)}), happened(21, "2026-11-21 09:00", Custody{State: Out, Booking: drawID(231)})),
		"out Sat 21 Nov, 09:00 GMT, after it was retired.":                     with(sound(), happened(20, "2026-11-20 09:00", Custody{State: Retired}), happened(21, "2026-11-21 09:00", Custody{State: Out})),
		"On two chargers at once, Fri 20 Nov, 09:00 GMT.":                      with(sound(), happened(20, "2026-11-20 09:00", ChargeOn{chargerID, 5})),
		"Put on charge Fri 20 Nov, 09:00 GMT, inside a wear.":                  with(sound(), happened(20, "2026-11-20 12:00", Worn{Wear: drawID(220), Minutes: 480})),
		"Return accepted Fri 20 Nov, 10:00 GMT, before the wear ended.":        with(sound(), happened(20, "2026-11-20 10:00", ReturnAccepted{drawID(220)}), happened(21, "2026-11-20 12:00", Worn{Wear: drawID(220), Minutes: 60})),
		"Worn while away: at laboratory since Fri 20 Nov, 10:00 GMT.":          with(sound(), happened(20, "2026-11-20 10:00", Custody{State: AtLaboratory}), happened(21, "2026-11-20 12:00", Worn{Wear: drawID(220), Minutes: 60})),
		"Signed off Fri 20 Nov, 10:00 GMT, but no such hold stood then.":       with(sound(), happened(20, "2026-11-20 10:00", SignedOff{Hold: drawID(99)})),
	} {
		v := Assess(d, two, asked)
		if len(v.Contra) != 1 || v.Contra[0] != want {
			t.Errorf("contradictions %q, want %q", v.Contra, want)
		}
	}
	d := sound()
	d.Lines = append(d.Lines, Line{ID: drawID(242), Number: "LK-2", Calibrated: date("2026-06-12"), Due: date("2027-06-11"), Verdict: Fail})
	if v := Assess(d, two, asked); v.Fit || len(v.Contra) != 1 {
		t.Errorf("two verdicts of one day: fit %v, %q", v.Fit, v.Contra)
	}
	if v := Assess(sound(), two, asked); len(v.Contra) != 0 {
		t.Errorf("a sound unit contradicts itself: %q", v.Contra)
	}
}

// ISO/IEC 17025:2017, 7.8.4.3 leaves the interval to the owner; both ways of counting are common practice, no source.
func TestDueDate(t *testing.T) {
	for _, c := range []struct {
		calibrated string
		months     int
		rule       DueRule
		want       string
	}{
		{"2026-06-12", 12, Anniversary, "2027-06-11"},
		{"2026-06-12", 12, MonthEnd, "2027-06-30"},
		{"2026-06-12", 24, Anniversary, "2028-06-11"},
		{"2028-02-29", 12, Anniversary, "2029-02-27"},
		{"2026-08-31", 6, Anniversary, "2027-02-27"},
		{"2026-08-31", 6, MonthEnd, "2027-02-28"},
		{"2026-01-01", 12, Anniversary, "2026-12-31"},
		{"2026-06-12", 0, Anniversary, ""},
	} {
		if got := DueDate(date(c.calibrated), c.months, c.rule); got.String() != c.want {
			t.Errorf("%s + %d months by %s: %s, want %s", c.calibrated, c.months, c.rule, got, c.want)
		}
	}
}

func TestKitIsFitWhenAllItsUnitsAre(t *testing.T) {
	k := Kit{ID: drawID(60), Code: "K-03"}
	bad := with(sound(), happened(20, "2026-11-19 09:00", Held{Reason: "drift"}))
	bad.Unit.ID, bad.Unit.Tag = drawID(61), "C-002"
	if v := AssessKit(k, []Dossier{sound(), sound()}, two, asked); !v.Fit || v.State != StateFit || v.Blocked() {
		t.Errorf("two fit units: %+v", v)
	}
	v := AssessKit(k, []Dossier{sound(), bad}, two, asked)
	if v.Fit || v.State != StateHeld || !v.Blocked() || v.Members[0].Tag != "C-002" || len(v.Members[0].Verdict.Reasons) == 0 {
		t.Errorf("one held back: %+v", v)
	}
	if v := AssessKit(k, nil, two, asked); v.Fit || !v.Blocked() || v.Reasons[0].Text() != "Kit K-03 holds no units then." {
		t.Errorf("empty kit: %+v", v)
	}
}

func TestCompositionIsDated(t *testing.T) {
	k := drawID(60)
	all := []Membership{
		{Kit: k, Unit: drawID(1), From: moment("2026-01-01 00:00")},
		{Kit: k, Unit: drawID(2), From: moment("2026-01-01 00:00"), To: moment("2026-05-12 12:00"), Ended: moment("2026-06-01 00:00")},
		{Kit: k, Unit: drawID(3), From: moment("2026-05-12 12:00"), Entered: moment("2026-06-01 00:00")},
		{Kit: drawID(61), Unit: drawID(4), From: moment("2026-01-01 00:00")},
	}
	units := func(from, at string) []ident.ID {
		u, _ := Composition(all, k, days(from, "2026-12-31 00:00"), moment(at))
		return u
	}
	if got := units("2026-05-12 11:59", "2026-07-01 00:00"); !slices.Equal(got, []ident.ID{drawID(1), drawID(2)}) {
		t.Errorf("a minute before the change: %v", got)
	}
	if got := units("2026-05-12 12:00", "2026-07-01 00:00"); !slices.Equal(got, []ident.ID{drawID(1), drawID(3)}) {
		t.Errorf("at the change: %v", got)
	}
	if got := units("2026-05-12 12:00", "2026-05-20 00:00"); !slices.Equal(got, []ident.ID{drawID(1), drawID(2)}) {
		t.Errorf("at the change, as known before it was entered: %v", got)
	}
	if _, changes := Composition(all, k, days("2026-05-01 00:00", "2026-05-30 00:00"), moment("2026-07-01 00:00")); len(changes) != 1 {
		t.Errorf("changes inside the span: %v", changes)
	}
}

func TestMemoryAndClearing(t *testing.T) {
	w1, w2 := drawID(220), drawID(221)
	d := with(sound(), happened(19, "2026-11-19 18:00", Worn{Wear: w1, Minutes: 480}), happened(20, "2026-11-20 08:00", Worn{Wear: w2, Minutes: 60}), happened(21, "2026-11-21 08:00", ReturnAccepted{w1}))
	if got := Unread(d, asked, asked); !slices.Equal(got, []ident.ID{w2}) {
		t.Errorf("unread %v", got)
	}
	d = with(d, happened(22, "2026-11-22 08:00", Cleared{Reason: "memory needed"}))
	if got := ClearedUnread(d, asked); !slices.Equal(got, []ident.ID{w2}) {
		t.Errorf("cleared unread %v", got)
	}
	d = with(d, happened(23, "2026-11-23 08:00", ReturnAccepted{w2}))
	if got := ClearedUnread(d, asked); len(got) != 0 {
		t.Errorf("the return came from an earlier reading, yet %v counts as lost", got)
	}
}

func TestWallHidesNames(t *testing.T) {
	client := drawID(70)
	d := with(sound(), happened(20, "2026-11-23 09:00", Custody{State: Out, Holder: "N. Faye", Booking: drawID(230), Client: client, Due: moment("2026-11-24 12:00")}))
	d.Promises = []Promise{{Booking: drawID(231), Client: client, Span: days("2026-11-25 08:00", "2026-11-26 08:00"), Label: "Quillon survey"}}
	none := func(c ident.ID) bool { return c.IsZero() }
	p := NewPool([]Dossier{d}, asked).View(none)
	v, _ := p.Verdict(unitID, two, asked, SoonDays)
	seen, _ := p.Dossier(unitID)
	for _, verdict := range []Verdict{v, Assess(d.Behind(none), two, asked), Assess(seen, two, asked)} {
		all := strings.Join(texts(verdict.Reasons), " ")
		if strings.Contains(all, "Faye") || strings.Contains(all, "Quillon") || !strings.Contains(all, "Promised until Thu 26 Nov, 08:00 GMT.") || !strings.Contains(all, "Out; back Tue 24 Nov, 12:00 GMT.") {
			t.Errorf("across the wall: %s", all)
		}
		for _, r := range verdict.Reasons {
			if slices.ContainsFunc(r.Evidence, func(e Evidence) bool { return e.Noun == "booking" }) {
				t.Errorf("across the wall a booking is named: %v", r.Evidence)
			}
		}
	}
	d.Unit.Client = client
	if NewPool([]Dossier{d}, asked).View(none).Len() != 0 {
		t.Error("a client's unit is seen across the wall")
	}
}

func TestTags(t *testing.T) {
	if FoldTag("d-014 ") != FoldTag("D-014") || FoldTag("Stra\u00dfe") != FoldTag("STRASSE") || FoldTag("e\u0301") != FoldTag("\u00c9") {
		t.Error("tags that differ only in case or composition count as different")
	}
	tags := []string{"D-100", "d-9", "C-1", "D-10", "D-009a"}
	slices.SortFunc(tags, CompareTags)
	if got := strings.Join(tags, " "); got != "C-1 d-9 D-009a D-10 D-100" {
		t.Errorf("order %s", got)
	}
}

func TestWhereabouts(t *testing.T) {
	d := sound()
	d.Unit.Depot = drawID(50)
	if p := Whereabouts(d, asked, asked); p.State != InDepot || p.Tag != "N-1" || p.Position != 4 || p.Depot != drawID(50) {
		t.Errorf("on the charger: %+v", p)
	}
	d = with(d, happened(20, "2026-11-23 09:00", Custody{State: Out, Holder: "N. Faye"}))
	if p := Whereabouts(d, asked, asked); p.State != Out || !p.Charger.IsZero() || p.Holder != "N. Faye" {
		t.Errorf("out: %+v", p)
	}
	if p := Whereabouts(d, moment("2026-11-22 00:00"), asked); p.State != InDepot {
		t.Errorf("the day before: %+v", p)
	}
}

func TestEverySentenceSpeaksInTheHouseVoice(t *testing.T) {
	for _, f := range Forms() {
		text := strings.ToLower(sentences[f])
		for _, word := range []string{"invalid", "oops", "please", "successfully", "!"} {
			if strings.Contains(text, word) {
				t.Errorf("%s: %q says %q", f, text, word)
			}
		}
	}
	if got := fill("promise", map[string]string{"label": "{until}", "until": "T"}); got != "Promised to {until} until T." {
		t.Errorf("a value with braces was filled again: %q", got)
	}
}
