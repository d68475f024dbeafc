package access_test

import (
	"crypto/rand"
	"strconv"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/kittest"
)

func TestPasswordsAreArgon2id(t *testing.T) {
	p, err := access.NewPasswords(access.DefaultCost, rand.Reader, 1)
	must(t, err)
	hash, err := p.Hash("long enough words")
	must(t, err)
	// RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB.
	if !strings.HasPrefix(hash, "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Errorf("got %s", hash)
	}
	again, err := p.Hash("long enough words")
	must(t, err)
	if hash == again {
		t.Error("two hashes of one password are the same: the salt is missing")
	}
	for word, want := range map[string]bool{"long enough words": true, "long enough word": false, "": false} {
		if ok, err := p.Verify(word, hash); err != nil || ok != want {
			t.Errorf("%q: got %v, %v", word, ok, err)
		}
	}
}

func TestPasswordsMatchHoweverTyped(t *testing.T) {
	p := cheap(t)
	hash, err := p.Hash("na\u00efve words here") // ï as one character
	must(t, err)
	if ok, err := p.Verify("nai\u0308ve words here", hash); err != nil || !ok { // i and a combining diaeresis
		t.Errorf("got %v, %v: RFC 8265, section 4.2 wants both the same", ok, err)
	}
}

func cheap(t *testing.T) *access.Passwords {
	t.Helper()
	p, err := access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, kittest.Random(3), 2)
	must(t, err)
	return p
}

func TestNoHashIsNeverRight(t *testing.T) {
	p := cheap(t)
	if ok, err := p.Verify("", ""); ok || err != nil {
		t.Errorf("got %v, %v", ok, err)
	}
	for _, hash := range []string{"plain", "$argon2i$v=19$m=64,t=1,p=1$YWJj$YWJj", "$argon2id$v=19$m=999999999,t=1,p=1$YWJjZGVmZ2g$YWJjZGVmZ2hhYmNkZWZnaA",
		"$argon2id$v=19$m=64,t=0,p=1$YWJjZGVmZ2g$YWJjZGVmZ2hhYmNkZWZnaA", "$argon2id$v=19$m=64,t=1,p=1$YWJjZGVmZ2g$"} {
		if ok, err := p.Verify("x", hash); ok || err == nil {
			t.Errorf("%s: got %v, %v, want an error", hash, ok, err)
		}
	}
}

func TestPasswordRules(t *testing.T) {
	for word, ok := range map[string]bool{
		"nine char": false, "ten chars!": true, "schallpegel": false, "SCHALLPEGEL": false, "Ms Schallpegel": false,
		"日本語日本語日本語日": true, strings.Repeat("x", 257): false, "with\x07control": false,
	} {
		err := access.CheckPassword(word, "schallpegel", "Ms Schallpegel", "next")
		if (err == nil) != ok {
			t.Errorf("%q: got %v", word, err)
		}
		if err != nil && fault.Of(err).Fields[0].Path != "next" {
			t.Errorf("%q: the fault names no field: %v", word, err)
		}
	}
}

func TestLimiterKeepsWithinItsBounds(t *testing.T) {
	l := access.NewLimiter()
	l.MaxKeys = 100
	now := kittest.Start
	for i := range 5000 {
		l.Enter("name"+strconv.Itoa(i), "192.0.2."+strconv.Itoa(i%200), now)
	}
	if n := l.Len(); n > 100 {
		t.Errorf("%d counts are kept, limit 100", n)
	}
}

func TestLimiterCountsAnAddressOverNames(t *testing.T) {
	l := access.NewLimiter()
	now := kittest.Start
	for i := range l.PerAddress {
		if wait := l.Enter("name"+strconv.Itoa(i), "192.0.2.1", now); wait != 0 {
			t.Fatalf("try %d was stopped", i)
		}
	}
	if wait := l.Enter("fresh", "192.0.2.1", now.Add(time.Minute)); wait != l.Window-time.Minute {
		t.Errorf("got %v, want the rest of the window", wait)
	}
	if wait := l.Enter("fresh", "192.0.2.2", now); wait != 0 {
		t.Errorf("another address was stopped for %v", wait)
	}
}

func TestLimiterForgetsAfterARightPassword(t *testing.T) {
	l := access.NewLimiter()
	now := kittest.Start
	for range 5 * l.PerAccount {
		if wait := l.Enter("ines", "192.0.2.1", now); wait != 0 {
			t.Fatal("a right password did not take the count back")
		}
		l.Passed("ines", "192.0.2.1", now)
	}
}

func TestRolesCover(t *testing.T) {
	for i, a := range access.Roles() {
		for j, b := range access.Roles() {
			if got := a.Covers(b); got != (i >= j) {
				t.Errorf("%s covers %s: got %v", a, b, got)
			}
		}
	}
	if access.Role("owner").Covers(access.Viewer) || access.Administrator.Covers("owner") {
		t.Error("an unknown role takes part")
	}
}
