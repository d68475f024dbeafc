package access

import (
	"context"
	"time"

	"kitd/internal/fault"
)

// Attempt is a login as it was typed.
type Attempt struct {
	Name     string
	Password string
	Address  string // where it comes from, as far as it can be trusted
	Old      string // token of the session the browser had before, if any: it ends when the login succeeds
}

// Session is a login that stands.
type Session struct {
	Account Account
	Actor   Actor
	Created time.Time
	Expires time.Time
}

// Login checks a name and password and opens a session under a fresh token, which is returned once. Unknown, disabled and
// passwordless accounts and wrong passwords answer alike and take alike: fault.LoginRefused. Too many tries: fault.TooManyTries.
func (g *Gate) Login(ctx context.Context, try Attempt) (string, Session, error) {
	name, nameErr := FoldName(try.Name)
	now := g.now()
	key := name
	if nameErr != nil {
		key = "?"
	}
	if wait := g.Limiter.Enter(key, try.Address, now); wait > 0 {
		return "", Session{}, fault.New(fault.TooManyTries, "wait", Minutes(wait))
	}
	account, hash, err := g.passwordOf(ctx, name, nameErr)
	if err != nil {
		return "", Session{}, err
	}
	right, err := g.Passwords.Verify(try.Password, hash)
	if err != nil {
		return "", Session{}, err
	}
	if !right || account.Disabled {
		return "", Session{}, fault.New(fault.LoginRefused)
	}
	g.Limiter.Passed(key, try.Address, now)
	return g.open(ctx, account, try.Old)
}

func (g *Gate) passwordOf(ctx context.Context, name string, nameErr error) (a Account, hash string, err error) {
	if nameErr != nil {
		return Account{}, "", nil
	}
	err = g.View(ctx, porter(ctx, ViaPage), func(s Store) error {
		if a, err = s.AccountByName(name); err != nil {
			return err
		}
		hash, err = s.PasswordHash(a.ID)
		return err
	})
	if fault.Is(err, fault.NotThere) {
		return Account{}, "", nil
	}
	return a, hash, err
}

// open starts a session in place of an old one.
func (g *Gate) open(ctx context.Context, a Account, old string) (string, Session, error) {
	token, err := newSecret(g.Random, "")
	if err != nil {
		return "", Session{}, err
	}
	now := g.now()
	kept := StoredSession{Digest: DigestOf(token), Account: a.ID, Created: now, Seen: now, Expires: now.Add(g.Times.SessionWhole)}
	actor := actorOf(ctx, a, a.Role, ViaPage)
	err = g.Do(ctx, actor, func(s Store) error {
		if old != "" {
			if err := s.RemoveSession(DigestOf(old)); err != nil {
				return err
			}
		}
		if err := s.SweepSessions(now.Add(-g.Times.SessionIdle), now); err != nil {
			return err
		}
		if err := s.AddSession(kept); err != nil {
			return err
		}
		return note(s, a, "log in", nil, nil)
	})
	return token, Session{a, actor, kept.Created, kept.Expires}, err
}

// Session finds the login of a token. Ended, unknown and disabled: fault.NotSignedIn. The last use is written at most once in
// Times.SeenStep.
func (g *Gate) Session(ctx context.Context, token string) (Session, error) {
	var kept StoredSession
	var a Account
	now := g.now()
	err := g.View(ctx, porter(ctx, ViaPage), func(s Store) (err error) {
		if kept, err = s.SessionByDigest(DigestOf(token)); err != nil {
			return err
		}
		a, err = s.AccountByID(kept.Account)
		return err
	})
	if fault.Is(err, fault.NotThere) {
		return Session{}, fault.New(fault.NotSignedIn)
	}
	if err != nil {
		return Session{}, err
	}
	if a.Disabled || !now.Before(kept.Expires) || now.Sub(kept.Seen) >= g.Times.SessionIdle {
		return Session{}, fault.New(fault.NotSignedIn)
	}
	if now.Sub(kept.Seen) >= g.Times.SeenStep {
		err = passing(g.Do(ctx, porter(ctx, ViaPage), func(s Store) error { return s.TouchSession(kept.Digest, now) }))
	}
	return Session{a, actorOf(ctx, a, a.Role, ViaPage), kept.Created, kept.Expires}, err
}

// passing lets a note of the last use be lost while the store is busy or full: nobody is kept out for it.
func passing(err error) error {
	if err != nil && fault.KindOf(err) == fault.Unavailable {
		return nil
	}
	return err
}

// Logout ends the session of a token; ending one that is gone already is no fault.
func (g *Gate) Logout(ctx context.Context, who Actor, token string) error {
	return g.Do(ctx, who, func(s Store) error { return s.RemoveSession(DigestOf(token)) })
}

// ChangePassword sets the actor's own password, given the present one, and ends every other session of the account. keep is the
// token of the session that goes on.
func (g *Gate) ChangePassword(ctx context.Context, who Actor, present, next, keep, address string) error {
	key := who.Account.String()
	if wait := g.Limiter.Enter(key, address, g.now()); wait > 0 {
		return fault.New(fault.TooManyTries, "wait", Minutes(wait))
	}
	var a Account
	var hash string
	err := g.View(ctx, who, func(s Store) (err error) {
		if a, err = s.AccountByID(who.Account); err != nil {
			return err
		}
		hash, err = s.PasswordHash(a.ID)
		return err
	})
	if err != nil {
		return err
	}
	right, err := g.Passwords.Verify(present, hash)
	if err != nil {
		return err
	}
	if !right {
		return fault.New(fault.BadInput, "what", "the present password").At("present", "This is not the present password of the account.")
	}
	g.Limiter.Passed(key, address, g.now())
	if err := CheckPassword(next, a.Name, a.Display, "next"); err != nil {
		return err
	}
	return g.setPassword(ctx, who, a, next, DigestOf(keep))
}

func (g *Gate) setPassword(ctx context.Context, who Actor, a Account, password string, keep Digest) error {
	hash, err := g.Passwords.Hash(password)
	if err != nil {
		return err
	}
	return g.Do(ctx, who, func(s Store) error {
		if err := s.SetPasswordHash(a.ID, hash); err != nil {
			return err
		}
		if err := s.RemoveSessions(a.ID, keep); err != nil {
			return err
		}
		if err := s.RemoveLinks(a.ID); err != nil {
			return err
		}
		return note(s, a, "set password", nil, nil)
	})
}

// Minutes says a waiting time in words.
func Minutes(d time.Duration) string {
	n := int((d + time.Minute - 1) / time.Minute)
	if n <= 1 {
		return "1 minute"
	}
	return itoa(n) + " minutes"
}
