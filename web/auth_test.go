package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/ident"
)

func TestLoginAndLogout(t *testing.T) {
	s := newSite(t)
	b := s.anonymous()
	b.get("/account").wantSeeOther(t, "/login?next=%2Faccount")
	b.get("/login?next=%2Faccount").want(t, 200, `name="next" value="/account"`, `autocomplete="current-password"`)
	got := b.post("/login", url.Values{"name": {"Surveyor"}, "password": {sitePassword}, "next": {"/account"}})
	got.wantSeeOther(t, "/account")
	cookie := got.Result().Cookies()[0]
	if !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode || cookie.Path != "/" || cookie.Secure {
		t.Errorf("got cookie %+v", cookie)
	}
	b.get("/account").want(t, 200, "Sam surveyor, surveyor", "http://kitd.test/caldav/")
	b.get("/login").wantSeeOther(t, "/")
	old := b.cookies[sessionCookie]
	b.post("/logout", nil).wantSeeOther(t, "/login")
	b.cookies[sessionCookie] = old
	b.get("/account").wantSeeOther(t, "/login?next=%2Faccount")
}

func TestLoginNeverLeadsElsewhere(t *testing.T) {
	s := newSite(t)
	for _, next := range []string{"https://elsewhere.example/", "//elsewhere.example/", `/\elsewhere.example`, "javascript:alert(1)", "/\t/elsewhere.example", "elsewhere"} {
		b := s.anonymous()
		b.get("/login")
		b.post("/login", url.Values{"name": {"viewer"}, "password": {sitePassword}, "next": {next}}).wantSeeOther(t, "/")
	}
}

func TestRefusedLogin(t *testing.T) {
	s := newSite(t)
	b := s.anonymous()
	b.get("/login")
	got := b.post("/login", url.Values{"name": {`"><script>alert(1)</script>`}, "password": {"wrong"}})
	got.want(t, http.StatusUnauthorized, "Name and password do not belong together", "&lt;script&gt;")
	if strings.Contains(got.text(), "<script>") {
		t.Error("what was typed came back as markup")
	}
	for range s.gate.Limiter.PerAccount {
		b.post("/login", url.Values{"name": {"viewer"}, "password": {"wrong"}}).want(t, http.StatusUnauthorized)
	}
	got = b.post("/login", url.Values{"name": {"viewer"}, "password": {sitePassword}})
	got.want(t, http.StatusTooManyRequests, "too many tries")
	if got.Header().Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
}

// TestAPlantedSessionIsWorthNothing: what a browser held before the login does not become the login.
func TestAPlantedSessionIsWorthNothing(t *testing.T) {
	s := newSite(t)
	attacker := s.as(access.Viewer)
	planted := attacker.cookies[sessionCookie]
	b := s.anonymous()
	b.cookies[sessionCookie] = planted
	b.post("/login", url.Values{"name": {"administrator"}, "password": {sitePassword}}).wantSeeOther(t, "/")
	if b.cookies[sessionCookie] == planted {
		t.Fatal("the login went on under the planted token")
	}
	attacker.get("/account").wantSeeOther(t, "/login?next=%2Faccount")
}

func TestSessionExpires(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	b.get("/account").want(t, 200)
	s.h.Clock.Add(s.gate.Times.SessionIdle)
	b.get("/account").wantSeeOther(t, "/login?next=%2Faccount")
	s = newSite(t)
	b = s.as(access.Surveyor)
	s.h.Clock.Add(s.gate.Times.SessionIdle)
	b.post("/account", url.Values{"display": {"x"}}).want(t, http.StatusUnauthorized, "nothing was stored", "/login")
}

func TestFormsOfOthersAreRefused(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	change := func() url.Values {
		return url.Values{"display": {"Changed"}, "locale": {"en"}, "zone": {"UTC"}}
	}
	forged := change()
	forged.Set(formField, "not the token")
	b.post("/account", forged).want(t, 403, "form-stale")
	missing := change()
	missing[formField] = nil
	b.post("/account", missing).want(t, 403, "form-stale")
	other := change()
	other.Set(formField, s.as(access.Viewer).token())
	b.post("/account", other).want(t, 403, "form-stale")
	for _, site := range []string{"cross-site", "same-site"} {
		b.with("Sec-Fetch-Site", site).post("/account", change()).want(t, 403, "foreign-origin")
	}
	for _, origin := range []string{"http://elsewhere.example", "null", "http://kitd.test.elsewhere.example"} {
		b.with("Origin", origin).post("/account", change()).want(t, 403, "foreign-origin")
	}
	b.do("POST", "/account", "text/plain", strings.NewReader("display=Changed")).want(t, http.StatusUnsupportedMediaType)
	b.do("POST", "/account", "application/json", strings.NewReader("{}")).want(t, http.StatusUnsupportedMediaType)
	if a, err := s.gate.AccountNamed(context.Background(), access.System("test", access.ViaCommand), "surveyor"); err != nil || a.Display == "Changed" {
		t.Errorf("a forged form was stored: %v, %v", a.Display, err)
	}
	b.with("Origin", "http://kitd.test").post("/account", change()).wantSeeOther(t, "/account")
	b.get("/account").want(t, 200, "Your account is changed.", "Changed, surveyor")
	if got := b.get("/account"); strings.Contains(got.text(), "Your account is changed.") {
		t.Error("the sentence of the change is told twice")
	}
}

func TestWordsForTheNextPageCannotBePlanted(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	b.cookies[toldCookie] = "Q2FsbCA1NTUgMDE." + seal("guess", "told:Q2FsbCA1NTUgMDE")
	if got := b.get("/account"); strings.Contains(got.text(), "Call 555 01") {
		t.Error("words from elsewhere are shown")
	}
}

func TestLoginFormIsBoundToTheBrowser(t *testing.T) {
	s := newSite(t)
	mine, other := s.anonymous(), s.anonymous()
	mine.get("/login")
	other.get("/login")
	form := url.Values{"name": {"viewer"}, "password": {sitePassword}, formField: {other.token()}}
	mine.post("/login", form).want(t, 403, "form-stale")
	s.anonymous().post("/login", url.Values{"name": {"viewer"}, "password": {sitePassword}}).want(t, http.StatusUnauthorized)
}

func TestCookiesOverTLS(t *testing.T) {
	s := newSite(t, func(d *Deps) { d.Config.PublicURL = "https://kit.example.org" })
	b := s.anonymous()
	b.base = "http://10.0.0.5:8080" // the proxy speaks plainly with kitd
	got := b.get("/login")
	if hsts := got.Header().Get("Strict-Transport-Security"); !strings.HasPrefix(hsts, "max-age=") {
		t.Errorf("got Strict-Transport-Security %q", hsts)
	}
	got = b.with("Origin", "https://kit.example.org").post("/login", url.Values{"name": {"viewer"}, "password": {sitePassword}})
	got.wantSeeOther(t, "/")
	for _, c := range got.Result().Cookies() {
		if !c.Secure || !c.HttpOnly || !strings.HasPrefix(c.Name, "__Host-") || c.Domain != "" || c.Path != "/" {
			t.Errorf("got cookie %+v", c)
		}
	}
	b.get("/account").want(t, 200, "https://kit.example.org/caldav/")
	b.with("Origin", "http://10.0.0.5:8080").post("/account", url.Values{}).want(t, 403, "foreign-origin")
}

// TestCookiesOverOwnTLS: kitd serves TLS itself and no public address is set.
func TestCookiesOverOwnTLS(t *testing.T) {
	s := newSite(t)
	b := s.anonymous()
	b.base = "https://kitd.test"
	got := b.get("/login")
	for _, c := range got.Result().Cookies() {
		if !c.Secure || !strings.HasPrefix(c.Name, "__Host-") {
			t.Errorf("got cookie %+v", c)
		}
	}
	if got.Header().Get("Strict-Transport-Security") == "" {
		t.Error("no Strict-Transport-Security")
	}
	b.post("/login", url.Values{"name": {"viewer"}, "password": {sitePassword}}).wantSeeOther(t, "/")
	b.get("/account").want(t, 200, "https://kitd.test/caldav/")
}

var secretShown = regexp.MustCompile(`<p class="secret"><code>([^<]+)</code></p>`)

func shown(t *testing.T, a answer) string {
	t.Helper()
	m := secretShown.FindStringSubmatch(a.text())
	if m == nil {
		t.Fatalf("no secret is shown: %.2000s", a.text())
	}
	return m[1]
}

func TestSetupLinkPage(t *testing.T) {
	s := newSite(t)
	if _, err := s.h.SQL(t).Exec("DELETE FROM credential; DELETE FROM session; DELETE FROM account_password; DELETE FROM account"); err != nil {
		t.Fatal(err)
	}
	secret, needed, err := s.gate.SetupLink(context.Background())
	if err != nil || !needed {
		t.Fatal(needed, err)
	}
	b, path := s.anonymous(), "/setup/"+secret
	b.get(path).want(t, 200, "Set up kitd", `autocomplete="new-password"`)
	b.post(path, url.Values{"name": {"ada"}, "password": {"short"}, "again": {"short"}}).want(t, 422, "at least 10", `value="ada"`)
	b.post(path, url.Values{"name": {"ada"}, "password": {sitePassword}, "again": {"other words here"}}).want(t, 422, "two passwords differ")
	b.post(path, url.Values{"name": {"ada"}, "zone": {"Europe/Paris"}, "password": {sitePassword}, "again": {sitePassword}}).wantSeeOther(t, "/account")
	b.get("/account").want(t, 200, "administrator", "you are logged in")
	s.anonymous().get(path).want(t, 404, "used already")
	b.get("/accounts").want(t, 200, "1 accounts")
}

func TestInvitationPage(t *testing.T) {
	s := newSite(t)
	admin := s.as(access.Administrator)
	got := admin.post("/accounts", url.Values{"name": {"ines"}, "display": {"Ines <b>"}, "role": {"surveyor"}, "zone": {"Europe/London"}})
	got.want(t, 200, "works once")
	link, err := url.Parse(shown(t, got))
	if err != nil || link.Host != "kitd.test" {
		t.Fatalf("got link %v, %v", link, err)
	}
	b := s.anonymous()
	b.get(link.Path).want(t, 200, "Choose a password", "ines")
	b.post(link.Path, url.Values{"password": {sitePassword}, "again": {sitePassword}}).wantSeeOther(t, "/account")
	b.get("/account").want(t, 200, "Ines &lt;b&gt;, surveyor")
	b.get(link.Path).want(t, 404)
	admin.post("/accounts", url.Values{"name": {"INES"}, "role": {"viewer"}}).want(t, 409, "This name is taken")
	admin.post("/accounts", url.Values{"name": {"x y"}, "role": {"owner"}, "zone": {"Mars"}}).want(t, 422, "without spaces", "Choose administrator", "Write the time zone")
}

func TestAccountsPageChangesAccounts(t *testing.T) {
	s := newSite(t)
	admin := s.as(access.Administrator)
	viewer := s.ids[access.Viewer]
	path := "/accounts/" + viewer.ID.String()
	admin.get(path).want(t, 200, `name="version" value="1"`)
	change := func(version string, more url.Values) url.Values {
		form := url.Values{"version": {version}, "display": {"V"}, "role": {"coordinator"}, "locale": {"en"}, "zone": {"UTC"}}
		for k, v := range more {
			form[k] = v
		}
		return form
	}
	admin.post(path, change("1", nil)).wantSeeOther(t, "/accounts")
	admin.post(path, change("1", nil)).want(t, 409, "changed by somebody else")
	admin.post(path, change("2", url.Values{"client": {"no id"}})).want(t, 422, "Choose clients from the list")
	admin.post(path, change("2", url.Values{"disabled": {"yes"}})).wantSeeOther(t, "/accounts")
	admin.get("/accounts").want(t, 200, "disabled")
	admin.post(path+"/invite", nil).want(t, 422, "enable it before")
	own := "/accounts/" + s.ids[access.Administrator].ID.String()
	admin.post(own, change("1", url.Values{"disabled": {"yes"}})).want(t, 409, "last administrator")
	admin.get("/accounts/"+ident.ID{1}.String()).want(t, 404)
	admin.get("/accounts/none").want(t, 404)
}

func TestAppPasswordsAndFeedOnTheAccountPage(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	app := shown(t, b.post("/account/app-passwords", url.Values{"label": {"phone"}}))
	if who, err := s.gate.Authenticate(context.Background(), "surveyor", app, access.ViaCalDAV); err != nil || who.Account != s.ids[access.Surveyor].ID {
		t.Errorf("the password shown does not work: %v, %v", who, err)
	}
	page := b.get("/account")
	page.want(t, 200, "phone")
	if strings.Contains(page.text(), app) {
		t.Error("an app password is shown twice")
	}
	revoke := regexp.MustCompile(`/account/credentials/[0-9a-f-]+/revoke`).FindString(page.text())
	s.as(access.Viewer).post(revoke, nil).want(t, 404)
	b.post(revoke, nil).wantSeeOther(t, "/account")
	if _, err := s.gate.Authenticate(context.Background(), "surveyor", app, access.ViaCalDAV); err == nil {
		t.Error("a revoked app password works")
	}
	feed := shown(t, b.post("/account/feed", nil))
	secret := strings.TrimSuffix(strings.TrimPrefix(feed, "http://kitd.test/feeds/"), ".ics")
	if who, err := s.gate.FeedHolder(context.Background(), secret); err != nil || who.Role != access.Viewer {
		t.Errorf("the address shown does not work: %v, %v", who, err)
	}
	token := shown(t, b.post("/account/tokens", url.Values{"label": {"script"}, "role": {"viewer"}, "expires": {"2026-12-31"}}))
	if who, err := s.gate.Bearer(context.Background(), token, access.ViaAPI); err != nil || who.Role != access.Viewer {
		t.Errorf("the token shown does not work: %v, %v", who, err)
	}
	b.post("/account/tokens", url.Values{"label": {"script"}, "role": {"administrator"}}).want(t, 403, "cannot do more than the account")
	b.post("/account/tokens", url.Values{"label": {"script"}, "role": {"viewer"}, "expires": {"31.12."}}).want(t, 422, "YYYY-MM-DD")
	b.post("/account/app-passwords", url.Values{"label": {""}}).want(t, 422, "which device")
}

func TestChangePasswordPage(t *testing.T) {
	s := newSite(t)
	b, elsewhere := s.as(access.Surveyor), s.as(access.Surveyor)
	b.post("/account/password", url.Values{"present": {"wrong"}, "next": {"another good one"}, "again": {"another good one"}}).want(t, 422, "not the present password")
	b.post("/account/password", url.Values{"present": {sitePassword}, "next": {"another good one"}, "again": {"x"}}).want(t, 422, "differ")
	b.post("/account/password", url.Values{"present": {sitePassword}, "next": {"another good one"}, "again": {"another good one"}}).wantSeeOther(t, "/account")
	b.get("/account").want(t, 200, "Your password is changed.")
	elsewhere.get("/account").wantSeeOther(t, "/login?next=%2Faccount")
}
