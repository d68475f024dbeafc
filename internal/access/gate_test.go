package access_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

var (
	ctx  = context.Background()
	root = access.System("test", access.ViaCommand)
)

const password = "long enough words"

type gatehouse struct {
	*access.Gate
	h      *storetest.House
	t      *testing.T
	writes int
}

// each runs a test on both databases with a gate whose passwords cost little.
func each(t *testing.T, test func(t *testing.T, g *gatehouse)) {
	t.Helper()
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		random := kittest.Random(7)
		cheap, err := access.NewPasswords(access.Cost{Memory: 64, Passes: 1, Threads: 1}, random, 2)
		if err != nil {
			t.Fatal(err)
		}
		g := &gatehouse{h: h, t: t}
		g.Gate = &access.Gate{Now: h.Clock.Now, NewID: h.NewID, Random: random, Passwords: cheap, Limiter: access.NewLimiter(), Times: access.DefaultTimes,
			Do: func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
				g.writes++
				return h.Do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
			},
			View: func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
				return h.View(ctx, who, func(tx *store.Tx) error { return fn(tx) })
			}}
		test(t, g)
	})
}

func (g *gatehouse) add(name string, role access.Role) access.Account {
	g.t.Helper()
	a, err := g.AddAccount(ctx, root, access.Account{Name: name, Display: "Ms " + name, Role: role, Zone: "Europe/London"}, password)
	if err != nil {
		g.t.Fatal(err)
	}
	return a
}

func (g *gatehouse) login(name string) (string, access.Session) {
	g.t.Helper()
	token, s, err := g.Login(ctx, access.Attempt{Name: name, Password: password, Address: "192.0.2.1"})
	if err != nil {
		g.t.Fatal(err)
	}
	return token, s
}

func wantCode(t *testing.T, err error, code fault.Code) {
	t.Helper()
	if !fault.Is(err, code) {
		t.Helper()
		t.Errorf("got %v, want %s", err, code)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestLoginOpensASessionWithRoleAndWall(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		client := g.NewID()
		a, err := g.AddAccount(ctx, root, access.Account{Name: "Ines", Role: access.Surveyor, Clients: []ident.ID{client}}, password)
		must(t, err)
		token, _ := g.login("  INES ")
		s, err := g.Session(ctx, token)
		must(t, err)
		who := s.Actor
		if who.Account != a.ID || who.Role != access.Surveyor || who.Via != access.ViaPage || !who.Scope.Sees(client) || who.Scope.Sees(g.NewID()) {
			t.Errorf("got %+v", who)
		}
		if s.Account.Display != "Ines" || s.Account.Zone != "UTC" || !s.Account.HasPassword {
			t.Errorf("got account %+v", s.Account)
		}
	})
}

func TestSessionsEnd(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Surveyor)
		idle, _ := g.login("ines")
		g.h.Clock.Add(g.Times.SessionIdle)
		_, err := g.Session(ctx, idle)
		wantCode(t, err, fault.NotSignedIn)

		long, _ := g.login("ines")
		for used := time.Duration(0); used < g.Times.SessionWhole-12*time.Hour; used += 12 * time.Hour {
			g.h.Clock.Add(12 * time.Hour)
			if used+12*time.Hour < g.Times.SessionWhole {
				_, err = g.Session(ctx, long)
				must(t, err)
			}
		}
		g.h.Clock.Add(12 * time.Hour)
		_, err = g.Session(ctx, long)
		wantCode(t, err, fault.NotSignedIn)

		out, s := g.login("ines")
		must(t, g.Logout(ctx, s.Actor, out))
		_, err = g.Session(ctx, out)
		wantCode(t, err, fault.NotSignedIn)
		must(t, g.Logout(ctx, s.Actor, out))

		_, err = g.Session(ctx, "no such token")
		wantCode(t, err, fault.NotSignedIn)

		// A login sweeps what ended by itself.
		g.login("ines")
		var rows int
		must(t, g.h.SQL(t).QueryRow("SELECT COUNT(*) FROM session").Scan(&rows))
		if rows != 1 {
			t.Errorf("%d sessions are kept, want the open one", rows)
		}
	})
}

func TestReadingPagesDoesNotWrite(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Viewer)
		token, _ := g.login("ines")
		before := g.writes
		for range 50 {
			_, err := g.Session(ctx, token)
			must(t, err)
			g.h.Clock.Add(time.Second)
		}
		if g.writes != before {
			t.Errorf("50 reads within a minute wrote %d times, want 0", g.writes-before)
		}
		g.h.Clock.Add(g.Times.SeenStep)
		for range 5 {
			_, err := g.Session(ctx, token)
			must(t, err)
		}
		if g.writes != before+1 {
			t.Errorf("after the step 5 reads wrote %d times, want 1", g.writes-before)
		}
	})
}

func TestLoginReplacesTheSessionBefore(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Viewer)
		old, _ := g.login("ines")
		next, _, err := g.Login(ctx, access.Attempt{Name: "ines", Password: password, Old: old})
		must(t, err)
		if next == old {
			t.Error("a login went on under the token of before")
		}
		_, err = g.Session(ctx, old)
		wantCode(t, err, fault.NotSignedIn)
		_, err = g.Session(ctx, next)
		must(t, err)
	})
}

func TestRefusedLoginsAnswerAlike(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("root", access.Administrator)
		off := g.add("off", access.Viewer)
		off.Disabled = true
		_, err := g.ChangeAccount(ctx, root, off)
		must(t, err)
		_, err = g.AddAccount(ctx, root, access.Account{Name: "fresh", Role: access.Viewer}, "")
		must(t, err)
		texts := map[string]bool{}
		for _, try := range []access.Attempt{
			{Name: "root", Password: "wrong password"}, {Name: "nobody", Password: password}, {Name: "off", Password: password},
			{Name: "fresh", Password: ""}, {Name: "fresh", Password: password}, {Name: "", Password: password}, {Name: "a b/c", Password: password},
		} {
			_, _, err := g.Login(ctx, try)
			wantCode(t, err, fault.LoginRefused)
			texts[err.Error()] = true
		}
		if len(texts) != 1 {
			t.Errorf("refusals differ: %v", texts)
		}
	})
}

func TestTooManyTriesFromOnePlaceOnly(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Viewer)
		bad := access.Attempt{Name: "INES", Password: "not the password", Address: "192.0.2.9"}
		for range g.Limiter.PerAccount {
			_, _, err := g.Login(ctx, bad)
			wantCode(t, err, fault.LoginRefused)
		}
		right := bad
		right.Password = password
		_, _, err := g.Login(ctx, right)
		wantCode(t, err, fault.TooManyTries)
		if !strings.Contains(err.Error(), "15 minutes") {
			t.Errorf("the refusal does not say how long to wait: %v", err)
		}
		right.Address = "198.51.100.4"
		_, _, err = g.Login(ctx, right)
		must(t, err)
		g.h.Clock.Add(g.Limiter.Window)
		right.Address = bad.Address
		_, _, err = g.Login(ctx, right)
		must(t, err)
	})
}

func TestChangePasswordEndsOtherLogins(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Viewer)
		kept, s := g.login("ines")
		other, _ := g.login("ines")
		wantCode(t, g.ChangePassword(ctx, s.Actor, "wrong one here", "another good one", kept, ""), fault.BadInput)
		wantCode(t, g.ChangePassword(ctx, s.Actor, password, "short", kept, ""), fault.BadInput)
		must(t, g.ChangePassword(ctx, s.Actor, password, "another good one", kept, ""))
		_, err := g.Session(ctx, kept)
		must(t, err)
		_, err = g.Session(ctx, other)
		wantCode(t, err, fault.NotSignedIn)
		_, _, err = g.Login(ctx, access.Attempt{Name: "ines", Password: password})
		wantCode(t, err, fault.LoginRefused)
		_, _, err = g.Login(ctx, access.Attempt{Name: "ines", Password: "another good one"})
		must(t, err)
	})
}

func TestAccountNamesAreUniqueWhateverTheCase(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("Ines", access.Viewer)
		for _, name := range []string{"ines", "INES", "ＩＮＥＳ"} { // the last in full-width letters
			_, err := g.AddAccount(ctx, root, access.Account{Name: name, Role: access.Viewer}, "")
			wantCode(t, err, fault.AlreadyUsed)
		}
		for _, name := range []string{"", "two words", "a:b", "a/b", strings.Repeat("x", 65), "<script>\x00"} {
			_, err := g.AddAccount(ctx, root, access.Account{Name: name, Role: access.Viewer}, "")
			wantCode(t, err, fault.BadInput)
		}
	})
}

func TestOnlyAdministratorsKeepAccounts(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Coordinator)
		_, s := g.login("ines")
		calls := map[string]error{}
		_, calls["add"] = g.AddAccount(ctx, s.Actor, access.Account{Name: "x", Role: access.Viewer}, "")
		_, calls["change"] = g.ChangeAccount(ctx, s.Actor, a)
		_, calls["list"] = g.Accounts(ctx, s.Actor)
		_, calls["find"] = g.AccountNamed(ctx, s.Actor, "ines")
		_, calls["invite"] = g.Invite(ctx, s.Actor, a.ID)
		for what, err := range calls {
			if !fault.Is(err, fault.NotAllowed) {
				t.Errorf("%s: got %v, want %s", what, err, fault.NotAllowed)
			}
		}
		_, err := g.Account(ctx, s.Actor, g.add("other", access.Viewer).ID)
		wantCode(t, err, fault.NotThere)
		own, err := g.Account(ctx, s.Actor, a.ID)
		if err != nil || own.Name != "ines" {
			t.Errorf("got %v, %v for the own account", own, err)
		}
	})
}

func TestTheLastAdministratorStays(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		one := g.add("one", access.Administrator)
		disabled, demoted := one, one
		disabled.Disabled = true
		demoted.Role = access.Coordinator
		for _, a := range []access.Account{disabled, demoted} {
			_, err := g.ChangeAccount(ctx, root, a)
			wantCode(t, err, fault.LastAdministrator)
		}
		g.add("two", access.Administrator)
		_, err := g.ChangeAccount(ctx, root, disabled)
		must(t, err)
		two, err := g.AccountNamed(ctx, root, "two")
		must(t, err)
		two.Disabled = true
		_, err = g.ChangeAccount(ctx, root, two)
		wantCode(t, err, fault.LastAdministrator)
	})
}

func TestTwoAdministratorsCannotDisableEachOther(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		pair := []access.Account{g.add("one", access.Administrator), g.add("two", access.Administrator)}
		var wait sync.WaitGroup
		errs := make([]error, 2)
		do := g.h.Do // the counting wrapper is not made for two goroutines
		g.Do = func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
			return do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
		for i, a := range pair {
			wait.Go(func() {
				a.Disabled = true
				_, errs[i] = g.ChangeAccount(ctx, root, a)
			})
		}
		wait.Wait()
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Errorf("got %v and %v, want one to pass and one to be refused", errs[0], errs[1])
		}
		wantCode(t, errors.Join(errs...), fault.LastAdministrator)
	})
}

func TestDisablingEndsEverything(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Surveyor)
		token, s := g.login("ines")
		app, _, err := g.IssueAppPassword(ctx, s.Actor, "phone")
		must(t, err)
		api, _, err := g.IssueToken(ctx, s.Actor, "script", access.Viewer, time.Time{})
		must(t, err)
		feed, _, err := g.IssueFeed(ctx, s.Actor)
		must(t, err)
		a.Disabled = true
		a, err = g.ChangeAccount(ctx, root, a)
		must(t, err)
		closed := func() {
			t.Helper()
			_, err = g.Session(ctx, token)
			wantCode(t, err, fault.NotSignedIn)
			_, err = g.Authenticate(ctx, "ines", app, access.ViaCalDAV)
			wantCode(t, err, fault.NotSignedIn)
			_, err = g.Bearer(ctx, api, access.ViaAPI)
			wantCode(t, err, fault.NotSignedIn)
			_, err = g.FeedHolder(ctx, feed)
			wantCode(t, err, fault.NotSignedIn)
		}
		closed()
		a.Disabled = false
		_, err = g.ChangeAccount(ctx, root, a)
		must(t, err)
		closed()
		g.login("ines")
	})
}

func TestChangesNeedTheVersionLookedAt(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Viewer)
		first := a
		first.Role = access.Surveyor
		first, err := g.ChangeAccount(ctx, root, first)
		must(t, err)
		if first.Version != a.Version+1 {
			t.Errorf("got version %d after one change of version %d", first.Version, a.Version)
		}
		_, err = g.ChangeAccount(ctx, root, a)
		wantCode(t, err, fault.Changed)
		a.ID = g.NewID()
		_, err = g.ChangeAccount(ctx, root, a)
		wantCode(t, err, fault.NotThere)
	})
}

func TestAWallMovesAtOnce(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Surveyor)
		token, _ := g.login("ines")
		x, y := g.NewID(), g.NewID()
		a.Clients = []ident.ID{y, x, y}
		a, err := g.ChangeAccount(ctx, root, a)
		must(t, err)
		s, err := g.Session(ctx, token)
		must(t, err)
		if !s.Actor.Scope.Sees(x) || !s.Actor.Scope.Sees(y) || len(s.Actor.Scope.Clients) != 2 || s.Actor.Scope.All {
			t.Errorf("got scope %+v", s.Actor.Scope)
		}
		a.Clients, a.Role = nil, access.Viewer
		_, err = g.ChangeAccount(ctx, root, a)
		must(t, err)
		s, err = g.Session(ctx, token)
		must(t, err)
		if s.Actor.Scope.Sees(x) || s.Actor.Role != access.Viewer {
			t.Errorf("got scope %+v, role %s after they were taken", s.Actor.Scope, s.Actor.Role)
		}
	})
}

func TestAppPasswords(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Surveyor)
		g.add("otto", access.Surveyor)
		_, s := g.login("ines")
		secret, c, err := g.IssueAppPassword(ctx, s.Actor, " phone ")
		must(t, err)
		if c.Label != "phone" || len(secret) != 35 {
			t.Errorf("got %q, %d characters", c.Label, len(secret))
		}
		for _, as := range []string{secret, strings.ToUpper(secret), strings.ReplaceAll(secret, "-", " ")} {
			who, err := g.Authenticate(ctx, "Ines", as, access.ViaCalDAV)
			must(t, err)
			if who.Via != access.ViaCalDAV || who.Account != s.Account.ID {
				t.Errorf("got %+v", who)
			}
		}
		for name, as := range map[string]string{"otto": secret, "ines": password, "": secret, "nobody": secret} {
			_, err := g.Authenticate(ctx, name, as, access.ViaCalDAV)
			wantCode(t, err, fault.NotSignedIn)
		}
		_, err = g.Bearer(ctx, secret, access.ViaAPI)
		wantCode(t, err, fault.NotSignedIn)

		_, other := g.login("otto")
		wantCode(t, g.Revoke(ctx, other.Actor, c.ID), fault.NotThere)
		must(t, g.Revoke(ctx, s.Actor, c.ID))
		_, err = g.Authenticate(ctx, "ines", secret, access.ViaCalDAV)
		wantCode(t, err, fault.NotSignedIn)
		for _, label := range []string{"", "   ", strings.Repeat("x", 81), "two\nlines"} {
			_, _, err := g.IssueAppPassword(ctx, s.Actor, label)
			wantCode(t, err, fault.BadInput)
		}
	})
}

func TestLastUseIsKeptToTheDay(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Surveyor)
		_, s := g.login("ines")
		secret, c, err := g.IssueAppPassword(ctx, s.Actor, "phone")
		must(t, err)
		before := g.writes
		for range 10 {
			_, err := g.Authenticate(ctx, "ines", secret, access.ViaCalDAV)
			must(t, err)
		}
		if g.writes != before+1 {
			t.Errorf("10 uses on a day wrote %d times, want 1", g.writes-before)
		}
		all, err := g.Credentials(ctx, s.Actor)
		must(t, err)
		at := slices.IndexFunc(all, func(o access.Credential) bool { return o.ID == c.ID })
		if want := g.Now().UTC().Truncate(24 * time.Hour); at < 0 || !all[at].LastUsed.Equal(want) {
			t.Errorf("got %+v, want last used %v", all, want)
		}
	})
}

func TestTokensNeverDoMoreThanTheirAccount(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Coordinator)
		_, s := g.login("ines")
		_, _, err := g.IssueToken(ctx, s.Actor, "all", access.Administrator, time.Time{})
		wantCode(t, err, fault.NotAllowed)
		_, _, err = g.IssueToken(ctx, s.Actor, "past", access.Viewer, g.Now())
		wantCode(t, err, fault.BadInput)
		high, _, err := g.IssueToken(ctx, s.Actor, "high", access.Coordinator, g.Now().Add(time.Hour))
		must(t, err)
		low, _, err := g.IssueToken(ctx, s.Actor, "low", access.Viewer, time.Time{})
		must(t, err)
		role := func(token string) access.Role {
			who, err := g.Bearer(ctx, token, access.ViaAPI)
			must(t, err)
			return who.Role
		}
		if h, l := role(high), role(low); h != access.Coordinator || l != access.Viewer {
			t.Errorf("got roles %s and %s", h, l)
		}
		a.Role = access.Surveyor
		_, err = g.ChangeAccount(ctx, root, a)
		must(t, err)
		if h, l := role(high), role(low); h != access.Surveyor || l != access.Viewer {
			t.Errorf("after the account became a surveyor: got roles %s and %s", h, l)
		}
		g.h.Clock.Add(time.Hour)
		_, err = g.Bearer(ctx, high, access.ViaAPI)
		wantCode(t, err, fault.NotSignedIn)
	})
}

func TestAFeedAddressReadsOnlyAndIsReplaced(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		g.add("ines", access.Coordinator)
		_, s := g.login("ines")
		old, _, err := g.IssueFeed(ctx, s.Actor)
		must(t, err)
		who, err := g.FeedHolder(ctx, old)
		must(t, err)
		if who.Role != access.Viewer || who.Via != access.ViaFeed {
			t.Errorf("got %+v", who)
		}
		next, _, err := g.IssueFeed(ctx, s.Actor)
		must(t, err)
		_, err = g.FeedHolder(ctx, old)
		wantCode(t, err, fault.NotSignedIn)
		_, err = g.FeedHolder(ctx, next)
		must(t, err)
	})
}

func TestSetupLinkMakesOneAdministrator(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		old, needed, err := g.SetupLink(ctx)
		must(t, err)
		secret, again, err := g.SetupLink(ctx)
		must(t, err)
		if !needed || !again || old == secret {
			t.Fatalf("got %v %v, same link %v", needed, again, old == secret)
		}
		answer := access.LinkAnswer{Name: "ada", Display: "Ada V.", Zone: "Europe/Paris", Password: password}
		_, _, err = g.UseLink(ctx, old, answer)
		wantCode(t, err, fault.LinkSpent)
		for _, bad := range []access.LinkAnswer{{Name: "a b", Password: password}, {Name: "ada", Password: "short"}, {Name: "abcdefghij", Password: "ABCDEFGHIJ"}} {
			_, _, err = g.UseLink(ctx, secret, bad)
			wantCode(t, err, fault.BadInput)
		}
		token, s, err := g.UseLink(ctx, secret, answer)
		must(t, err)
		if s.Actor.Role != access.Administrator || !s.Actor.Scope.All || s.Account.Zone != "Europe/Paris" {
			t.Errorf("got %+v", s)
		}
		_, err = g.Session(ctx, token)
		must(t, err)
		_, _, err = g.UseLink(ctx, secret, access.LinkAnswer{Name: "eve", Password: password})
		wantCode(t, err, fault.LinkSpent)
		if _, needed, err := g.SetupLink(ctx); err != nil || needed {
			t.Errorf("got needed %v, %v with an account there", needed, err)
		}
		g.login("ada")
	})
}

// TestSetupAtOnceMakesOneAdministrator: two browsers, and a second link made in between by another process.
func TestSetupAtOnceMakesOneAdministrator(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		do := g.h.Do // the counting wrapper is not made for several goroutines
		g.Do = func(ctx context.Context, who access.Actor, fn func(access.Store) error) error {
			return do(ctx, who, func(tx *store.Tx) error { return fn(tx) })
		}
		secret, _, err := g.SetupLink(ctx)
		must(t, err)
		now := g.Now()
		second := access.StoredLink{Digest: access.DigestOf("second"), Purpose: access.LinkSetup, Created: now, Expires: now.Add(time.Hour)}
		must(t, g.Do(ctx, root, func(s access.Store) error { return s.AddLink(second) }))
		var wait sync.WaitGroup
		errs := make([]error, 6)
		for i := range errs {
			link := []string{secret, "second"}[i%2]
			wait.Go(func() {
				_, _, errs[i] = g.UseLink(ctx, link, access.LinkAnswer{Name: "ada" + string(rune('a'+i)), Password: password})
			})
		}
		wait.Wait()
		passed := 0
		for _, err := range errs {
			if err == nil {
				passed++
				continue
			}
			wantCode(t, err, fault.LinkSpent)
		}
		all, err := g.Accounts(ctx, root)
		if passed != 1 || len(all) != 1 || err != nil {
			t.Errorf("%d calls passed and %d accounts were made, want 1 and 1 (%v)", passed, len(all), err)
		}
	})
}

func TestSetupLinkExpires(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		secret, _, err := g.SetupLink(ctx)
		must(t, err)
		g.h.Clock.Add(g.Times.SetupLink)
		_, _, err = g.Link(ctx, secret)
		wantCode(t, err, fault.LinkSpent)
		_, _, err = g.UseLink(ctx, secret, access.LinkAnswer{Name: "ada", Password: password})
		wantCode(t, err, fault.LinkSpent)
	})
}

func TestInvitationSetsAPasswordOnce(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a, err := g.AddAccount(ctx, root, access.Account{Name: "ines", Role: access.Surveyor}, "")
		must(t, err)
		lost, err := g.Invite(ctx, root, a.ID)
		must(t, err)
		secret, err := g.Invite(ctx, root, a.ID)
		must(t, err)
		_, _, err = g.UseLink(ctx, lost, access.LinkAnswer{Password: password})
		wantCode(t, err, fault.LinkSpent)
		_, s, err := g.UseLink(ctx, secret, access.LinkAnswer{Name: "ignored", Password: password})
		must(t, err)
		if s.Account.Name != "ines" || s.Actor.Role != access.Surveyor {
			t.Errorf("got %+v", s)
		}
		_, _, err = g.UseLink(ctx, secret, access.LinkAnswer{Password: "yet another one"})
		wantCode(t, err, fault.LinkSpent)

		// A forgotten password: the link ends the logins of before.
		before, _ := g.login("ines")
		secret, err = g.Invite(ctx, root, a.ID)
		must(t, err)
		_, _, err = g.UseLink(ctx, secret, access.LinkAnswer{Password: "yet another one"})
		must(t, err)
		_, err = g.Session(ctx, before)
		wantCode(t, err, fault.NotSignedIn)

		secret, err = g.Invite(ctx, root, a.ID)
		must(t, err)
		a.Disabled = true
		_, err = g.ChangeAccount(ctx, root, a)
		must(t, err)
		_, _, err = g.UseLink(ctx, secret, access.LinkAnswer{Password: password})
		wantCode(t, err, fault.LinkSpent)
		_, err = g.Invite(ctx, root, a.ID)
		wantCode(t, err, fault.BadInput)
	})
}

// TestNoSecretIsStored looks through every text and blob of the tables of the gate and of the trail.
func TestNoSecretIsStored(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Surveyor)
		token, s := g.login("ines")
		app, _, err := g.IssueAppPassword(ctx, s.Actor, "phone")
		must(t, err)
		api, _, err := g.IssueToken(ctx, s.Actor, "script", access.Viewer, time.Time{})
		must(t, err)
		feed, _, err := g.IssueFeed(ctx, s.Actor)
		must(t, err)
		link, err := g.Invite(ctx, root, a.ID)
		must(t, err)
		seen := 0
		for _, table := range []string{"account", "account_password", "session", "credential", "link", "audit"} {
			seen += lookFor(t, g, table, []string{password, token, app, api, feed, link})
		}
		if seen < 10 {
			t.Errorf("only %d rows were looked at", seen)
		}
	})
}

func lookFor(t *testing.T, g *gatehouse, table string, secrets []string) int {
	t.Helper()
	rows, err := g.h.SQL(t).Query("SELECT * FROM " + table)
	must(t, err)
	defer func() { _ = rows.Close() }()
	columns, err := rows.Columns()
	must(t, err)
	n := 0
	for ; rows.Next(); n++ {
		values := make([][]byte, len(columns))
		into := make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		must(t, rows.Scan(into...))
		for i, v := range values {
			for _, s := range secrets {
				if strings.Contains(string(v), s) {
					t.Errorf("%s.%s holds a secret", table, columns[i])
				}
			}
		}
	}
	must(t, rows.Err())
	return n
}

func TestChangesAreOnTheTrail(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		a := g.add("ines", access.Surveyor)
		a.Display = "Ines Quillon"
		_, err := g.ChangeAccount(access.WithRequest(ctx, "r-1"), root, a)
		must(t, err)
		rows, err := g.h.SQL(t).Query("SELECT verb, after_state, private FROM audit WHERE noun = 'account' ORDER BY id")
		must(t, err)
		defer func() { _ = rows.Close() }()
		var verbs []string
		for rows.Next() {
			var verb, after, private string
			must(t, rows.Scan(&verb, &after, &private))
			verbs = append(verbs, verb)
			if strings.Contains(after, "Quillon") {
				t.Errorf("a person's name is in the sealed part: %s", after)
			}
		}
		must(t, rows.Err())
		if !slices.Equal(verbs, []string{"add", "change"}) {
			t.Errorf("got %v", verbs)
		}
	})
}
