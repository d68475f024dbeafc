package web

import (
	"context"
	"maps"
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
	all := map[string]string{"/accounts/:id": s.ids[access.Viewer].ID.String(), "/problems/:code": "not-there", "/static/*": "none",
		"/units/:tag": "D-002", "/u/:tag": "D-002", "/kits/:code": "K-1", "/api/v1/units/:tag": "D-002"}
	maps.Copy(all, s.walled())
	return all
}

// walled are the things that lie behind the wall of the client Quillon.
func (s *site) walled() map[string]string {
	return map[string]string{"/bookings/:id": s.booking.ID.String(), "/surveys/:id": s.survey.ID.String(), "/wears/:id": s.wear.ID.String(),
		"/returns/:id": s.returned.ID.String(), "/results/:id": s.result.ID.String(),
		"/api/v1/bookings/:id": s.booking.ID.String(), "/api/v1/results/:id": s.result.ID.String()}
}

// wallOf gives the walled thing a route speaks of, empty when it speaks of none.
func (s *site) wallOf(r Route) string {
	for pattern, id := range s.walled() {
		if r.Path == pattern || strings.HasPrefix(r.Path, pattern+"/") {
			return id
		}
	}
	return ""
}

// TestTheWallAtEveryRoute: for an account that does not see the client, every route that speaks of one of its things answers word
// for word as if the thing were not there.
func TestTheWallAtEveryRoute(t *testing.T) {
	s := newSite(t)
	program, page := s.narrow(access.Coordinator)
	insideProgram, insidePage := s.narrow(access.Coordinator, s.client.ID)
	const absent = "0190163d-8694-739b-aea5-966c26f8ad90"
	looked := 0
	for _, r := range Routes() {
		id := s.wallOf(r)
		if id == "" {
			continue
		}
		looked++
		outside, inside := page, insidePage
		if r.API() {
			outside, inside = program, insideProgram
		}
		path := s.sample(r.Path)
		hidden, none := outside.any(r, path), outside.any(r, strings.Replace(path, id, absent, 1))
		words := func(a answer) string {
			return strings.NewReplacer(a.Header().Get("X-Request-Id"), "", id, "", absent, "").Replace(a.text())
		}
		if hidden.Code != none.Code || words(hidden) != words(none) {
			t.Errorf("%s %s: behind the wall %d, absent %d: %.500s", r.Method, r.Path, hidden.Code, none.Code, words(hidden))
		}
		if r.Method != http.MethodGet {
			continue
		}
		if hidden.Code != http.StatusNotFound {
			t.Errorf("%s: got %d behind the wall, want 404: %.500s", r.Path, hidden.Code, hidden.text())
		}
		if seen := inside.any(r, path); seen.Code != http.StatusOK {
			t.Errorf("%s: got %d for one who sees the client: %.500s", r.Path, seen.Code, seen.text())
		}
	}
	if looked < 4 {
		t.Errorf("only %d routes were looked at", looked)
	}
}

// any sends a request of a route without content.
func (b *browser) any(r Route, path string) answer {
	switch {
	case r.Method == http.MethodGet:
		return b.get(path)
	case r.API():
		return b.do(r.Method, path, "application/json", strings.NewReader("{}"))
	}
	return b.post(path, url.Values{})
}

// TestNoListShowsWhatLiesBehindTheWall looks through every page and list that needs no thing named.
func TestNoListShowsWhatLiesBehindTheWall(t *testing.T) {
	s := newSite(t)
	program, page := s.narrow(access.Coordinator)
	secrets := []string{"Quillon", "Hazel", "Fettling", "Foundry", s.client.ID.String(), s.booking.ID.String(), s.wear.ID.String(), s.survey.ID.String(),
		s.returned.ID.String(), s.result.ID.String(), s.result.Hash}
	looked := 0
	for _, r := range Routes() {
		if r.Method != http.MethodGet || s.wallOf(r) != "" || r.Path == "/static/*" {
			continue
		}
		looked++
		b := page
		if r.API() {
			b = program
		}
		got := b.get(s.sample(r.Path))
		for _, secret := range secrets {
			if strings.Contains(got.text(), secret) {
				t.Errorf("%s shows %q across the wall", r.Path, secret)
			}
		}
	}
	if looked < 8 {
		t.Errorf("only %d pages were looked at", looked)
	}
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
	s := newSite(t)
	for _, r := range Routes() {
		t.Run(r.Method+" "+r.Path, func(t *testing.T) {
			for _, role := range append([]access.Role{""}, access.Roles()...) {
				got := s.call(r, role)
				switch {
				case got.Code >= 500:
					t.Errorf("%q: got %d: %.400s", role, got.Code, got.text())
				case role == "" && r.Need != Everybody:
					wantNobody(t, r, got)
				case !r.Need.Allows(role) && r.Need != Everybody:
					if got.Code != http.StatusForbidden || !strings.Contains(got.text(), "not allow this: it is for ") {
						t.Errorf("%q: got %d, want 403: %.400s", role, got.Code, got.text())
					}
				case strings.HasPrefix(got.Header().Get("Location"), "/login?") || r.Path != "/login" && got.Code == http.StatusUnauthorized || strings.Contains(got.text(), "not allow this: it is for "):
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

// TestHeadAnswersLikeGet: RFC 9110, section 9.3.2.
func TestHeadAnswersLikeGet(t *testing.T) {
	s := newSite(t)
	page, program := s.as(access.Administrator), s.program(access.Administrator)
	for _, r := range Routes() {
		if r.Method != http.MethodGet {
			continue
		}
		b := page
		if r.API() {
			b = program
		}
		path := s.sample(r.Path)
		get, head := b.get(path), b.do(http.MethodHead, path, "", nil)
		if get.Code != head.Code || get.Header().Get("Content-Type") != head.Header().Get("Content-Type") {
			t.Errorf("%s: GET %d %s, HEAD %d %s", r.Path, get.Code, get.Header().Get("Content-Type"), head.Code, head.Header().Get("Content-Type"))
		}
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
