package itip

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ical"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// act works an invitation in: booking, thread, receipt and answer, in one transaction.
func (s *Secretary) act(st Store, c *matter) error {
	thread, known, err := s.thread(st, c)
	if err != nil {
		return err
	}
	switch {
	case c.message.Method == "REFRESH":
		return s.refresh(st, c, thread)
	case c.message.Method == "ADD" && !known:
		return s.askAgain(st, c)
	}
	next, step, err := thread.Apply(c.message, c.isUs)
	if err != nil {
		return err
	}
	switch step {
	case StepRepeat:
		return s.keep(st, c, Repeated, "this version was handled before")
	case StepLate:
		return s.keep(st, c, Late, "a newer version, or a cancellation, was handled before")
	case StepRelease:
		return s.release(st, c, next)
	}
	return s.serve(st, c, next)
}

// thread reads what is known, and keeps others out of it: who may change a booking is the desk's rule, and an invitation
// without a booking belongs to whoever sent it.
func (s *Secretary) thread(st Store, c *matter) (Thread, bool, error) {
	t, known, err := st.MailThread(c.target.ID(), c.message.UID)
	if err != nil {
		return t, known, err
	}
	if known && t.Owner != c.account.ID && !c.who.Keeps() {
		return t, known, fault.New(fault.NotAllowed, "what", "change an invitation that somebody else sent")
	}
	if !known {
		t = Thread{Target: c.target.ID(), UID: c.message.UID, Owner: c.account.ID}
	}
	return t, known, nil
}

// desk is the desk inside the transaction at hand. After an error nothing more may be written in it, so the error stays.
func (s *Secretary) desk(st Store) *schedule.Desk {
	var spoiled error
	in := func(_ context.Context, _ access.Actor, fn func(schedule.Store) error) error {
		if spoiled == nil {
			spoiled = fn(st)
		}
		return spoiled
	}
	return &schedule.Desk{Do: in, View: in, Now: s.Now, NewID: s.NewID, Rules: s.Rules}
}

// standing reads the bookings of a thread that still hold their units.
func standing(st Store, t Thread) ([]schedule.Booking, error) {
	var open []schedule.Booking
	for _, id := range t.Bookings {
		b, err := st.Booking(id)
		if err != nil {
			return nil, err
		}
		if b.Live() {
			open = append(open, b)
		}
	}
	return open, nil
}

// release cancels what stands. The organizer who cancels expects no answer (RFC 5546, 3.2.5).
func (s *Secretary) release(st Store, c *matter, next Thread) error {
	open, err := standing(st, next)
	if err != nil {
		return err
	}
	said := "nothing was promised for it"
	desk := s.desk(st)
	var gone []string
	for _, b := range open {
		if _, err := desk.Cancel(context.Background(), c.who, b.ID, b.Version, "cancelled by mail"); err != nil {
			return err
		}
		c.about(b)
		gone = append(gone, b.Label())
	}
	if len(gone) > 0 {
		said = strings.Join(gone, ", ") + " given up"
	}
	next.Bookings = nil
	if err := st.SaveMailThread(next); err != nil {
		return err
	}
	return s.keep(st, c, Cancelled, said)
}

// about notes the booking that the letter led to.
func (c *matter) about(b schedule.Booking) { c.receipt.Booking, c.receipt.Client = b.ID, b.Client }

// serve books or moves to what the thread now says.
func (s *Secretary) serve(st Store, c *matter, next Thread) error {
	open, err := standing(st, next)
	if err != nil {
		return err
	}
	got, err := s.place(st, c, next, open)
	if err != nil {
		return err
	}
	next.Bookings = nil
	for _, b := range got {
		next.Bookings = append(next.Bookings, b.ID)
	}
	c.about(got[0])
	if err := st.SaveMailThread(next); err != nil {
		return err
	}
	outcome := Booked
	if len(open) > 0 {
		outcome = Moved
	}
	said := promised(got, c.target, next.Order)
	if c.message.Method != "CANCEL" {
		if err := s.reply(st, c, accepted, said, got); err != nil {
			return err
		}
	}
	return s.keep(st, c, outcome, said)
}

// place asks the desk for what the target stands for.
func (s *Secretary) place(st Store, c *matter, t Thread, open []schedule.Booking) ([]schedule.Booking, error) {
	p := &placing{desk: s.desk(st), who: c.who, thread: t, target: c.target}
	switch {
	case c.target.Kit != nil:
		return p.single(schedule.Ask{Kit: c.target.Kit.ID}, open)
	case t.Order.Dosimeters > 0:
		return p.single(schedule.Ask{Dosimeters: t.Order.Dosimeters, Calibrator: t.Order.Calibrator}, open)
	}
	kits, err := st.Kits(c.target.Depot.ID)
	if err != nil {
		return nil, err
	}
	var codes []ident.ID
	for _, k := range kits {
		codes = append(codes, k.ID)
	}
	return p.kits(codes, open)
}

// placing is one attempt to serve a thread.
type placing struct {
	desk   *schedule.Desk
	who    access.Actor
	thread Thread
	target Target
}

// wish is what is asked for; what only kitd knows of a booking stays.
func (p *placing) wish(ask schedule.Ask, old *schedule.Booking) schedule.Wish {
	w := schedule.Wish{Title: title(p.thread.Title), Ask: ask}
	if ask.Kit.IsZero() {
		w.StartDepot = p.target.Depot.ID
	}
	if old != nil {
		w.Client, w.Survey = old.Client, old.Survey
	} else {
		w.Calendar.UID = p.thread.UID
	}
	for _, i := range p.thread.Live() {
		o := schedule.Occurrence{}
		o.Span.From, o.Span.To = i.Start, i.End
		if loc := ical.Location(i.Zone); loc != nil && i.Zone != "" {
			const local = "2006-01-02T15:04:05"
			o.FromCivil = schedule.Civil{Local: i.Start.In(loc).Format(local), Zone: i.Zone}
			o.ToCivil = schedule.Civil{Local: i.End.In(loc).Format(local), Zone: i.Zone}
		}
		w.Occurrences = append(w.Occurrences, o)
	}
	return w
}

// ask books, or moves the booking that stands.
func (p *placing) ask(a schedule.Ask, old *schedule.Booking) (schedule.Booking, error) {
	var out schedule.Outcome
	var err error
	if old != nil {
		out, err = p.desk.Move(context.Background(), p.who, old.ID, old.Version, p.wish(a, old))
	} else {
		out, err = p.desk.Book(context.Background(), p.who, p.wish(a, nil))
	}
	return out.Booking, err
}

func (p *placing) giveUp(b schedule.Booking) error {
	_, err := p.desk.Cancel(context.Background(), p.who, b.ID, b.Version, "no longer asked for by mail")
	return err
}

// single serves what one booking can.
func (p *placing) single(a schedule.Ask, open []schedule.Booking) ([]schedule.Booking, error) {
	var old *schedule.Booking
	if len(open) > 0 {
		old = &open[0]
		for _, b := range open[1:] {
			if err := p.giveUp(b); err != nil {
				return nil, err
			}
		}
	}
	b, err := p.ask(a, old)
	return []schedule.Booking{b}, err
}

// kits serves any kits of the depot: those promised already first, then by code. All or nothing.
func (p *placing) kits(all []ident.ID, open []schedule.Booking) ([]schedule.Booking, error) {
	wanted := max(p.thread.Order.Kits, 1)
	var got []schedule.Booking
	var refused *schedule.Refusal
	tried := map[ident.ID]bool{}
	for _, b := range open {
		tried[b.Ask.Kit] = true
		var err error
		moved := schedule.Booking{}
		if keep := len(got) < wanted && !b.Ask.Kit.IsZero(); keep {
			moved, err = p.ask(b.Ask, &b)
		}
		switch {
		case err == nil && moved.Version > 0:
			got = append(got, moved)
			continue
		case err != nil && !noted(err, &refused):
			return nil, err
		}
		if err := p.giveUp(b); err != nil {
			return nil, err
		}
	}
	for _, kit := range all {
		if len(got) == wanted {
			break
		}
		if tried[kit] {
			continue
		}
		b, err := p.ask(schedule.Ask{Kit: kit}, nil)
		switch {
		case err == nil:
			got = append(got, b)
		case !noted(err, &refused):
			return nil, err
		}
	}
	if len(got) < wanted {
		return nil, p.short(len(got), wanted, len(all), refused)
	}
	return got, nil
}

// noted keeps the first refusal; another error is none.
func noted(err error, first **schedule.Refusal) bool {
	var r *schedule.Refusal
	if !errors.As(err, &r) {
		return false
	}
	if *first == nil {
		*first = r
	}
	return true
}

func (p *placing) short(free, wanted, there int, refused *schedule.Refusal) error {
	why := fmt.Sprintf("it has %d kits. Ask for fewer.", there)
	if refused != nil {
		why = refused.Sentence()
	}
	return fault.New(fault.KitsShort, "free", free, "wanted", wanted, "depot", p.target.Depot.Name, "why", why)
}

// maxTitle is how many characters of a summary become the booking's title.
const maxTitle = 200

func title(summary string) string {
	text := []rune(strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, summary)))
	if len(text) > maxTitle {
		text = append(text[:maxTitle-1], '…')
	}
	return string(text)
}

// refuse answers an invitation with no. The thread remembers what the organizer's calendar shows; what was promised before
// stays, and the answer says so.
func (s *Secretary) refuse(st Store, c *matter, why error) error {
	thread, known, err := s.thread(st, c)
	foreign := fault.Is(err, fault.NotAllowed)
	if err != nil && !foreign {
		return err
	}
	said := fault.Of(why).Sentence()
	if !foreign && known {
		open, err := standing(st, thread)
		if foreign = fault.Is(err, fault.NotThere); err != nil && !foreign { // it is behind a wall
			return err
		}
		for _, b := range open {
			c.about(b)
			said += " " + b.Label() + " stays as it was: " + whenOf(b, c.target.zone()) + "."
		}
	}
	if !foreign && c.message.Trouble == nil {
		if next, step, err := thread.Apply(c.message, c.isUs); err == nil && (step == StepAsk || step == StepRelease) && c.message.Method != "CANCEL" {
			if err := st.SaveMailThread(next); err != nil {
				return err
			}
		}
	}
	switch c.message.Method {
	case "REQUEST", "ADD":
		if err := s.reply(st, c, declined, said, nil); err != nil {
			return err
		}
		return s.keep(st, c, Declined, said)
	}
	return s.explain(st, c, said)
}

// refresh says again where the matter stands (RFC 5546, 3.2.6).
func (s *Secretary) refresh(st Store, c *matter, t Thread) error {
	open, err := standing(st, t)
	if err != nil {
		return err
	}
	h := &c.message.Heads[0]
	h.Sequence = t.Master.Sequence
	status, said := declined, "Nothing is promised for this event."
	if live := t.Live(); len(live) > 0 {
		h.Start.At, h.Start.Zone, h.End.At = live[0].Start, live[0].Zone, live[0].End
	}
	if len(open) > 0 {
		status, said = accepted, promised(open, c.target, t.Order)
		c.about(open[0])
	}
	if err := s.reply(st, c, status, said, open); err != nil {
		return err
	}
	return s.keep(st, c, Refreshed, said)
}
