// Package schedule is the desk: bookings asked for, promised, moved and cancelled, with no unit ever promised twice.
package schedule

import (
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
	Local string `json:"local"` // 2006-01-02T15:04:05
	Zone  string `json:"zone"`  // IANA name
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
	Units       []Placed      `json:"units"` // the same units for every occurrence
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
}

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

// Spans are the intervals the units are promised for, one an occurrence.
func (b Booking) Spans() []fleet.Span {
	spans := make([]fleet.Span, len(b.Occurrences))
	for i, o := range b.Occurrences {
		spans[i] = fleet.Span{From: o.Span.From.Add(-b.Lead), To: o.Span.To.Add(b.Lag)}
	}
	return spans
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
