package itip

import (
	"time"

	"kitd/internal/archive"
	"kitd/internal/ident"
)

// Letter is a mail as it came in, its MIME read.
type Letter struct {
	Raw           []byte
	EnvelopeFrom  string   // empty: the null sender
	From          string   // the one address of the From header, lower case; empty: none or several
	Subject       string   //
	MessageID     string   // without angle brackets
	AutoSubmitted string   // RFC 3834, 5
	Precedence    string   //
	List          bool     // it has a List-Id or another header of RFC 2369
	Results       []string // Authentication-Results, topmost first
	Hops          int      // Received headers
	Calendars     [][]byte // iCalendar parts, UTF-8, those to be shown before attached ones, twins left out
	TNEF          bool     // it holds application/ms-tnef
	Trouble       error    // why it could not be read to the end; a fault
}

// Outcome is what became of a letter.
type Outcome string

// The outcomes.
const (
	Booked    Outcome = "booked"
	Moved     Outcome = "moved"
	Cancelled Outcome = "cancelled"
	Declined  Outcome = "declined"
	Refreshed Outcome = "refreshed" // where the booking stands was said again, or the organizer was asked to
	Repeated  Outcome = "repeated"  // the version was known
	Late      Outcome = "late"      // a newer version was known
	Explained Outcome = "explained" // nothing could be done; the sender was told how
	Ignored   Outcome = "ignored"   // nothing was done and nobody answered
	Failed    Outcome = "failed"    // kitd broke over it; it waits to be handled anew
)

// Receipt is what is kept of a letter: where its bytes are and what became of it.
type Receipt struct {
	ID           ident.ID
	Received     time.Time
	Hash         archive.Hash // of the raw message in the archive
	Size         int64
	Recipient    string
	EnvelopeFrom string
	From         string
	Subject      string
	MessageID    string
	Method       string
	UID          string
	Outcome      Outcome
	Said         string   // what was answered, or why nothing was done
	Account      ident.ID // of the sender; zero: nobody known
	Booking      ident.ID // zero: none
	Client       ident.ID // of the booking: the wall it stands behind
	Answer       ident.ID // message in the outbox; zero: none
	Deliveries   int      // how often the same bytes came
}
