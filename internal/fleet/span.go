package fleet

import "time"

// Span is a half-open interval of instants, [From, To), in UTC.
type Span struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Valid reports whether the span has a length above zero.
func (s Span) Valid() bool { return s.From.Before(s.To) }

// Overlaps reports whether the two spans share an instant; spans that only touch do not.
func (s Span) Overlaps(o Span) bool { return s.From.Before(o.To) && o.From.Before(s.To) }

// Contains reports whether t lies in [From, To).
func (s Span) Contains(t time.Time) bool { return !t.Before(s.From) && t.Before(s.To) }
