package ident_test

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kitd/internal/ident"
)

func random() *rand.ChaCha8 { return rand.NewChaCha8([32]byte{1}) }

// RFC 9562, appendix A.6, gives 017F22E2-79B0-7CC3-98C4-DC0C0C07398F for 2022-02-22T19:22:22.000Z.
func TestFieldsAreThoseOfVersion7(t *testing.T) {
	at := time.Date(2022, time.February, 22, 19, 22, 22, 0, time.UTC)
	// The random bytes that give the RFC's example: rand_a CC3 in its place, rand_b 18C4DC0C0C07398F.
	fill := []byte{0x0c, 0xc3, 0x18, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, 0x8f}
	id := ident.NewSource(func() time.Time { return at }, bytes.NewReader(fill))()
	want, err := ident.Parse("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
	if err != nil {
		t.Fatal(err)
	}
	// The source keeps the top bit of rand_a free for counting up.
	want[6] &^= 0x08
	if id != want {
		t.Errorf("got %s, want %s", id, want)
	}
}

func TestIdentifiersNeverGoBackwards(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	step := []time.Duration{0, 0, time.Millisecond, -time.Hour, 0, time.Second}
	n := 0
	next := ident.NewSource(func() time.Time { n++; at = at.Add(step[n%len(step)]); return at }, random())
	last := ident.ID{}
	for range 20_000 {
		id := next()
		if bytes.Compare(id[:], last[:]) <= 0 {
			t.Fatalf("%s after %s", id, last)
		}
		if id[6]>>4 != 7 || id[8]>>6 != 2 {
			t.Fatalf("%s is not of version 7 and variant 10", id)
		}
		last = id
	}
}

func TestManyAtOnceAreDistinct(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	next := ident.NewSource(func() time.Time { return now }, random())
	var mu sync.Mutex
	seen := map[ident.ID]bool{}
	var group sync.WaitGroup
	for range 8 {
		group.Go(func() {
			for range 1000 {
				id := next()
				mu.Lock()
				if seen[id] {
					t.Errorf("%s twice", id)
				}
				seen[id] = true
				mu.Unlock()
			}
		})
	}
	group.Wait()
}

func TestTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var id ident.ID
		copy(id[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id"))
		back, err := ident.Parse(id.String())
		if err != nil || back != id {
			t.Fatalf("%s came back as %s, %v", id, back, err)
		}
		b, err := json.Marshal(map[ident.ID]ident.ID{id: id})
		if err != nil {
			t.Fatal(err)
		}
		var m map[ident.ID]ident.ID
		if err := json.Unmarshal(b, &m); err != nil || m[id] != id {
			t.Fatalf("%s came back as %v, %v", b, m, err)
		}
	})
	for _, bad := range []string{"", "x", "017f22e2-79b0-7cc3-98c4-dc0c0c07398", "017f22e279b0-7cc3-98c4-dc0c0c07398ff-", "017f22e2-79b0-7cc3-98c4-dc0c0c07398g",
		"{17f22e2-79b0-7cc3-98c4-dc0c0c07398f", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f "} {
		if id, err := ident.Parse(bad); err == nil {
			t.Errorf("%q was read as %s", bad, id)
		}
	}
	if _, err := ident.FromBytes(make([]byte, 15)); err == nil {
		t.Error("15 bytes were taken")
	}
}
