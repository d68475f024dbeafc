// Package itip books kits by invitation: what a scheduling message (RFC 5546) asks of a kit or a depot, what the desk answers,
// and the reply that is sent. It knows no mail server and no database; MIME is read before it, mail leaves through the outbox.
package itip

import (
	"time"

	"kitd/internal/ical"
	"kitd/internal/ident"
)

// Revision orders the versions of an event: SEQUENCE, then DTSTAMP (RFC 5546, 2.1.5).
type Revision struct {
	Sequence int       `json:"sequence"`
	Stamp    time.Time `json:"stamp"`
}

// Compare is negative when r is older than other, zero when both are the same.
func (r Revision) Compare(other Revision) int {
	if r.Sequence != other.Sequence {
		return r.Sequence - other.Sequence
	}
	return r.Stamp.Compare(other.Stamp)
}

// Instance is one visit as the organizer's calendar shows it.
type Instance struct {
	ID       time.Time `json:"id"` // original start: what a RECURRENCE-ID names
	Start    time.Time `json:"start"`
	End      time.Time `json:"end"`
	Zone     string    `json:"zone,omitempty"` // IANA zone of the reading; empty: instants only
	Revision Revision  `json:"revision"`
	Own      bool      `json:"own,omitempty"`  // a message spoke of it by its RECURRENCE-ID
	Gone     bool      `json:"gone,omitempty"` // cancelled; kept, so that nothing older brings it back
}

// Thread is everything known of one UID at one address: the organizer's view, which lives on as a tombstone after a CANCEL.
type Thread struct {
	Target    ident.ID   `json:"target"` // kit or depot
	UID       string     `json:"uid"`
	Owner     ident.ID   `json:"owner"`  // account whose invitation it is
	Master    Revision   `json:"master"` // of the event as a whole; zero while only instances are known
	Listed    bool       `json:"listed"` // an ATTENDEE of it was this address
	Gone      bool       `json:"gone"`   // cancelled as a whole
	Order     Order      `json:"order"`
	Title     string     `json:"title"`
	Instances []Instance `json:"instances"`
	Bookings  []ident.ID `json:"bookings"` // what stands for it; empty: nothing was promised
}

// Order is how many units an invitation of a depot asks for.
type Order struct {
	Kits       int  `json:"kits,omitempty"`
	Dosimeters int  `json:"dosimeters,omitempty"`
	Calibrator bool `json:"calibrator,omitempty"`
}

// Step is what a message means for a thread.
type Step string

// The steps.
const (
	StepAsk     Step = "ask"     // book or move to what the thread now says
	StepRelease Step = "release" // nothing is wanted any more
	StepRepeat  Step = "repeat"  // the same version again
	StepLate    Step = "late"    // an older version, or one of something cancelled since
)

// MaxInstances bounds what is remembered of one thread, cancelled instances included.
const MaxInstances = 2 * ical.MaxOccurrences

// Live lists the instances that stand, by start.
func (t Thread) Live() []Instance {
	var live []Instance
	if t.Gone {
		return nil
	}
	for _, i := range t.Instances {
		if !i.Gone {
			live = append(live, i)
		}
	}
	sortByStart(live)
	return live
}
