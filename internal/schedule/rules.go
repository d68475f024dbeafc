package schedule

import (
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
)

// Rules are the desk's settings. Lead and lag are common practice, no source: time to pack before, time to travel back and
// read the memory after.
type Rules struct {
	Lead, Lag time.Duration
	Depots    map[string]LeadLag // by code of the start depot; others use Lead and Lag
	Margin    int                // days a certificate should outlast the booking to be the preferred one
	Horizon   time.Duration      // how far ahead Reassess looks
	Nearby    int                // days around the asked ones in which alternatives are sought
	Limits    Limits
}

// LeadLag are the lead and lag of one depot.
type LeadLag struct{ Lead, Lag time.Duration }

// Limits bound what one booking may ask for.
type Limits struct {
	Occurrences int           // visits in a series
	Series      time.Duration // from the first start to the last end
	Visit       time.Duration // one visit
	Ahead       time.Duration // last end after now
	Past        time.Duration // first start before now, for people who stand at the desk
	LeadLag     time.Duration // each of lead and lag
	Dosimeters  int
	Title       int // characters
	Raw         int // bytes of a calendar object
}

// Standard gives the rules a new installation starts with.
func Standard() Rules {
	const day = 24 * time.Hour
	return Rules{
		Lead: 4 * time.Hour, Lag: 4 * time.Hour, Margin: 7, Horizon: 31 * day, Nearby: 14,
		Limits: Limits{
			Occurrences: 200, Series: 366 * day, Visit: 366 * day, Ahead: 3 * 366 * day, Past: time.Hour, LeadLag: 14 * day,
			Dosimeters: 500, Title: 200, Raw: 256 << 10,
		},
	}
}

// leadLag gives the defaults for a depot.
func (r Rules) leadLag(code string) LeadLag {
	if own, ok := r.Depots[code]; ok {
		return own
	}
	return LeadLag{r.Lead, r.Lag}
}

// MayChange is the one rule of who may move, cancel, hand out and check in a booking: its owner while booking at all, and
// those who keep the pool. It says nothing of walls; the store answers for those.
func MayChange(who access.Actor, b Booking) bool {
	return who.Keeps() || who.Books() && !who.Account.IsZero() && who.Account == b.Owner
}

// allowed gives the fault of somebody who may not do what to a booking.
func allowed(who access.Actor, b Booking, what string) error {
	if MayChange(who, b) {
		return nil
	}
	return fault.New(fault.NotAllowed, "what", what+" "+b.Label()+", which is somebody else's booking")
}
