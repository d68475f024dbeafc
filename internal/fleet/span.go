package fleet

import (
	"math"
	"time"
)

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

// The rules count in UTC milliseconds, as everything is stored; the two ends of time stand for "always was" and "no end known".
const (
	never   = math.MinInt64
	forever = math.MaxInt64
)

const (
	minuteMS = int64(time.Minute / time.Millisecond)
	hourMS   = 60 * minuteMS
	dayMS    = 24 * hourMS
)

// msOr gives t in milliseconds, or other when t is the zero time.
func msOr(t time.Time, other int64) int64 {
	if t.IsZero() {
		return other
	}
	return t.UnixMilli()
}

// instant is the inverse of msOr: both ends of time are the zero time.
func instant(ms int64) time.Time {
	if ms == never || ms == forever {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// firstAfter gives the index of the first value above t in a sorted list. Most questions are about the time after the last
// value, so that one is looked at first.
func firstAfter(sorted []int64, t int64) int {
	n := len(sorted)
	if n == 0 || sorted[n-1] <= t {
		return n
	}
	base, size := 0, n
	for size > 1 {
		half := size / 2
		if sorted[base+half-1] <= t {
			base += half
		}
		size -= half
	}
	return base
}
