package store_test

import (
	"io"
	"net"
	"net/url"
	"sync"
	"testing"

	"kitd/internal/fault"
	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// cutter passes a connection to the server and back until it is told to drop what the server answers.
type cutter struct {
	net.Listener
	mu  sync.Mutex
	cut bool
}

func newCutter(t *testing.T, server string) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{Listener: l}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			up, err := net.Dial("tcp", server)
			if err != nil {
				_ = client.Close()
				continue
			}
			go func() { _, _ = io.Copy(up, client); _ = up.Close() }()
			go c.back(client, up)
		}
	}()
	return c
}

func (c *cutter) back(client, up net.Conn) {
	defer func() { _ = client.Close(); _ = up.Close() }()
	buf := make([]byte, 1<<16)
	for {
		n, err := up.Read(buf)
		c.mu.Lock()
		cut := c.cut
		c.mu.Unlock()
		if err != nil || cut {
			return
		}
		if _, err := client.Write(buf[:n]); err != nil {
			return
		}
	}
}

func (c *cutter) set(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
}

// The server stored the work, its answer never came: the fault says that nobody knows, and the work is not run again.
func TestLostAnswerToCommitIsSaid(t *testing.T) {
	h := storetest.Postgres(t)
	u, err := url.Parse(h.DSN)
	if err != nil {
		t.Fatal(err)
	}
	c := newCutter(t, u.Host)
	u.Host = c.Addr().String()
	db, err := store.Open(ctx, store.Config{DSN: u.String(), Now: kittest.NewClock().Now})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	runs := 0
	err = db.Do(ctx, who, func(tx *store.Tx) error {
		runs++
		err := put(tx, "a")
		c.set(true)
		return err
	})
	if !fault.Is(err, fault.OutcomeUnknown) || runs != 1 {
		t.Errorf("after %d runs: %v", runs, err)
	}
	if n := count(t, h, "counter"); n != 1 {
		t.Errorf("the server stored %d rows", n)
	}
	// A line that breaks before COMMIT is certain: nothing was stored.
	err = db.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "b") })
	if fault.KindOf(err) != fault.Unavailable || fault.Is(err, fault.OutcomeUnknown) {
		t.Errorf("a line that broke earlier: %v", err)
	}
	c.set(false)
	if err := db.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "c") }); err != nil {
		t.Errorf("afterwards: %v", err)
	}
	if n := count(t, h, "counter"); n != 2 {
		t.Errorf("%d rows, want a and c", n)
	}
}

func TestTextsAreStoredWholeOrRefused(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		type row struct {
			Name  string
			Value int64
		}
		ways := map[string]func(tx *store.Tx, s string) error{
			"raw":  put,
			"gorm": func(tx *store.Tx, s string) error { return tx.Insert("counter", &row{s, 1}) },
		}
		for way, write := range ways {
			for _, s := range []string{"<script>alert(1)</script>", "=cmd()", "kit 🎧 ünïcode", "\u202eright to left", "'; DROP TABLE meta; --", "a?b$1"} {
				s = way + s
				if err := h.Do(ctx, who, func(tx *store.Tx) error { return write(tx, s) }); err != nil {
					t.Errorf("%s %q: %v", way, s, err)
				}
				found := false
				err := h.View(ctx, who, func(tx *store.Tx) (err error) {
					var got string
					found, err = tx.Row("SELECT name FROM counter WHERE name = ?", []any{s}, &got)
					if got != s {
						t.Errorf("%s %q came back as %q", way, s, got)
					}
					return err
				})
				if err != nil || !found {
					t.Errorf("%s %q: %v", way, s, err)
				}
			}
			for _, s := range []string{"a\x00b", "\xff\xfe", "cut \xe2\x82"} {
				if err := h.Do(ctx, who, func(tx *store.Tx) error { return write(tx, s) }); !fault.Is(err, fault.BadText) {
					t.Errorf("%s %q: %v", way, s, err)
				}
			}
		}
	})
}
