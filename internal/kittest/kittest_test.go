package kittest_test

import (
	"testing"
	"time"

	"kitd/internal/kittest"
)

func TestClockMovesOnlyWhenTold(t *testing.T) {
	c := kittest.NewClock()
	if !c.Now().Equal(kittest.Start) || !c.Now().Equal(c.Now()) {
		t.Error("the clock runs")
	}
	if c.Add(time.Hour); !c.Now().Equal(kittest.Start.Add(time.Hour)) {
		t.Errorf("got %s", c.Now())
	}
	if c.Set(kittest.Start); !c.Now().Equal(kittest.Start) {
		t.Errorf("got %s", c.Now())
	}
}

func TestIdentifiersRepeat(t *testing.T) {
	a, b, other := kittest.IDs(kittest.NewClock(), 1), kittest.IDs(kittest.NewClock(), 1), kittest.IDs(kittest.NewClock(), 2)
	for range 10 {
		x := a()
		if x != b() || x == other() {
			t.Error("the same seed must repeat, another must not")
		}
	}
}

func TestPeerSkipsOrFails(t *testing.T) {
	run := func(full string, ok bool) (skipped bool) {
		t.Run("inner", func(t *testing.T) {
			t.Setenv("KITD_TEST_FULL", full)
			defer func() { skipped = t.Skipped() }()
			kittest.Peer(t, ok, "a peer")
		})
		return skipped
	}
	if run("1", true) || run("", true) {
		t.Error("a peer that is there was missed")
	}
	if !run("", false) {
		t.Error("a missing peer was not skipped")
	}
	f := &failing{TB: t}
	t.Setenv("KITD_TEST_FULL", "1")
	func() {
		defer func() { _ = recover() }()
		kittest.Peer(f, false, "a peer")
	}()
	if !f.failed {
		t.Error("with KITD_TEST_FULL a missing peer passed")
	}
}

type failing struct {
	testing.TB
	failed bool
}

func (f *failing) Fatalf(string, ...any) { f.failed = true; panic("stop") }
