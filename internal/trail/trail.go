// Package trail holds the audit trail: what a change says of itself, and the chain of hashes that makes a tampered, deleted
// or reordered entry visible.
package trail

import (
	"time"

	"kitd/internal/ident"
)

// Change is one thing that happened to one noun. Domain methods hand it to their store with the state they write.
type Change struct {
	Noun     string    // "unit", "booking", "certificate", "result" …
	ID       ident.ID  // of the noun
	Verb     string    // "book", "move", "cancel", "hand out" …
	Client   ident.ID  // wall the change lies behind; zero for none
	Occurred time.Time // when it happened in the world; zero: when it was entered
	Before   any       // state before, nil on creation; must encode as JSON
	After    any       // state after, nil on removal; must encode as JSON
	Private  any       // what may hold a name or free text: enters the chain as a salted hash only and stays erasable
}
