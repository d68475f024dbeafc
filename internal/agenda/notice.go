package agenda

import (
	"time"

	"kitd/internal/civil"
)

// Notice is a day that matters in a feed: the last day of a certificate, the end of a hire.
type Notice struct {
	Key     string     // the same for the same matter, unique; letters, digits and hyphens
	Day     civil.Date // in the depot's zone
	Text    string     // one line
	Detail  string
	Entered time.Time // when it came to be known
}
