package agenda

import (
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// marked is a store that knows marks only.
type marked struct {
	Store
	marks map[int64]string
}

func (m marked) CalendarMark(_ ident.ID, serial int64) (string, error) { return m.marks[serial], nil }

// A token counts only for its collection, its walls, and serials there have been.
func TestTokens(t *testing.T) {
	a, b := ident.ID{1}, ident.ID{2}
	marks := map[int64]string{5: "five", 7: "seven"}
	look := func(s access.Scope) *Look { return &Look{s: marked{marks: marks}, who: access.Actor{Scope: s}} }
	tokenOf := func(l *Look, serial int64) string {
		token, err := l.token(Collection{ID: ident.ID{9}, serial: 7}, serial)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	all, ab, ba, onlyA, none := access.Scope{All: true}, access.Scope{Clients: []ident.ID{a, b}}, access.Scope{Clients: []ident.ID{b, a}}, access.Scope{Clients: []ident.ID{a}}, access.Scope{}
	kit := Collection{ID: ident.ID{9}, serial: 7}
	token := tokenOf(look(ab), 5)
	if n, err := look(ba).serial(kit, token); err != nil || n != 5 {
		t.Errorf("the order of clients matters: %d %v", n, err)
	}
	for name, try := range map[string]func() (int64, error){
		"all":             func() (int64, error) { return look(all).serial(kit, token) },
		"fewer clients":   func() (int64, error) { return look(onlyA).serial(kit, token) },
		"none":            func() (int64, error) { return look(none).serial(kit, token) },
		"another kit":     func() (int64, error) { return look(ab).serial(Collection{ID: ident.ID{8}, serial: 7}, token) },
		"the future":      func() (int64, error) { return look(ab).serial(kit, tokenOf(look(ab), 8)) },
		"another number":  func() (int64, error) { return look(ab).serial(kit, strings.Replace(token, "-5-", "-05-", 1)) },
		"below zero":      func() (int64, error) { return look(ab).serial(kit, strings.Replace(token, "-5-", "--5-", 1)) },
		"without prefix":  func() (int64, error) { return look(ab).serial(kit, strings.TrimPrefix(token, tokenPrefix)) },
		"something else":  func() (int64, error) { return look(ab).serial(kit, "x") },
		"nothing but URL": func() (int64, error) { return look(ab).serial(kit, tokenPrefix) },
	} {
		if _, err := try(); !fault.Is(err, fault.TokenStale) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A restored database has been at the serial before, but by another way.
	marks[5] = "another"
	if _, err := look(ab).serial(kit, token); !fault.Is(err, fault.TokenStale) {
		t.Errorf("after a restore: %v", err)
	}
	if n, err := look(ab).serial(kit, ""); n != 0 || err != nil {
		t.Errorf("%d %v", n, err)
	}
}
