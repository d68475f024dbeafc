package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/web/look"
	"kitd/web/when"
)

// Ledger is what the page of reminders needs; *notify.Ledger says what each does.
type Ledger interface {
	Lapsing(ctx context.Context, who access.Actor, until civil.Date) ([]notify.Standing, error)
	Outbox(ctx context.Context, who access.Actor, limit int) ([]notify.Message, error)
	Listeners(ctx context.Context, who access.Actor) ([]notify.Recipient, error)
	Requeue(ctx context.Context, who access.Actor, id ident.ID) (notify.Message, error)
}

var _ Ledger = (*notify.Ledger)(nil)

// reminderRoutes tell what lapses and who was told.
func reminderRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/reminders", Need: AnyAccount, Handle: (*Server).remindersPage, Screen: "Reminders"},
		{Method: "POST", Path: "/reminders/messages/:id/requeue", Need: FromCoordinator, Handle: (*Server).requeue},
	}
}

// Bounds of the page.
const (
	lapseDays    = 60  // looked ahead when nobody asks otherwise: as far as the first announcement
	mostLapses   = 300 // rows
	mostMessages = 100 // rows
)

// remindersPage is what lapses, and what was told of it.
type remindersPage struct {
	look.Frame
	Token      string
	Lead, Rest string
	Form       *form
	Until      string
	Lapses     []lapseRow
	More       int // lapses beyond those listed
	Keeps      bool
	To         string // who is told
	Nobody     bool
	Messages   []messageRow
}

// lapseRow is a certificate that ends.
type lapseRow struct {
	Ends, In          string
	Tag, Href         string
	Kind, Depot       string
	Certificate       string
	Breaks            []look.Link
	Told, Next        string
	Over, BreaksCount bool
}

// messageRow is a mail of the outbox.
type messageRow struct {
	State, Mark, Class    string
	To, Address           string
	Subject               string
	Written, Moved        string
	Attempts              string
	Unknown               bool
	Error, Requeue, Label string
}

func (s *Server) remindersPage(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	f := newForm(c.QueryParams())
	t := teller{at, s.Now(), at.zone(ident.ID{})}
	f.or("until", when.Full(t.today().AddDays(lapseDays)))
	until := f.day("until", t.today(), when.Ahead, true)
	p := remindersPage{Frame: s.frame(c, "Reminders", "reminders"), Token: s.formToken(c), Form: f, Keeps: actor(c).Keeps()}
	p.Place = at.names()
	if !f.ok() {
		p.Lead = "No day to answer for."
		return s.render(c, http.StatusUnprocessableEntity, remindersView(p))
	}
	p.Until = when.Day(until, t.today())
	all, err := s.Ledger.Lapsing(ctx(c), actor(c), until)
	if err != nil {
		return err
	}
	p.fill(t, all)
	if p.Keeps {
		if err := s.fillOutbox(c, &p, t); err != nil {
			return err
		}
	}
	return s.render(c, http.StatusOK, remindersView(p))
}

// fill puts what lapses into rows and the answer.
func (p *remindersPage) fill(t teller, all []notify.Standing) {
	over, broken := 0, 0
	for i, x := range all {
		row := t.lapseRow(x)
		if row.Over {
			over++
		}
		if len(x.Breaks) > 0 {
			broken++
		}
		if i < mostLapses {
			p.Lapses = append(p.Lapses, row)
		}
	}
	p.More = max(len(all)-mostLapses, 0)
	if len(all) == 0 {
		p.Lead, p.Rest = "No certificate ends by "+p.Until+".", ""
		return
	}
	p.Lead = capital(count(len(all), "certificate ends", "certificates end")) + " by " + p.Until + "."
	if over > 0 {
		p.Rest += capital(count(over, "is over already", "are over already")) + ". "
	}
	if broken > 0 {
		p.Rest += capital(count(broken, "breaks bookings", "break bookings")) + "."
	} else {
		p.Rest += "No booking reaches beyond them."
	}
}

func (t teller) lapseRow(x notify.Standing) lapseRow {
	loc := x.Zone
	if loc == nil {
		loc = t.loc
	}
	today := civil.Of(t.now.In(loc))
	row := lapseRow{Ends: when.Day(x.Due, today), In: inDays(today.DaysUntil(x.Due)), Tag: x.Tag, Href: unitPath(x.Tag), Kind: string(x.Kind), Depot: x.DepotName,
		Certificate: x.Certificate, Told: toldText(x.Told), Next: "–", Over: x.Due.Before(today)}
	if !x.Next.IsZero() {
		row.Next = when.Moment(x.Next, t.now, loc)
	}
	for _, b := range x.Breaks {
		l := look.Link{Text: "promised until " + when.Moment(b.Span.To, t.now, loc)}
		if b.Label != "" {
			l = look.Link{Href: bookingPath(b.Booking), Text: b.Label + ", " + when.Span(b.Span.From, b.Span.To, t.now, loc)}
		}
		row.Breaks = append(row.Breaks, l)
	}
	return row
}

// inDays says how far a day is.
func inDays(n int) string {
	switch {
	case n == 0:
		return "today"
	case n == 1:
		return "tomorrow"
	case n == -1:
		return "yesterday"
	case n < 0:
		return count(-n, "day", "days") + " ago"
	}
	return "in " + count(n, "day", "days")
}

// toldText says which announcements were made.
func toldText(steps []int) string {
	if len(steps) == 0 {
		return "not yet"
	}
	switch last := steps[len(steps)-1]; {
	case last == 0:
		return count(len(steps), "time", "times") + ", last on the day"
	case last > 0:
		return count(len(steps), "time", "times") + ", last " + count(last, "day", "days") + " after"
	default:
		return count(len(steps), "time", "times") + ", last " + count(-last, "day", "days") + " before"
	}
}

func (s *Server) fillOutbox(c echo.Context, p *remindersPage, t teller) error {
	to, err := s.Ledger.Listeners(ctx(c), actor(c))
	if err != nil {
		return err
	}
	var names []string
	for _, r := range to {
		names = append(names, strings.TrimSpace(r.Name+" <"+r.Address+">"))
	}
	p.To, p.Nobody = strings.Join(names, ", "), len(names) == 0
	messages, err := s.Ledger.Outbox(ctx(c), actor(c), mostMessages)
	dead := 0
	for _, m := range messages {
		p.Messages = append(p.Messages, t.messageRow(m))
		if m.State == notify.Dead {
			dead++
		}
	}
	if dead > 0 {
		p.Rest += " " + capital(count(dead, "message", "messages")) + " could not be delivered."
	}
	return err
}

func (t teller) messageRow(m notify.Message) messageRow {
	row := messageRow{To: m.ToName, Address: m.To, Subject: m.Subject, Written: t.moment(m.Created), Attempts: itoa(m.Attempts), Error: m.LastError, Moved: "–"}
	if m.Unknown > 0 {
		row.Attempts, row.Unknown = count(m.Attempts, "attempt", "attempts")+", "+itoa(m.Unknown)+" of unknown outcome", true
	}
	switch m.State {
	case notify.Sent:
		row.State, row.Mark, row.Class, row.Moved = "sent", "fit", "state quiet", t.moment(m.Settled)
	case notify.Dead:
		row.State, row.Mark, row.Class, row.Moved = "not delivered", "notfit", "state look", t.moment(m.Settled)
		row.Requeue, row.Label = "/reminders/messages/"+m.ID.String()+"/requeue", "Queue again for "+m.To
	case notify.Sending:
		row.State, row.Mark, row.Class = "being sent", "out", "state away"
	default:
		row.State, row.Mark, row.Class = "waits", "out", "state away"
		if m.NotBefore.After(t.now.Add(time.Minute)) {
			row.Moved = "next " + t.moment(m.NotBefore)
		}
	}
	return row
}

// requeue puts a dead letter back into the queue.
func (s *Server) requeue(c echo.Context) error {
	id, err := idParam(c, "id", "message")
	if err != nil {
		return err
	}
	m, err := s.Ledger.Requeue(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	return s.see(c, "/reminders", "The message to "+m.To+" is queued again.")
}
