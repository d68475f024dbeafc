package trail_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kitd/internal/ident"
	"kitd/internal/trail"
)

// chain seals n entries and gives them with the head.
func chain(n int) ([]trail.Sealed, trail.Head) {
	var head trail.Head
	var all []trail.Sealed
	for i := range n {
		e := trail.Entry{Seq: int64(i + 1), ID: ident.ID{15: byte(i + 1)}, Noun: "unit", Verb: "enter", After: fmt.Appendf(nil, `{"n":%d}`, i)}
		s := trail.Sealed{Salt: []byte("salt salt salt s"), Private: fmt.Appendf(nil, `"person %d"`, i)}
		h := trail.PrivateHash(s.Salt, s.Private)
		e.PrivateHash = h[:]
		s.Entry, s.Hash = e, trail.Seal(head.Hash, e)
		head = trail.Head{Seq: e.Seq, Hash: s.Hash}
		all = append(all, s)
	}
	return all, head
}

func verify(all []trail.Sealed, head trail.Head) error {
	var v trail.Verifier
	for _, s := range all {
		if err := v.Next(s); err != nil {
			return err
		}
	}
	return v.End(head)
}

func TestVerifierNamesTheFirstBreak(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(all []trail.Sealed) []trail.Sealed
		seq    int64
		what   string
	}{
		{"nothing", func(a []trail.Sealed) []trail.Sealed { return a }, 0, ""},
		{"erased payload", func(a []trail.Sealed) []trail.Sealed { a[2].Private, a[2].Salt = nil, nil; return a }, 0, ""},
		{"altered state", func(a []trail.Sealed) []trail.Sealed { a[2].After = []byte(`{"n":9}`); return a }, 3, "altered"},
		{"altered payload", func(a []trail.Sealed) []trail.Sealed { a[2].Private = []byte(`"other"`); return a }, 3, "private"},
		{"altered salt", func(a []trail.Sealed) []trail.Sealed { a[2].Salt = []byte("another salt ..."); return a }, 3, "private"},
		{"removed", func(a []trail.Sealed) []trail.Sealed { return slices.Delete(a, 2, 3) }, 3, "missing"},
		{"removed and closed up", func(a []trail.Sealed) []trail.Sealed {
			a = slices.Delete(a, 2, 3)
			for i := range a {
				a[i].Seq = int64(i + 1)
			}
			return a
		}, 3, "altered or moved"},
		{"reordered", func(a []trail.Sealed) []trail.Sealed {
			a[2], a[3] = a[3], a[2]
			a[2].Seq, a[3].Seq = 3, 4
			return a
		}, 3, "altered or moved"},
		{"cut", func(a []trail.Sealed) []trail.Sealed { return a[:4] }, 5, "missing"},
		{"emptied", func([]trail.Sealed) []trail.Sealed { return nil }, 1, "missing"},
		{"resealed end", func(a []trail.Sealed) []trail.Sealed {
			a[4].After = []byte(`{}`)
			a[4].Hash = trail.Seal(a[3].Hash, a[4].Entry)
			return a
		}, 5, "stored end"},
	} {
		all, head := chain(5)
		err := verify(c.change(all), head)
		var b *trail.Break
		if c.seq == 0 {
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		if !errors.As(err, &b) || b.Seq != c.seq || !strings.Contains(b.What, c.what) {
			t.Errorf("%s: got %v, want entry %d: …%s…", c.name, err, c.seq, c.what)
		}
	}
}

// Each field of an entry is under the hash: changing any one changes it.
func TestCanonicalCoversEveryField(t *testing.T) {
	var base trail.Entry
	kind := reflect.TypeFor[trail.Entry]()
	for i := range kind.NumField() {
		e := base
		switch f := reflect.ValueOf(&e).Elem().Field(i); f.Interface().(type) {
		case int64:
			f.SetInt(1)
		case string:
			f.SetString("x")
		case []byte:
			f.SetBytes([]byte{})
		case ident.ID:
			f.Set(reflect.ValueOf(ident.ID{1}))
		default:
			t.Fatalf("field %s has a type this test does not know", kind.Field(i).Name)
		}
		if trail.Seal(trail.Hash{}, e) == trail.Seal(trail.Hash{}, base) {
			t.Errorf("field %s is not under the hash", kind.Field(i).Name)
		}
	}
}

// Moving bytes from one field to its neighbour never gives the same encoding.
func TestCanonicalIsInjective(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(label string) trail.Entry {
			return trail.Entry{Job: rapid.StringN(0, 3, 6).Draw(t, label+"job"), Role: rapid.StringN(0, 3, 6).Draw(t, label+"role"),
				Verb:   rapid.StringN(0, 3, 6).Draw(t, label+"verb"),
				Before: rapid.SliceOfN(rapid.Byte(), 0, 3).Draw(t, label+"before"), After: rapid.SliceOfN(rapid.Byte(), 0, 3).Draw(t, label+"after")}
		}
		a, b := draw("a "), draw("b ")
		same := a.Job == b.Job && a.Role == b.Role && a.Verb == b.Verb && string(a.Before) == string(b.Before) && string(a.After) == string(b.After)
		if equal := string(a.Canonical()) == string(b.Canonical()); equal != same {
			t.Fatalf("%+v and %+v: same %v, encoded alike %v", a, b, same, equal)
		}
	})
}

// The hash of a fixed entry must never change: chains of released versions depend on it.
func TestSealIsStable(t *testing.T) {
	_, head := chain(2)
	if got := head.String(); got != stable {
		t.Errorf("got %s", got)
	}
	back, err := trail.ParseHead(head.String())
	if err != nil || back != head {
		t.Errorf("%v came back as %v, %v", head, back, err)
	}
	for _, bad := range []string{"", "1", "x " + strings.Repeat("0", 64), "1 " + strings.Repeat("0", 63), "1 " + strings.Repeat("g", 64)} {
		if _, err := trail.ParseHead(bad); err == nil {
			t.Errorf("%q was read as a head", bad)
		}
	}
}

const stable = "2 ac46cd10e81c217f8f737155b8ad0a6abc1a229dd58c04b9a353772317d9f2bb"
