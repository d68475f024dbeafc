package schedule

import (
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Store is what the desk needs of the transaction it works in. Reads answer within the actor's walls unless they say
// otherwise; what lies behind a wall is fault.NotThere.
type Store interface {
	// Depots lists every depot; Kits every kit of a depot, in order of their codes.
	Depots() ([]fleet.Depot, error)
	Kits(depot ident.ID) ([]fleet.Kit, error)
	// Kit gives one kit, UnitByID one unit.
	Kit(id ident.ID) (fleet.Kit, error)
	UnitByID(id ident.ID) (fleet.Unit, error)
	// KitUnits lists the units that are in the kit at a moment, UnitsInDepot those whose home the depot is.
	KitUnits(kit ident.ID, at time.Time) ([]ident.ID, error)
	UnitsInDepot(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error)
	// BareDossiers gives what the rules need of the units, promises left out, as known at a moment; units behind a wall are left
	// out.
	BareDossiers(ids []ident.ID, at time.Time) ([]fleet.Dossier, error)
	// AppendFacts adds facts of units.
	AppendFacts(facts []fleet.Fact) error

	// AccountName gives the login name of an account, fault.NotThere when there is none.
	AccountName(id ident.ID) (string, error)

	// LockUnits lets only one transaction at a time decide about the units. Always the first thing a writing call does, with
	// all units it may touch.
	LockUnits(units []ident.ID) error
	// Claims lists the live promises on the units that overlap the span, across walls.
	Claims(units []ident.ID, span fleet.Span) ([]Claim, error)
	// Trips lists the live promises on the units that end after the moment in another depot than they start in, across walls.
	// Visitors lists the units whose home another depot is and that a booking brought, or will bring, to the depot.
	Trips(units []ident.ID, after time.Time) ([]Claim, error)
	Visitors(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error)
	// PromisedSince sums the promised time of each unit that ends after a moment, across walls.
	PromisedSince(units []ident.ID, since time.Time) (map[ident.ID]time.Duration, error)
	// Booking gives one booking; BookingByUID the one of a calendar collection that is not cancelled.
	Booking(id ident.ID) (Booking, error)
	BookingByUID(collection ident.ID, uid string) (Booking, bool, error)
	// BookingsAcross gives bookings across walls: for placement only, never to be shown.
	BookingsAcross(ids []ident.ID) ([]Booking, error)
	// Bookings lists bookings, ordered by first start, then identifier.
	Bookings(q Query) (Page, error)
	// NextBookingNumber counts on the short numbers people use.
	NextBookingNumber() (int, error)
	// SaveBookings writes the bookings, each one version above the stored one (version 1: new), with their promises, their
	// versions and the change log of their calendars. All old promises are released before any new one is made, so that
	// bookings may exchange units. A version that does not fit is fault.Changed, a unit taken meanwhile fault.PromiseTaken.
	SaveBookings(bookings []Booking) error
	// Record writes into the audit trail.
	Record(c trail.Change) error
}

// Query selects bookings. Zero fields select everything.
type Query struct {
	Span   fleet.Span // those whose whole span overlaps it
	Kit    ident.ID   // asked for by kit
	Unit   ident.ID   // holding the unit
	Owner  ident.ID
	Client ident.ID
	Survey ident.ID
	Depot  ident.ID // start depot
	States []State
	After  string // Page.Next of the page before
	Limit  int    // at most 500; 0: 100
}

// Page is one page of bookings.
type Page struct {
	Bookings []Booking
	Next     string // empty on the last page
}
