// Package kittest holds what tests share: a clock that stands still, identifiers and randomness that repeat, and the rule for
// peers that a machine may lack. Only tests import it.
package kittest

import (
	"io"
	"math/rand/v2"
	"os"
	"sync"
	"testing"
	"time"

	"kitd/internal/ident"
)

// Start is where test clocks begin: Monday, 2 March 2026, 08:00 UTC.
var Start = time.Date(2026, time.March, 2, 8, 0, 0, 0, time.UTC)

// Clock is a clock that moves only when told. It is safe for concurrent use.
type Clock struct {
	mu sync.Mutex
	at time.Time
}

// NewClock gives a clock at Start.
func NewClock() *Clock { return &Clock{at: Start} }

// Now is the moment the clock shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Set moves the clock to a moment.
func (c *Clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = t
}

// Add moves the clock by d and gives the new moment.
func (c *Clock) Add(d time.Duration) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
	return c.at
}

// Random gives bytes that are the same in every run for the same seed. It is safe for concurrent use.
func Random(seed byte) io.Reader {
	return &random{source: rand.NewChaCha8([32]byte{seed})}
}

type random struct {
	mu     sync.Mutex
	source *rand.ChaCha8
}

func (r *random) Read(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.source.Read(b)
}

// IDs gives identifiers that are the same in every run: stamped by the clock, filled from Random(seed).
func IDs(c *Clock, seed byte) ident.Source { return ident.NewSource(c.Now, Random(seed)) }

// Peer skips the test when something it needs (a program, a server) is not there; with KITD_TEST_FULL set that is a failure.
func Peer(t testing.TB, ok bool, what string) {
	t.Helper()
	if ok {
		return
	}
	if os.Getenv("KITD_TEST_FULL") != "" {
		t.Fatalf("peer missing: %s", what)
	}
	t.Skipf("peer missing: %s; KITD_TEST_FULL=1 makes this a failure", what)
}
