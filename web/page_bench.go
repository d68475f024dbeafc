package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/look"
	"kitd/web/when"
)

// benchBack and benchAhead bound the bookings a bench is told from: those that were never checked in, and what is charged for.
const (
	benchBack  = 400 * 24 * time.Hour
	benchAhead = 15 * 24 * time.Hour
)

func (s *Server) benchPage(c echo.Context) error {
	return s.showBench(c, newForm(c.QueryParams()), nil, http.StatusOK)
}

// showBench shows the work of one depot. f says which depot and, for late entries, when it happened; stop is why a step was not
// taken.
func (s *Server) showBench(c echo.Context, f *form, stop *benchStop, status int) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	p := benchPage{Frame: s.frame(c, "Bench", "bench"), Token: s.formToken(c), Form: f, Stop: stop, Books: actor(c).Books(), Actor: account(c).Display}
	if len(at.depots) == 0 {
		p.Lead = "There is no depot yet, so there is no work."
		return s.render(c, status, benchView(p))
	}
	depot := at.depotCoded(f.get("depot"))
	t := teller{at, s.Now(), depot.Location()}
	p.Depot, p.Place, p.Zone = depot.Code, depot.Name+staffedText(depot, t.today()), t.now.In(t.loc).Format("MST")
	for _, d := range at.depots {
		p.Depots = append(p.Depots, look.Count{Word: d.Name, Href: benchHref(d.Code, nil), Chosen: d.ID == depot.ID})
	}
	if then := f.moment("day", "clock", t.now, t.loc, when.Behind, false); !then.IsZero() {
		p.Then = t.moment(then)
	}
	if !f.ok() {
		status = http.StatusUnprocessableEntity
	}
	pool, bookings, err := s.benchStock(c)
	if err != nil {
		return err
	}
	b := benchTeller{teller: t, who: actor(c), depot: depot, pool: pool, bookings: bookings}
	b.fill(&p, schedule.Yard{Depot: depot, Pool: pool, Bookings: bookings, At: t.now}.Bench())
	return s.render(c, status, benchView(p))
}

// benchStock reads the pool and the bookings a bench is told from.
func (s *Server) benchStock(c echo.Context) (*fleet.Pool, []schedule.Booking, error) {
	now := s.Now()
	pool, err := s.Pool.AllUnits(ctx(c), actor(c), fleet.Span{From: now, To: now.Add(benchAhead)})
	if err != nil {
		return nil, nil, err
	}
	bookings, err := s.allBookings(c, schedule.Query{Span: fleet.Span{From: now.Add(-benchBack), To: now.Add(benchAhead)}, States: standingStates})
	if err != nil {
		return nil, nil, err
	}
	back, err := s.allBookings(c, schedule.Query{Span: fleet.Span{From: now.AddDate(0, 0, -14), To: now.AddDate(0, 0, 1)}, States: []schedule.State{schedule.Back}})
	return pool, append(bookings, back...), err
}

// allBookings reads every page of a question.
func (s *Server) allBookings(c echo.Context, q schedule.Query) ([]schedule.Booking, error) {
	var all []schedule.Booking
	q.Limit = 500
	for {
		page, err := s.Desk.List(ctx(c), actor(c), q)
		if err != nil {
			return nil, err
		}
		all = append(all, page.Bookings...)
		if page.Next == "" {
			return all, nil
		}
		q.After = page.Next
	}
}

// depotCoded is the depot of a code, the first one for none that is known.
func (p places) depotCoded(code string) fleet.Depot {
	if i := slices.IndexFunc(p.depots, func(d fleet.Depot) bool { return strings.EqualFold(d.Code, code) }); i >= 0 {
		return p.depots[i]
	}
	return p.depots[0]
}

// staffedText says when somebody is at the depot on a day.
func staffedText(d fleet.Depot, day civil.Date) string {
	text := ""
	for _, h := range d.Hours {
		if h.Weekday == day.Start(time.UTC).Weekday() {
			text += ", open " + clockText(h.From) + " to " + clockText(h.To)
		}
	}
	if text == "" && len(d.Hours) > 0 {
		return ", closed today"
	}
	return text
}

// benchHref is the address of a depot's bench, with the moment of a late entry kept.
func benchHref(code string, f *form) string {
	v := url.Values{"depot": {code}}
	if f != nil && f.get("day") != "" {
		v.Set("day", f.get("day"))
		v.Set("clock", f.get("clock"))
	}
	return "/bench?" + v.Encode()
}

// benchTeller puts a bench into words.
type benchTeller struct {
	teller
	who      access.Actor
	depot    fleet.Depot
	pool     *fleet.Pool
	bookings []schedule.Booking
}

func (b benchTeller) fill(p *benchPage, bench schedule.Bench) {
	for _, j := range bench.Jobs {
		line := b.line(j)
		line.Act.Allowed = b.mayDo(p, j)
		head := b.group(j.Due)
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Head != head {
			p.Groups = append(p.Groups, benchGroup{Head: head})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Lines = append(g.Lines, line)
		if p.Next == nil && line.Act.Allowed && line.Act.Href == "" && j.Ready {
			next := line
			p.Next = &next
		}
	}
	for _, x := range bench.Boards {
		p.Boards = append(p.Boards, b.board(x))
	}
	p.Coming, p.Done = b.coming(), b.done()
	p.Lead, p.Rest = b.answer(bench.Jobs)
}

// answer says how much there is to do and what comes next.
func (b benchTeller) answer(jobs []schedule.Job) (lead, rest string) {
	late, today := 0, 0
	end := b.today().End(b.loc)
	for _, j := range jobs {
		switch {
		case j.Due.IsZero() || !j.Due.Before(end):
		case j.Due.Before(b.now):
			late++
		default:
			today++
		}
	}
	if len(jobs) == 0 {
		return "Nothing waits at " + b.depot.Name + ".", "What is handed out, returned or comes due stands here by itself."
	}
	lead = "Nothing has to be done today"
	if late+today > 0 {
		lead = capital(count(late+today, "thing", "things")) + " to do today"
	}
	if late > 0 {
		lead += ", " + count(late, "of them late", "of them late")
	}
	lead += "."
	first := b.line(jobs[0])
	rest = "The next: " + fmt.Sprintf(benchNexts[jobs[0].Task], first.what()) + "."
	later := len(jobs) - late - today
	if late+today == 0 {
		later-- // the next one is named
	}
	if later > 0 {
		rest += " " + capital(count(later, "more can wait", "more can wait")) + "."
	}
	return lead, rest
}

// benchNexts say what comes next.
var benchNexts = map[schedule.Task]string{
	schedule.TaskHandOut: "pack %s and hand it out", schedule.TaskTakeOff: "take %s off charge", schedule.TaskPutOn: "put %s on charge",
	schedule.TaskCheckIn: "check %s in", schedule.TaskChase: "ask after %s", schedule.TaskRead: "read the data of %s", schedule.TaskClear: "clear the memory of %s",
	schedule.TaskSend: "send %s to the laboratory", schedule.TaskBringBack: "bring %s back", schedule.TaskLook: "look at %s",
}

// what names the kit or the units of a line.
func (l benchLine) what() string {
	if l.Kit != "" && l.Act.Task != string(schedule.TaskPutOn) && l.Act.Task != string(schedule.TaskTakeOff) {
		return l.Kit
	}
	return joinTags(l.Units)
}

func joinTags(units []deskUnit) string {
	tags := make([]string, 0, len(units))
	for _, u := range units {
		tags = append(tags, u.Tag)
	}
	if len(tags) > 4 {
		return strings.Join(tags[:3], ", ") + " and " + count(len(tags)-3, "more", "more")
	}
	return strings.Join(tags, ", ")
}

// group is the heading under which work due at a moment stands.
func (b benchTeller) group(due time.Time) string {
	today := b.today()
	day := civil.Of(due.In(b.loc))
	switch {
	case due.IsZero():
		return "When there is time"
	case due.Before(b.now):
		return "Late"
	case day == today:
		return "Today, " + when.Day(day, today)
	case day == today.AddDays(1):
		return "Tomorrow, " + when.Day(day, today)
	}
	return "Later"
}

// due writes by when: the time of day under a heading that names the day, else the day.
func (b benchTeller) due(due time.Time) string {
	day := civil.Of(due.In(b.loc))
	switch {
	case due.IsZero():
		return "–"
	case !day.After(b.today().AddDays(1)) && !due.Before(b.now), day == b.today():
		return when.Clock(due, b.loc)
	}
	return when.Day(day, b.today()) + ", " + when.Clock(due, b.loc)
}

// coming lists what is out and comes back in the days after tomorrow.
func (b benchTeller) coming() []promise {
	var out []promise
	from := b.today().AddDays(1).End(b.loc)
	for _, x := range b.bookings {
		if x.EndDepot != b.depot.ID || x.State != schedule.OutNow {
			continue
		}
		if end := x.Whole().To; !end.Before(from) {
			out = append(out, promise{Span: b.moment(end), Label: x.Label() + ", " + x.OwnerName, Href: bookingPath(x.ID)})
		}
	}
	return out
}

// board writes down one charger.
func (b benchTeller) board(x schedule.Board) benchBoard {
	out := benchBoard{Tag: x.Tag, Href: unitPath(x.Tag), Dark: x.Dark}
	free := 0
	for _, p := range x.Places {
		cell := benchPlace{Position: itoa(p.Position)}
		if p.Unit.IsZero() {
			free++
			out.Places = append(out.Places, cell)
			continue
		}
		cell.Unit, cell.Href = p.Tag, unitPath(p.Tag)
		cell.Since = "on " + b.short(p.Since)
		switch {
		case p.Unknown:
			cell.Unknown = true
		case p.Full:
			cell.Ready = "full"
		case !p.Ready.IsZero():
			cell.Ready = "full " + b.short(p.Ready)
		default:
			cell.Ready = "not full"
		}
		out.Places = append(out.Places, cell)
	}
	switch {
	case x.Dark:
		out.Note = "Nobody knows whether it has power: look at it."
	case len(x.Places) == 0:
		out.Note = "Its model names no places."
	default:
		out.Note = capital(count(free, "place is", "places are")) + " free."
	}
	return out
}

// short writes a moment for a narrow cell: the time today, else the day with it.
func (b benchTeller) short(t time.Time) string {
	if civil.Of(t.In(b.loc)) == b.today() {
		return when.Clock(t, b.loc)
	}
	return t.In(b.loc).Format("Mon 2, 15:04")
}

// placesOf writes places: "charger N-1, places 2 to 4", "charger N-1, place 5; charger N-2, place 1".
func placesOf(units []schedule.BenchUnit) string {
	var order []string
	at := map[string][]int{}
	for _, u := range units {
		if u.Position == 0 {
			continue
		}
		if at[u.OnTag] == nil {
			order = append(order, u.OnTag)
		}
		at[u.OnTag] = append(at[u.OnTag], u.Position)
	}
	var parts []string
	for _, tag := range order {
		n := at[tag]
		text := "charger " + tag + ", place " + itoa(n[0])
		if last := n[len(n)-1]; len(n) > 1 {
			text = "charger " + tag + ", places " + itoa(n[0])
			if last-n[0] == len(n)-1 {
				text += " to " + itoa(last)
			} else {
				for _, k := range n[1:] {
					text += ", " + itoa(k)
				}
			}
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// readIDs reads identifiers out of a field that is sent several times.
func readIDs(values []string) ([]ident.ID, bool) {
	out := make([]ident.ID, 0, len(values))
	for _, v := range values {
		id, err := ident.Parse(v)
		if err != nil {
			return nil, false
		}
		out = append(out, id)
	}
	return out, true
}
