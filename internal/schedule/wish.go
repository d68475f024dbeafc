package schedule

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// draft turns a wish into a booking without units, checked but not placed. old is the booking that is to be changed, nil for
// a new one. fixed are the units it names, by kit or by unit.
func (d *Desk) draft(s Store, who access.Actor, w Wish, old *Booking) (b Booking, r request, err error) {
	bad := &complaint{}
	b = Booking{
		Title: strings.TrimSpace(w.Title), Client: w.Client, Survey: w.Survey, Ask: w.Ask, StartDepot: w.StartDepot,
		EndDepot: w.EndDepot, State: Promised, Calendar: w.Calendar, Entered: d.Now().UTC(),
	}
	if old != nil {
		b.inherit(*old)
		w = old.unsaid(w)
		b.StartDepot, b.EndDepot = w.StartDepot, w.EndDepot
	}
	d.checkText(b, bad)
	d.settleVisits(&b, w, old, bad)
	if err := bad.fault(); err != nil {
		return b, r, err
	}
	if !who.Scope.Sees(b.Client) {
		return b, r, fault.New(fault.NotThere, "noun", "client")
	}
	if err := d.settleOwner(s, who, &b, w.For); err != nil {
		return b, r, err
	}
	r, err = d.settlePlace(s, &b, bad)
	if err != nil {
		return b, r, err
	}
	d.settleTimes(&b, w, r.depot, bad)
	r.spans, r.booking, r.client = b.Spans(), b.ID, b.Client
	return b, r, bad.fault()
}

// inherit keeps what a move does not ask anew.
func (b *Booking) inherit(old Booking) {
	b.ID, b.Version, b.Number, b.Entered = old.ID, old.Version, old.Number, old.Entered
	b.Owner, b.OwnerName, b.State = old.Owner, old.OwnerName, old.State
	if b.Calendar.UID == "" {
		b.Calendar.UID = old.Calendar.UID
	}
	if b.Calendar.Name == "" {
		b.Calendar.Name = old.Calendar.Name
	}
}

// unsaid fills in what a wish to move leaves open: lead and lag stay, and so do the depots while the same thing is asked for.
func (b Booking) unsaid(w Wish) Wish {
	if w.Lead == nil {
		w.Lead = &b.Lead
	}
	if w.Lag == nil {
		w.Lag = &b.Lag
	}
	if w.StartDepot.IsZero() && w.Ask.Kit == b.Ask.Kit && w.Ask.Unit == b.Ask.Unit {
		w.StartDepot = b.StartDepot
	}
	if w.EndDepot.IsZero() && w.StartDepot == b.StartDepot {
		w.EndDepot = b.EndDepot
	}
	return w
}

// complaint collects what is wrong with a wish, so that a form can show all of it at once.
type complaint struct{ fields []fault.Field }

func (c *complaint) at(path, format string, args ...any) {
	c.fields = append(c.fields, fault.Field{Path: path, Text: fmt.Sprintf(format, args...)})
}

// fault gives the complaint as one fault, nil when there is none; the sentence carries the first of them.
func (c *complaint) fault() error {
	if len(c.fields) == 0 {
		return nil
	}
	f := fault.New(fault.BadInput, "what", c.fields[0].Text)
	f.Fields = c.fields
	return f
}

func (d *Desk) checkText(b Booking, bad *complaint) {
	limits := d.rules().Limits
	if !utf8.ValidString(b.Title) || strings.ContainsFunc(b.Title, unicode.IsControl) {
		bad.at("/title", "the title holds bytes or control characters that are no text; write it on one line")
	}
	if utf8.RuneCountInString(b.Title) > limits.Title {
		bad.at("/title", "the title is longer than %d characters; shorten it", limits.Title)
	}
	if len(b.Calendar.Raw) > limits.Raw {
		bad.at("/calendar/raw", "the calendar object is larger than %d bytes; leave attachments out", limits.Raw)
	}
	if len(b.Calendar.UID) > 255 || len(b.Calendar.Name) > 255 {
		bad.at("/calendar/uid", "the calendar object's UID or name is longer than 255 bytes")
	}
	a := b.Ask
	kinds := 0
	for _, asked := range []bool{!a.Kit.IsZero(), !a.Unit.IsZero(), a.Dosimeters != 0} {
		if asked {
			kinds++
		}
	}
	switch {
	case kinds != 1:
		bad.at("/ask", "ask for exactly one of a kit, a unit, or a number of dosimeters")
	case a.Dosimeters < 0 || a.Dosimeters > limits.Dosimeters:
		bad.at("/ask/dosimeters", "the number of dosimeters must lie between 1 and %d", limits.Dosimeters)
	case a.Calibrator && a.Dosimeters == 0:
		bad.at("/ask/calibrator", "a calibrator goes with a number of dosimeters; a kit brings its own")
	}
}

// settleVisits joins local times and instants of every visit and checks their order.
func (d *Desk) settleVisits(b *Booking, w Wish, old *Booking, bad *complaint) {
	limits := d.rules().Limits
	if n := len(w.Occurrences); n == 0 || n > limits.Occurrences {
		bad.at("/occurrences", "a booking has between 1 and %d visits, this one has %d", limits.Occurrences, n)
		return
	}
	for i, o := range w.Occurrences {
		path := fmt.Sprintf("/occurrences/%d", i)
		var errFrom, errTo error
		o.FromCivil, o.Span.From, errFrom = settleEnd(o.FromCivil, o.Span.From)
		o.ToCivil, o.Span.To, errTo = settleEnd(o.ToCivil, o.Span.To)
		if errFrom != nil {
			bad.at(path+"/from", "the start %s %v", o.FromCivil.Local, errFrom)
		}
		if errTo != nil {
			bad.at(path+"/to", "the end %s %v", o.ToCivil.Local, errTo)
		}
		if errFrom == nil && errTo == nil {
			d.checkVisit(o, path, bad)
		}
		b.Occurrences = append(b.Occurrences, o)
	}
	if len(bad.fields) == 0 {
		d.checkSeries(b, old, bad)
	}
}

func (d *Desk) checkVisit(o Occurrence, path string, bad *complaint) {
	limits := d.rules().Limits
	switch {
	case !o.Span.Valid():
		bad.at(path+"/to", "the end %s is not after the start %s; choose a later end", o.ToCivil.said(), o.FromCivil.said())
	case o.Span.To.Sub(o.Span.From) > limits.Visit:
		bad.at(path+"/to", "one visit lasts at most %d days", int(limits.Visit/(24*time.Hour)))
	case o.Span.To.After(d.Now().Add(limits.Ahead)):
		bad.at(path+"/to", "the end %s lies more than %d days ahead; book nearer to the time", o.ToCivil.said(), int(limits.Ahead/(24*time.Hour)))
	}
}

// said shows a wall-clock time in a sentence.
func (c Civil) said() string { return strings.Replace(c.Local, "T", " ", 1) + " " + c.Zone }

func (d *Desk) checkSeries(b *Booking, old *Booking, bad *complaint) {
	limits := d.rules().Limits
	slices.SortStableFunc(b.Occurrences, func(x, y Occurrence) int { return x.Span.From.Compare(y.Span.From) })
	for i := 1; i < len(b.Occurrences); i++ {
		if b.Occurrences[i].Span.From.Before(b.Occurrences[i-1].Span.To) {
			bad.at("/occurrences", "the visits starting %s and %s overlap; make them one or move one",
				b.Occurrences[i-1].FromCivil.said(), b.Occurrences[i].FromCivil.said())
		}
	}
	first, last := b.Occurrences[0].Span.From, b.Occurrences[len(b.Occurrences)-1].Span.To
	if last.Sub(first) > limits.Series {
		bad.at("/occurrences", "a series lasts at most %d days; book the rest later", int(limits.Series/(24*time.Hour)))
	}
	begun := old != nil && old.Occurrences[0].Span.From.Equal(first) && last.After(d.Now())
	if first.Before(d.Now().Add(-limits.Past)) && !begun {
		bad.at("/occurrences/0/from", "the start %s is past; choose a later one", b.Occurrences[0].FromCivil.said())
	}
}

// settleOwner: people book for themselves; those who keep the pool book for others too.
func (d *Desk) settleOwner(s Store, who access.Actor, b *Booking, wanted ident.ID) error {
	if b.Owner.IsZero() {
		b.Owner, b.OwnerName = who.Account, who.Name
	}
	if wanted.IsZero() || wanted == b.Owner {
		if b.Owner.IsZero() {
			return fault.New(fault.BadInput, "what", "say for whom the booking is").At("/for", "is missing")
		}
		return nil
	}
	if !who.Keeps() {
		return fault.New(fault.NotAllowed, "what", "book for somebody else")
	}
	name, err := s.AccountName(wanted)
	b.Owner, b.OwnerName = wanted, name
	return err
}

// settlePlace finds the named units and the depots.
func (d *Desk) settlePlace(s Store, b *Booking, bad *complaint) (r request, err error) {
	start := b.Occurrences[0].Span.From
	var home ident.ID
	switch {
	case !b.Ask.Kit.IsZero():
		kit, err := s.Kit(b.Ask.Kit)
		if err != nil {
			return r, err
		}
		home = kit.Depot
		if r.fixed, err = s.KitUnits(kit.ID, start); err != nil {
			return r, err
		}
		if len(r.fixed) == 0 {
			bad.at("/ask/kit", "kit %s is empty at that time; put units into it first", kit.Code)
		}
	case !b.Ask.Unit.IsZero():
		unit, err := s.UnitByID(b.Ask.Unit)
		if err != nil {
			return r, err
		}
		home, r.fixed = unit.Depot, []ident.ID{unit.ID}
	default:
		r.dosimeters, r.calibrator = b.Ask.Dosimeters, b.Ask.Calibrator
	}
	return r, d.settleDepots(s, b, &r, home, bad)
}

func (d *Desk) settleDepots(s Store, b *Booking, r *request, home ident.ID, bad *complaint) error {
	depots, err := s.Depots()
	if err != nil {
		return err
	}
	if b.StartDepot.IsZero() {
		b.StartDepot = home
	}
	if b.StartDepot.IsZero() && len(depots) == 1 {
		b.StartDepot = depots[0].ID
	}
	if b.EndDepot.IsZero() {
		b.EndDepot = b.StartDepot
	}
	if b.StartDepot.IsZero() {
		bad.at("/start_depot", "say from which depot the dosimeters are taken")
		return nil
	}
	find := func(id ident.ID) (fleet.Depot, bool) {
		i := slices.IndexFunc(depots, func(x fleet.Depot) bool { return x.ID == id })
		if i < 0 {
			return fleet.Depot{}, false
		}
		return depots[i], true
	}
	var ok bool
	if r.depot, ok = find(b.StartDepot); !ok {
		return fault.New(fault.NotThere, "noun", "depot")
	}
	if _, ok = find(b.EndDepot); !ok {
		return fault.New(fault.NotThere, "noun", "depot")
	}
	if r.end = b.EndDepot; r.end != b.StartDepot && len(b.Spans()) > 1 {
		bad.at("/end_depot", "a series ends in the depot it starts in; book the visit that ends elsewhere by itself")
	}
	return nil
}

// settleTimes fills lead and lag.
func (d *Desk) settleTimes(b *Booking, w Wish, depot fleet.Depot, bad *complaint) {
	defaults := d.rules().leadLag(depot.Code)
	b.Lead, b.Lag = defaults.Lead, defaults.Lag
	if w.Lead != nil {
		b.Lead = w.Lead.Truncate(time.Second)
	}
	if w.Lag != nil {
		b.Lag = w.Lag.Truncate(time.Second)
	}
	longest := d.rules().Limits.LeadLag
	for path, v := range map[string]time.Duration{"/lead": b.Lead, "/lag": b.Lag} {
		if v < 0 || v > longest {
			bad.at(path, "lead and lag lie between 0 and %d days", int(longest/(24*time.Hour)))
		}
	}
}

// same reports whether two bookings mean the same: what a repeated call asks for.
func same(a, b Booking) bool {
	visits := slices.EqualFunc(a.Occurrences, b.Occurrences, func(x, y Occurrence) bool {
		return x.Span.From.Equal(y.Span.From) && x.Span.To.Equal(y.Span.To) && x.FromCivil == y.FromCivil && x.ToCivil == y.ToCivil
	})
	return visits && a.Title == b.Title && a.Owner == b.Owner && a.Client == b.Client && a.Survey == b.Survey && a.Ask == b.Ask &&
		a.StartDepot == b.StartDepot && a.EndDepot == b.EndDepot && a.Lead == b.Lead && a.Lag == b.Lag &&
		a.Calendar.UID == b.Calendar.UID && (b.Calendar.Raw == nil || string(a.Calendar.Raw) == string(b.Calendar.Raw))
}

// samePlace reports whether a change leaves units and times alone, so that nothing has to be placed anew.
func samePlace(old, b Booking) bool {
	return old.Ask == b.Ask && old.Client == b.Client && old.StartDepot == b.StartDepot && old.EndDepot == b.EndDepot && sameSpans(old, b)
}

func sameSpans(a, b Booking) bool {
	return slices.EqualFunc(a.Spans(), b.Spans(), func(x, y fleet.Span) bool { return x.From.Equal(y.From) && x.To.Equal(y.To) })
}
