package access

import (
	"container/list"
	"crypto/sha256"
	"sync"
	"time"
)

// Limiter counts failed logins, in memory and within bounds: one count for each account and address together, and a wider one
// for each address, so that neither guessing one password nor trying one password on many names gets far. Nobody can lock an
// account out from another address.
type Limiter struct {
	PerAccount int           // failures of one name from one address within Window
	PerAddress int           // failures from one address within Window
	Window     time.Duration // how long a failure counts
	MaxKeys    int           // how many counts are kept; the longest unused go first

	mu     sync.Mutex
	counts map[[sha256.Size]byte]*list.Element
	recent list.List // front: used last
}

type tries struct {
	key   [sha256.Size]byte
	n     int
	since time.Time
}

// NewLimiter gives 8 tries for an account and 60 for an address in 15 minutes, and keeps 20,000 counts (about 3 MB).
func NewLimiter() *Limiter {
	return &Limiter{PerAccount: 8, PerAddress: 60, Window: 15 * time.Minute, MaxKeys: 20000}
}

// Enter counts an attempt before its password is looked at, so that attempts made at the same moment are all counted. It
// reports how long to wait, zero when the attempt may go on.
func (l *Limiter) Enter(name, address string, now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	both, wide := l.at(pairKey(name, address), now), l.at(addressKey(address), now)
	for _, c := range []struct {
		t     *tries
		limit int
	}{{both, l.PerAccount}, {wide, l.PerAddress}} {
		if c.t.n >= c.limit {
			return max(time.Second, c.t.since.Add(l.Window).Sub(now))
		}
	}
	both.n++
	wide.n++
	return 0
}

// Passed takes the attempt of a right password back and forgets the failures of that name from that address.
func (l *Limiter) Passed(name, address string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.at(pairKey(name, address), now).n = 0
	if wide := l.at(addressKey(address), now); wide.n > 0 {
		wide.n--
	}
}

// Len is the number of counts kept.
func (l *Limiter) Len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.counts)
}

func (l *Limiter) at(key [sha256.Size]byte, now time.Time) *tries {
	if l.counts == nil {
		l.counts = map[[sha256.Size]byte]*list.Element{}
	}
	if e, ok := l.counts[key]; ok {
		l.recent.MoveToFront(e)
		t := e.Value.(*tries)
		if now.Sub(t.since) >= l.Window || now.Before(t.since) {
			t.n, t.since = 0, now
		}
		return t
	}
	for len(l.counts) >= max(2, l.MaxKeys) {
		oldest := l.recent.Back()
		delete(l.counts, oldest.Value.(*tries).key)
		l.recent.Remove(oldest)
	}
	t := &tries{key: key, since: now}
	l.counts[key] = l.recent.PushFront(t)
	return t
}

func pairKey(name, address string) [sha256.Size]byte {
	return sha256.Sum256([]byte("pair\x00" + address + "\x00" + name))
}

func addressKey(address string) [sha256.Size]byte {
	return sha256.Sum256([]byte("address\x00" + address))
}
