package notify

import (
	"time"

	"kitd/internal/access"
	"kitd/internal/ident"
)

// Recipient is somebody who is told.
type Recipient struct {
	Account ident.ID // zero: a plain address of the settings, chosen by the operator for everything
	Name    string
	Address string
	Scope   access.Scope // of the account
}

func (r Recipient) sees(client ident.ID) bool { return r.Account.IsZero() || r.Scope.Sees(client) }

// MessageState is where a message stands.
type MessageState string

// The states. A message that stays in Sending after its claim ran out had an unknown outcome and is sent again under the same
// Message-ID.
const (
	Queued  MessageState = "queued"
	Sending MessageState = "sending"
	Sent    MessageState = "sent"
	Dead    MessageState = "dead"
)

// Message is one mail in the outbox.
type Message struct {
	ID        ident.ID
	MessageID string // RFC 5322, 3.6.4, without angle brackets; the same at every attempt
	To        string // address
	ToName    string
	From      string // address it comes from; empty: that of the settings
	FromName  string // of From
	InReplyTo string // Message-ID it answers, without angle brackets; then it is marked as an automatic reply
	Subject   string
	Body      string // plain text, lines of any length
	Calendar  []byte // iCalendar to send beside the text (RFC 6047, 2.4); empty: none
	Method    string // METHOD of Calendar
	Created   time.Time
	NotBefore time.Time
	State     MessageState
	Attempts  int
	Unknown   int    // attempts whose outcome nobody knows
	LastError string // of the latest attempt
	Settled   time.Time
	Again     time.Time // when a dead letter was queued again; zero: never
}

// Outcome is what one attempt at delivery came to.
type Outcome int

// The outcomes. OutcomeUnknown: the connection broke after the message was handed over and before the server answered.
const (
	Delivered Outcome = iota
	TryLater
	Refused
	OutcomeUnknown
)

// claimFor is how long one attempt may take before its outcome counts as unknown.
const claimFor = 10 * time.Minute

// giveUpAfter is how long a message is tried before it becomes a dead letter. RFC 5321, 4.5.4.1: generally at least 4 to 5 days.
const giveUpAfter = 5 * 24 * time.Hour

// pause is the wait after the n-th failed attempt (from 1): a minute, then doubling to at most four hours.
func pause(n int) time.Duration {
	return min(time.Minute<<min(max(n-1, 0), 20), 4*time.Hour)
}

// settle gives the message as it stands after an attempt.
func (m Message) settle(o Outcome, why string, now time.Time) Message {
	m.LastError = why
	switch o {
	case Delivered:
		m.State, m.LastError, m.Settled = Sent, "", now
		return m
	case Refused:
		m.State, m.Settled = Dead, now
		return m
	case OutcomeUnknown:
		m.Unknown++
	}
	if now.Sub(m.since()) >= giveUpAfter {
		m.State, m.Settled = Dead, now
		return m
	}
	m.State, m.NotBefore = Queued, now.Add(pause(m.Attempts))
	return m
}

// since is when the five days of trying began.
func (m Message) since() time.Time {
	if m.Again.After(m.Created) {
		return m.Again
	}
	return m.Created
}
