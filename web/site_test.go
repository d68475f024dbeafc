package web

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// A site is a whole server over a SQLite file with an account of every role, named like the role, and sitePassword for all.
//
//	s := newSite(t)                                 // s.h is the database with its clock, s.gate keeps the accounts
//	b := s.as(access.Surveyor)                      // a browser that is logged in; s.anonymous() is one that is not
//	got := b.get("/shelf")                          // got.Code, got.text(), got.Header()
//	got = b.post("/desk", url.Values{"x": {"1"}})   // the form token is added
type site struct {
	*Server
	t    *testing.T
	h    *storetest.House
	gate *access.Gate
	ids  map[access.Role]access.Account
	*things
}

const sitePassword = "four unrelated words"

func newSite(t *testing.T, change ...func(*Deps)) *site {
	t.Helper()
	h := storetest.SQLite(t)
	s := &site{t: t, h: h, gate: siteGate(t, h), ids: map[access.Role]access.Account{}}
	for _, role := range access.Roles() {
		a := access.Account{Name: string(role), Display: "Sam " + string(role), Role: role, AllClients: true, Zone: "Europe/London"}
		made, err := s.gate.AddAccount(context.Background(), access.System("test", access.ViaCommand), a, sitePassword)
		if err != nil {
			t.Fatal(err)
		}
		s.ids[role] = made
	}
	d := Deps{Gate: s.gate, Ready: func(context.Context) error { return nil }, Now: h.Clock.Now, NewID: h.NewID, Random: kittest.Random(9),
		Log: slog.New(slog.DiscardHandler)}
	s.things = furnish(t, h, &d, s.ids[access.Coordinator])
	for _, f := range change {
		f(&d)
	}
	server, err := New(d)
	if err != nil {
		t.Fatal(err)
	}
	s.Server = server
	return s
}

func siteGate(t *testing.T, h *storetest.House) *access.Gate {
	t.Helper()
	random := kittest.Random(8)
	cheap, err := access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, random, 2)
	if err != nil {
		t.Fatal(err)
	}
	return &access.Gate{Now: h.Clock.Now, NewID: h.NewID, Random: random, Passwords: cheap, Limiter: access.NewLimiter(), Times: access.DefaultTimes,
		Do: func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
			return h.Do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		},
		View: func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
			return h.View(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}}
}

// browser keeps cookies and sends what browsers send.
type browser struct {
	s       *site
	cookies map[string]string
	headers http.Header
	base    string
}

// answer is what came back.
type answer struct {
	*httptest.ResponseRecorder
}

func (a answer) text() string { return a.Body.String() }

func (s *site) anonymous() *browser {
	return &browser{s: s, cookies: map[string]string{}, headers: http.Header{}, base: "http://kitd.test"}
}

// as logs an account of the role in.
func (s *site) as(role access.Role) *browser {
	s.t.Helper()
	b := s.anonymous()
	token, _, err := s.gate.Login(context.Background(), access.Attempt{Name: string(role), Password: sitePassword})
	if err != nil {
		s.t.Fatal(err)
	}
	b.cookies[b.name(sessionCookie)] = token
	return b
}

// name is the name under which the browser keeps a cookie.
func (b *browser) name(cookie string) string {
	return b.s.Server.cookieName(httptest.NewRequest(http.MethodGet, b.base+"/", nil), cookie)
}

// cookieName is the name of a cookie without TLS.
func (s *site) cookieName(cookie string) string { return s.anonymous().name(cookie) }

// with gives a browser that sends a header too.
func (b *browser) with(key, value string) *browser {
	c := *b
	c.headers = b.headers.Clone()
	c.headers.Set(key, value)
	return &c
}

func (b *browser) do(method, path, kind string, body io.Reader) answer {
	r := httptest.NewRequest(method, b.base+path, body)
	r.RemoteAddr = "192.0.2.7:5000"
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	for k, v := range b.headers {
		r.Header[k] = v
	}
	for name, value := range b.cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	w := httptest.NewRecorder()
	b.s.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if c.MaxAge < 0 {
			delete(b.cookies, c.Name)
			continue
		}
		b.cookies[c.Name] = c.Value
	}
	return answer{w}
}

func (b *browser) get(path string) answer { return b.do(http.MethodGet, path, "", nil) }

// token is the form token of the browser's login or form cookie.
func (b *browser) token() string {
	secret := b.cookies[b.name(sessionCookie)]
	if secret == "" {
		secret = b.cookies[b.name(formCookie)]
	}
	if secret == "" {
		return ""
	}
	return seal(secret, "form")
}

// post sends a form of ours from our own page.
func (b *browser) post(path string, form url.Values) answer {
	if form == nil {
		form = url.Values{}
	}
	if !form.Has(formField) {
		form.Set(formField, b.token())
	}
	own := b
	if b.headers.Get("Sec-Fetch-Site") == "" && b.headers.Get("Origin") == "" {
		own = b.with("Sec-Fetch-Site", "same-origin")
	}
	return own.do(http.MethodPost, path, "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
}

func (a answer) want(t *testing.T, status int, holds ...string) {
	t.Helper()
	if a.Code != status {
		t.Errorf("got status %d, want %d: %.600s", a.Code, status, a.text())
	}
	for _, part := range holds {
		if !strings.Contains(a.text(), part) {
			t.Errorf("the answer does not hold %q: %.1500s", part, a.text())
		}
	}
}

func (a answer) wantSeeOther(t *testing.T, to string) {
	t.Helper()
	if a.Code != http.StatusSeeOther || a.Header().Get("Location") != to {
		t.Errorf("got %d to %q, want 303 to %q: %.300s", a.Code, a.Header().Get("Location"), to, a.text())
	}
}
