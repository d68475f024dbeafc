package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
)

// sample gives a path of a route: parameters are filled with things the site has.
func (s *site) sample(path string) string {
	return regexp.MustCompile(`:[a-z]+|\*`).ReplaceAllStringFunc(path, func(name string) string {
		if known, ok := s.samples()[strings.Split(path, name)[0]+name]; ok {
			return known
		}
		return "0190163d-8694-739b-aea5-966c26f8ad90"
	})
}

// samples names a thing for a parameter, by the path up to it.
func (s *site) samples() map[string]string {
	return map[string]string{"/accounts/:id": s.ids[access.Viewer].ID.String(), "/problems/:code": "not-there", "/static/*": "none"}
}

func TestEveryRouteDeclaresItsAccess(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range Routes() {
		if _, ok := least[r.Need]; !ok && r.Need != Everybody {
			t.Errorf("%s %s declares no access", r.Method, r.Path)
		}
		if seen[r.Method+" "+r.Path] {
			t.Errorf("%s %s stands twice in the table", r.Method, r.Path)
		}
		seen[r.Method+" "+r.Path] = true
	}
	if len(seen) < 20 {
		t.Errorf("only %d routes", len(seen))
	}
	for _, r := range newSite(t).echo.Routes() {
		method := r.Method
		if method == http.MethodHead {
			method = http.MethodGet
		}
		if !seen[method+" "+r.Path] {
			t.Errorf("%s %s is answered but stands in no table", r.Method, r.Path)
		}
	}
}

// call sends a request of a route as somebody: an empty role is nobody.
func (s *site) call(r Route, role access.Role) answer {
	b := s.anonymous()
	path := s.sample(r.Path)
	if r.API() {
		if role != "" {
			token, _, err := s.gate.IssueToken(context.Background(), access.Actor{Account: s.ids[role].ID, Role: role}, "matrix", role, time.Time{})
			if err != nil {
				s.t.Fatal(err)
			}
			b = b.with("Authorization", "Bearer "+token)
		}
		if safeMethod(r.Method) {
			return b.get(path)
		}
		return b.do(r.Method, path, "application/json", strings.NewReader("{}"))
	}
	if role != "" {
		b = s.as(role)
	}
	if safeMethod(r.Method) {
		return b.get(path)
	}
	b.get("/login") // binds the form of somebody without a login
	return b.post(path, url.Values{})
}

func TestRoutesByRole(t *testing.T) {
	for _, r := range Routes() {
		t.Run(r.Method+" "+r.Path, func(t *testing.T) {
			s := newSite(t)
			for _, role := range append([]access.Role{""}, access.Roles()...) {
				got := s.call(r, role)
				switch {
				case got.Code >= 500:
					t.Errorf("%q: got %d: %.400s", role, got.Code, got.text())
				case role == "" && r.Need != Everybody:
					wantNobody(t, r, got)
				case !r.Need.Allows(role) && r.Need != Everybody:
					if got.Code != http.StatusForbidden || !strings.Contains(got.text(), "not-allowed") {
						t.Errorf("%q: got %d, want 403: %.400s", role, got.Code, got.text())
					}
				case strings.HasPrefix(got.Header().Get("Location"), "/login?") || r.Path != "/login" && got.Code == http.StatusUnauthorized || got.Code == http.StatusForbidden && strings.Contains(got.text(), "not-allowed"):
					t.Errorf("%q: got %d, though the table allows it: %.400s", role, got.Code, got.text())
				}
				if got.Header().Get("Content-Security-Policy") != policy {
					t.Errorf("%q: policy %q", role, got.Header().Get("Content-Security-Policy"))
				}
				wantStrict(t, got)
			}
		})
	}
}

func wantNobody(t *testing.T, r Route, got answer) {
	t.Helper()
	switch {
	case r.API() || !safeMethod(r.Method):
		if got.Code != http.StatusUnauthorized {
			t.Errorf("nobody: got %d, want 401: %.400s", got.Code, got.text())
		}
	case got.Code != http.StatusSeeOther || !strings.HasPrefix(got.Header().Get("Location"), "/login"):
		t.Errorf("nobody: got %d to %q, want the login", got.Code, got.Header().Get("Location"))
	}
}

var inline = regexp.MustCompile(`(?i)<script(?:[^>]*[^/])?>[^<]|<style|\sstyle=|\son[a-z]+=["']|javascript:`)

// wantStrict looks for what the policy would stop: inline script, style and handlers.
func wantStrict(t *testing.T, got answer) {
	t.Helper()
	if !strings.HasPrefix(got.Header().Get("Content-Type"), "text/html") {
		return
	}
	if at := inline.FindString(got.text()); at != "" {
		t.Errorf("the page holds %q, which the policy stops", at)
	}
}

func TestSignedInPagesAreNotKeptByCaches(t *testing.T) {
	s := newSite(t)
	for _, r := range Routes() {
		if r.Need == Everybody || r.Method != http.MethodGet {
			continue
		}
		if got := s.call(r, access.Administrator).Header().Get("Cache-Control"); !strings.Contains(got, "no-store") && !strings.Contains(got, "private") {
			t.Errorf("%s: Cache-Control %q", r.Path, got)
		}
	}
}
