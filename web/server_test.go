package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
)

func TestHealth(t *testing.T) {
	down := errors.New("the disk is gone")
	s := newSite(t, func(d *Deps) { d.Ready = func(context.Context) error { return down } })
	b := s.anonymous()
	b.get("/healthz").want(t, 200, "ok")
	got := b.get("/readyz")
	got.want(t, http.StatusServiceUnavailable, "not ready")
	if strings.Contains(got.text(), "disk") {
		t.Error("the cause is told to anybody")
	}
	newSite(t).anonymous().get("/readyz").want(t, 200, "ready")
}

func TestEveryAnswerCarriesTheHeaders(t *testing.T) {
	s := newSite(t)
	admin := s.as(access.Administrator)
	for _, path := range []string{"/login", "/account", "/accounts", "/healthz", "/no-such-page", "/static/none.css", "/setup/none", "/api/v1/none"} {
		h := admin.get(path).Header()
		csp := h.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "img-src 'self' data:", "font-src 'self'",
			"form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: the policy %q lacks %s", path, csp, part)
			}
		}
		for key, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "X-Frame-Options": "DENY"} {
			if h.Get(key) != want {
				t.Errorf("%s: %s is %q, want %q", path, key, h.Get(key), want)
			}
		}
		if h.Get("X-Request-Id") == "" {
			t.Errorf("%s: no request id", path)
		}
	}
}

func TestHeadAndOptions(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Viewer)
	server := httptest.NewServer(s)
	defer server.Close()
	req, err := http.NewRequest(http.MethodHead, server.URL+"/login", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := server.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != 200 || res.ContentLength <= 0 {
		t.Errorf("HEAD: got %d with length %d", res.StatusCode, res.ContentLength)
	}
	got := b.do(http.MethodOptions, "/account", "", nil)
	if allow := got.Header().Get("Allow"); got.Code != http.StatusNoContent || !strings.Contains(allow, "HEAD") || !strings.Contains(allow, "POST") {
		t.Errorf("OPTIONS: got %d, Allow %q", got.Code, allow)
	}
	got = b.do(http.MethodDelete, "/account", "", nil)
	got.want(t, http.StatusMethodNotAllowed, "DELETE does nothing at this address")
	if got.Header().Get("Allow") == "" {
		t.Error("405 without Allow (RFC 9110, section 15.5.6)")
	}
}

func TestCalendarPathsGoPastTheRoutes(t *testing.T) {
	var seen []string
	mark := func(name string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			seen = append(seen, name+" "+r.Method+" "+r.URL.EscapedPath()+" "+access.RequestOf(r.Context()))
			w.WriteHeader(http.StatusMultiStatus)
		})
	}
	s := newSite(t, func(d *Deps) { d.CalDAV, d.Feeds = mark("caldav"), mark("feeds") })
	b := s.anonymous()
	for _, c := range []struct{ method, path, who string }{
		{"PROPFIND", "/caldav/", "caldav"}, {"MKCALENDAR", "/caldav/k%2F1/", "caldav"}, {"PUT", "/caldav/kits/o%2B.ics", "caldav"},
		{"PROPFIND", "/.well-known/caldav", "caldav"}, {"GET", "/feeds/secret.ics", "feeds"}, {"OPTIONS", "/caldav", "caldav"},
	} {
		seen = nil
		got := b.do(c.method, c.path, "", nil)
		if got.Code != http.StatusMultiStatus || len(seen) != 1 || !strings.HasPrefix(seen[0], c.who+" "+c.method+" "+c.path+" ") {
			t.Errorf("%s %s: got %d, seen %v", c.method, c.path, got.Code, seen)
		}
		if strings.HasSuffix(seen[0], " ") {
			t.Errorf("%s: no request id in the context", c.path)
		}
	}
	seen = nil
	b.get("/caldav%2Fkits").want(t, 404)
	b.get("/caldavx").want(t, 404)
	if len(seen) != 0 {
		t.Errorf("paths beside the calendar's reached it: %v", seen)
	}
	newSite(t).anonymous().do("PROPFIND", "/caldav/", "", nil).want(t, 404)
}

func TestPanicsAreAnswered(t *testing.T) {
	var log bytes.Buffer
	s := newSite(t, func(d *Deps) {
		d.Log = slog.New(slog.NewJSONHandler(&log, nil))
		d.Feeds = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("secret detail") })
	})
	s.echo.GET("/panics", func(echo.Context) error { panic("secret detail") })
	for _, path := range []string{"/panics", "/feeds/TOPSECRET.ics"} {
		got := s.anonymous().get(path)
		got.want(t, 500, "Something went wrong inside kitd")
		if strings.Contains(got.text(), "secret detail") {
			t.Error("the panic is shown to the caller")
		}
	}
	if !strings.Contains(log.String(), "secret detail") || !strings.Contains(log.String(), `"stack"`) {
		t.Errorf("the log does not tell of the panic: %s", log.String())
	}
}

func TestTheLogKnowsWhoAndWhatButNoSecrets(t *testing.T) {
	var log bytes.Buffer
	s := newSite(t, func(d *Deps) { d.Log = slog.New(slog.NewJSONHandler(&log, nil)) })
	b := s.as(access.Surveyor)
	got := b.get("/account")
	var line struct {
		Request, Method, Path, Route, Address, Account string
		Status                                         int
	}
	if err := json.Unmarshal(log.Bytes(), &line); err != nil {
		t.Fatal(err)
	}
	if line.Request != got.Header().Get("X-Request-Id") || line.Path != "/account" || line.Route != "/account" || line.Status != 200 ||
		line.Address != "192.0.2.7" || line.Account != s.ids[access.Surveyor].ID.String() {
		t.Errorf("got %+v", line)
	}
	b.get("/setup/SETUPSECRET")
	b.get("/feeds/FEEDSECRET.ics")
	b.get("/login?next=QUERYSECRET")
	for _, secret := range []string{"SETUPSECRET", "FEEDSECRET", "QUERYSECRET", b.cookies[sessionCookie]} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("the log holds %s", secret)
		}
	}
}

func TestClientAddress(t *testing.T) {
	s := newSite(t, func(d *Deps) {
		d.Config.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("::1/128")}
	})
	for _, c := range []struct{ remote, forwarded, want string }{
		{"192.0.2.1:1", "", "192.0.2.1"},
		{"192.0.2.1:1", "203.0.113.9", "192.0.2.1"}, // not a proxy of ours: its word does not count
		{"10.0.0.1:1", "203.0.113.9", "203.0.113.9"},
		{"10.0.0.1:1", "198.51.100.1, 203.0.113.9, 10.0.0.2", "203.0.113.9"}, // what stands further left may be forged
		{"10.0.0.1:1", "nonsense", "10.0.0.1"},
		{"10.0.0.1:1", "", "10.0.0.1"},
		{"[::1]:1", "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"},
		{"[::ffff:192.0.2.1]:1", "", "192.0.2.1"},
		{"@", "", ""},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = c.remote
		if c.forwarded != "" {
			r.Header.Set("X-Forwarded-For", c.forwarded)
		}
		if got := s.clientAddress(r); got != c.want {
			t.Errorf("%s, %q: got %q, want %q", c.remote, c.forwarded, got, c.want)
		}
	}
}

func TestRequestIDsComeFromTrustedProxiesOnly(t *testing.T) {
	s := newSite(t, func(d *Deps) { d.Config.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("192.0.2.7/32")} })
	b := s.anonymous()
	if got := b.with("X-Request-Id", "proxy-17").get("/healthz").Header().Get("X-Request-Id"); got != "proxy-17" {
		t.Errorf("got %q", got)
	}
	if got := b.with("X-Request-Id", "two words\n").get("/healthz").Header().Get("X-Request-Id"); got == "two words\n" {
		t.Error("an id that is none was taken over")
	}
	if got := newSite(t).anonymous().with("X-Request-Id", "forged").get("/healthz").Header().Get("X-Request-Id"); got == "forged" {
		t.Error("an id of nobody in particular was taken over")
	}
}

func TestBodiesAreBounded(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	form := formField + "=" + b.token() + "&display=" + strings.Repeat("x", usualBody)
	b.do("POST", "/account", "application/x-www-form-urlencoded", strings.NewReader(form)).want(t, http.StatusRequestEntityTooLarge, "256 KiB")
}

func TestSettingsThatCannotWork(t *testing.T) {
	for url, ok := range map[string]bool{
		"": true, "https://kit.example.org": true, "http://localhost:8080/": true, "kit.example.org": false, "ftp://kit.example.org": false,
		"https://kit.example.org/kitd": false, "https://user@kit.example.org": false, "https://kit.example.org?x=1": false, "https://": false,
	} {
		err := Config{PublicURL: url}.Check()
		if (err == nil) != ok {
			t.Errorf("%q: got %v", url, err)
		}
		if err != nil && fault.Of(err).Fields[0].Path != "public_url" {
			t.Errorf("%q: the fault names no key: %v", url, err)
		}
	}
}

// failing answers every path under /fails/ and /api/fails/ with the fault of the code.
func failing(s *site) {
	fail := func(c echo.Context) error {
		code := fault.Code(c.Param("code"))
		return fmt.Errorf("wrapped: %w", fault.New(code, "noun", "thing", "what", "<script>").At("/a/1", "Write <b>.").Because(errors.New("inner cause")))
	}
	s.echo.GET("/fails/:code", fail)
	s.echo.GET("/api/fails/:code", fail)
}

// TestEveryCodeInEveryForm walks the whole catalogue: page for people, problem document (RFC 9457) for programs.
func TestEveryCodeInEveryForm(t *testing.T) {
	s := newSite(t)
	failing(s)
	b := s.as(access.Viewer)
	for _, code := range fault.Codes() {
		f := fault.New(code, "noun", "thing", "what", "<script>")
		page := b.get("/fails/" + string(code))
		if code == fault.NotSignedIn {
			page.wantSeeOther(t, "/login?next=%2Ffails%2Fnot-signed-in")
		} else if page.Code != statusOf(f) || !strings.HasPrefix(page.Header().Get("Content-Type"), "text/html") ||
			!strings.Contains(page.text(), string(code)) || !strings.Contains(page.text(), "Write &lt;b&gt;.") {
			t.Errorf("%s as a page: got %d, %s: %.800s", code, page.Code, page.Header().Get("Content-Type"), page.text())
		}
		problem := b.get("/api/fails/" + string(code))
		var doc problemDoc
		if err := json.Unmarshal(problem.Body.Bytes(), &doc); err != nil {
			t.Fatalf("%s: %v: %s", code, err, problem.text())
		}
		if problem.Header().Get("Content-Type") != "application/problem+json" || doc.Status != problem.Code || doc.Status != statusOf(f) ||
			doc.Code != code || doc.Detail != f.Sentence() || doc.Title == "" || !strings.HasSuffix(doc.Type, "/problems/"+string(code)) ||
			len(doc.Fields) != 1 || doc.Fields[0].Path != "/a/1" || !strings.HasSuffix(doc.Instance, problem.Header().Get("X-Request-Id")) {
			t.Errorf("%s as a problem: got %s", code, problem.text())
		}
		if (doc.Status == http.StatusUnauthorized) != (problem.Header().Get("WWW-Authenticate") != "") {
			t.Errorf("%s: status %d with WWW-Authenticate %q", code, doc.Status, problem.Header().Get("WWW-Authenticate"))
		}
		if strings.Contains(page.text()+problem.text(), "inner cause") || strings.Contains(page.text(), "<script>") {
			t.Errorf("%s: the cause or raw markup is shown", code)
		}
		b.get("/problems/"+string(code)).want(t, 200, string(code))
	}
	b.get("/problems/none").want(t, 404)
}

func TestKindsHaveAStatusEach(t *testing.T) {
	for _, code := range fault.Codes() {
		kind := fault.New(code).Kind()
		if kindStatus[kind] == 0 || titles[kind] == "" {
			t.Errorf("%s is of kind %s, which has no status or title", code, kind)
		}
	}
}
