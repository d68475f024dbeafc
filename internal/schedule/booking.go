// Package schedule is the desk: bookings asked for, promised, moved and cancelled, with no unit ever promised twice.
package schedule

import (
	"strconv"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// State is where a booking stands.
type State string

// The states of a booking.
const (
	Promised  State = "promised"
	OutNow    State = "out"
	Back      State = "back"
	AtRisk    State = "at risk"
	Cancelled State = "cancelled"
)

// Ask is what somebody wants: exactly one of a kit, a unit, or a number of dosimeters.
type Ask struct {
	Kit        ident.ID `json:"kit,omitzero"`
	Unit       ident.ID `json:"unit,omitzero"`
	Dosimeters int      `json:"dosimeters,omitempty"`
	Calibrator bool     `json:"calibrator,omitempty"` // with n dosimeters: one calibrator beside them
}

// Civil is a wall-clock time at a place; kept beside the instant and derived again when zone data change.
type Civil struct {
	Local string `json:"local"`           // 2006-01-02T15:04:05
	Zone  string `json:"zone"`            // IANA name; "UTC" for what was given as an instant
	Later bool   `json:"later,omitempty"` // of a time that a clock change repeats: the second one
}

// Occurrence is one visit of a booking: what was asked, without lead and lag. Promises span [From − Lead, To + Lag).
type Occurrence struct {
	Span      fleet.Span `json:"span"`
	FromCivil Civil      `json:"from_civil"`
	ToCivil   Civil      `json:"to_civil"`
}

// Booking is a versioned promise of units for one or more occurrences.
type Booking struct {
	ID          ident.ID      `json:"id"`
	Version     int           `json:"version"` // counts from 1; every change adds one
	Number      int           `json:"number"`  // short number people use, "B-17"
	Title       string        `json:"title"`
	Owner       ident.ID      `json:"owner"` // account it is for
	OwnerName   string        `json:"owner_name"`
	Client      ident.ID      `json:"client,omitzero"`
	Survey      ident.ID      `json:"survey,omitzero"`
	Ask         Ask           `json:"ask"`
	StartDepot  ident.ID      `json:"start_depot"`
	EndDepot    ident.ID      `json:"end_depot"`
	Lead        time.Duration `json:"lead"` // nanoseconds
	Lag         time.Duration `json:"lag"`
	Occurrences []Occurrence  `json:"occurrences"` // sorted, not overlapping, at least one
	State       State         `json:"state"`
	Units       []Placed      `json:"units"`          // the same units for every occurrence
	Risk        []UnitReasons `json:"risk,omitempty"` // why it is at risk
	Calendar    Calendar      `json:"calendar"`
	Entered     time.Time     `json:"entered"`
	Changed     time.Time     `json:"changed"`
}

// Placed is a unit chosen for a booking. Pinned units were asked for by name or kit and are never swapped.
type Placed struct {
	Unit   ident.ID   `json:"unit"`
	Tag    string     `json:"tag"`
	Kind   fleet.Kind `json:"kind"`
	Pinned bool       `json:"pinned"`
	Out    time.Time  `json:"out,omitzero"` // last handed out; zero: never
	In     time.Time  `json:"in,omitzero"`  // last checked in; zero: never
}

// IsOut reports whether the unit was handed out on this booking and has not come back.
func (p Placed) IsOut() bool { return !p.Out.IsZero() && p.In.Before(p.Out) }

// Calendar joins a booking to the calendar object it came from or is shown as. Raw is what a client sent, byte for byte, kept
// until the booking changes by another door.
type Calendar struct {
	UID  string `json:"uid"`           // RFC 5545, 3.8.4.7; unique within the kit's collection
	Name string `json:"name"`          // last path segment of the object's address
	Raw  []byte `json:"raw,omitempty"` // nil: rendered from the booking
}

// Whole is the span from the first start to the last end, lead and lag included.
func (b Booking) Whole() fleet.Span {
	return fleet.Span{From: b.Occurrences[0].Span.From.Add(-b.Lead), To: b.Occurrences[len(b.Occurrences)-1].Span.To.Add(b.Lag)}
}

// Spans are the intervals the units are promised for. Visits so close together that lead and lag meet share one: the units
// do not come back in between.
func (b Booking) Spans() []fleet.Span {
	spans := make([]fleet.Span, 0, len(b.Occurrences))
	for _, o := range b.Occurrences {
		span := fleet.Span{From: o.Span.From.Add(-b.Lead), To: o.Span.To.Add(b.Lag)}
		if n := len(spans); n > 0 && !span.From.After(spans[n-1].To) {
			if span.To.After(spans[n-1].To) {
				spans[n-1].To = span.To
			}
			continue
		}
		spans = append(spans, span)
	}
	return spans
}

// Live reports whether the booking still holds its units.
func (b Booking) Live() bool { return b.State == Promised || b.State == OutNow || b.State == AtRisk }

// Collection is the calendar the booking belongs to: its kit's, or for any other booking the start depot's.
func (b Booking) Collection() ident.ID {
	if !b.Ask.Kit.IsZero() {
		return b.Ask.Kit
	}
	return b.StartDepot
}

// Label names the booking as people do.
func (b Booking) Label() string { return Label(b.Number) }

// Label names a booking by its number.
func Label(number int) string { return "B-" + strconv.Itoa(number) }

// Hold is one row of the table that keeps units from being promised twice.
type Hold struct {
	Unit   ident.ID
	Span   fleet.Span
	Part   int // index of the span in Spans
	Pinned bool
	Live   bool
}

// Holds are the promises that follow from the booking. A unit that came back early is free again at once; one that is late
// never stretches its promise.
func (b Booking) Holds() []Hold {
	spans := b.Spans()
	holds := make([]Hold, 0, len(spans)*len(b.Units))
	for _, u := range b.Units {
		for i, span := range spans {
			returned := !u.In.IsZero() && !u.IsOut() && u.In.After(span.From)
			holds = append(holds, Hold{Unit: u.Unit, Span: span, Part: i, Pinned: u.Pinned, Live: b.Live() && !returned})
		}
	}
	return holds
}

// UnitIDs lists the units of the booking.
func (b Booking) UnitIDs() []ident.ID {
	ids := make([]ident.ID, len(b.Units))
	for i, u := range b.Units {
		ids[i] = u.Unit
	}
	return ids
}

// Wish is a booking as asked for, by whatever door.
type Wish struct {
	Title       string
	For         ident.ID // account; zero: the actor's own
	Client      ident.ID
	Survey      ident.ID
	Ask         Ask
	StartDepot  ident.ID       // zero: the kit's or unit's depot
	EndDepot    ident.ID       // zero: the start depot
	Lead, Lag   *time.Duration // nil: the desk's default
	Occurrences []Occurrence
	Calendar    Calendar
}
