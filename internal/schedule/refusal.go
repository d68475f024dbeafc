package schedule

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// UnitReasons says of one unit why it cannot be promised, or what is known to be open.
type UnitReasons struct {
	Unit    ident.ID       `json:"unit"`
	Tag     string         `json:"tag"`
	Reasons []fleet.Reason `json:"reasons"`
}

// Refusal is the desk's no: why, unit by unit, and what it could promise instead. It is an error and wraps a fault.
type Refusal struct {
	Code         fault.Code    // fault.BookingRefused or fault.HandOutRefused
	Asked        string        // "kit K-1", "4 dosimeters and a calibrator"
	Free         int           // asked by number: dosimeters that could be had
	Wanted       int           // asked by number: dosimeters
	Clashes      []civil.Date  // series: starts of the visits that cannot be served
	Reasons      []UnitReasons //
	Alternatives []Alternative // each could be booked when the refusal was made
	when         string
}

// Alternative is something the desk could promise instead.
type Alternative struct {
	From, To   time.Time // first start and last end, without lead and lag
	Depot      ident.ID  // start depot
	Kit        ident.ID  // for a kit; zero otherwise
	Unit       ident.ID  // for a named unit; zero otherwise
	Dosimeters int       // for a number; zero otherwise
	Text       string    // "on Fri 13 Nov 2026, 08:00 to 16:00 (Europe/Berlin)"
	Wish       Wish      // what to book to get it
}

// shownUnits bounds how many units a sentence names.
const shownUnits = 3

// Error gives the sentence.
func (r *Refusal) Error() string { return r.fault().Error() }

// Unwrap gives the fault, for its kind and code.
func (r *Refusal) Unwrap() error { return r.fault() }

// Sentence says it for people in one paragraph: what cannot be had, why, and what could.
func (r *Refusal) Sentence() string { return r.fault().Sentence() }

func (r *Refusal) fault() *fault.Error {
	f := fault.New(r.Code, "what", r.what(), "why", r.why(), "instead", r.instead())
	for _, u := range r.Reasons {
		f.At(u.Tag, sentences(u.Reasons))
	}
	return f
}

func (r *Refusal) what() string { return r.Asked + r.when }

func (r *Refusal) why() string {
	var parts []string
	if r.Wanted > 0 {
		parts = append(parts, fmt.Sprintf("%d of %d dosimeters can be had", r.Free, r.Wanted))
	}
	if len(r.Clashes) > 0 {
		days := make([]string, len(r.Clashes))
		for i, d := range r.Clashes {
			days[i] = d.Start(time.UTC).Format(dayForm)
		}
		parts = append(parts, "not on "+strings.Join(days, " or "))
	}
	for i, u := range r.Reasons {
		if i == shownUnits {
			parts = append(parts, fmt.Sprintf("and %d more units", len(r.Reasons)-i))
			break
		}
		parts = append(parts, u.Tag+": "+strings.TrimSuffix(sentences(u.Reasons), "."))
	}
	if len(parts) == 0 {
		parts = append(parts, "there is no such unit in the depot")
	}
	return strings.Join(parts, "; ")
}

func (r *Refusal) instead() string {
	if len(r.Alternatives) == 0 {
		return "Nothing near to it can be promised; ask for fewer units or another week."
	}
	texts := make([]string, len(r.Alternatives))
	for i, a := range r.Alternatives {
		texts[i] = a.Text
	}
	return "Could be booked: " + strings.Join(texts, "; ") + "."
}

func sentences(reasons []fleet.Reason) string {
	texts := make([]string, len(reasons))
	for i, r := range reasons {
		texts[i] = r.Text()
	}
	return strings.Join(slices.Compact(texts), " ")
}

// asked names what a booking asks for.
func asked(a Ask, kit, tag string) string {
	switch {
	case !a.Kit.IsZero():
		return "kit " + kit
	case !a.Unit.IsZero():
		return "unit " + tag
	case a.Calibrator:
		return count(a.Dosimeters) + " and a calibrator"
	}
	return count(a.Dosimeters)
}

func count(n int) string {
	if n == 1 {
		return "1 dosimeter"
	}
	return fmt.Sprintf("%d dosimeters", n)
}

// dayForm and timeForm are how sentences show moments.
const (
	dayForm  = "Mon 2 Jan 2006"
	timeForm = "15:04"
)

// between shows one visit, or a series of visits, on the depot's clock.
func between(span fleet.Span, visits int, zoneName string) string {
	loc, err := zone(zoneName)
	if err != nil {
		loc, zoneName = time.UTC, "UTC"
	}
	from, to := span.From.In(loc), span.To.In(loc)
	text := "from " + from.Format(dayForm+", "+timeForm) + " to " + to.Format(dayForm+", "+timeForm)
	if civil.Of(from) == civil.Of(to) {
		text = "on " + from.Format(dayForm+", "+timeForm) + " to " + to.Format(timeForm)
	}
	if visits > 1 {
		text = fmt.Sprintf("for %d visits %s", visits, text)
	}
	return text + " (" + zoneName + ")"
}
