package access

import (
	"context"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

// SetupLink makes the secret of the link that creates the first administrator, in place of earlier ones. needed is false, and no
// link is made, when there is an account already.
func (g *Gate) SetupLink(ctx context.Context) (secret string, needed bool, err error) {
	if secret, err = newSecret(g.Random, ""); err != nil {
		return "", false, err
	}
	who := System("setup", ViaCommand)
	now := g.now()
	err = g.Do(ctx, who, func(s Store) error {
		n, err := s.CountAccounts()
		if err != nil || n > 0 {
			return err
		}
		if err := s.RemoveLinks(ident.ID{}); err != nil {
			return err
		}
		needed = true
		return s.AddLink(StoredLink{Digest: DigestOf(secret), Purpose: LinkSetup, Created: now, Expires: now.Add(g.Times.SetupLink)})
	})
	if err != nil || !needed {
		return "", false, err
	}
	return secret, true, nil
}

// Invite makes the secret of a link with which the holder of an account sets its password, once; earlier links of the account
// end. Only administrators may.
func (g *Gate) Invite(ctx context.Context, who Actor, account ident.ID) (string, error) {
	if err := keepsAccounts(who); err != nil {
		return "", err
	}
	secret, err := newSecret(g.Random, "")
	if err != nil {
		return "", err
	}
	now := g.now()
	return secret, g.Do(ctx, who, func(s Store) error {
		a, err := s.AccountByID(account)
		if err != nil {
			return err
		}
		if a.Disabled {
			return fault.New(fault.BadInput, "what", "the account").At("disabled", "The account is disabled; enable it before you invite somebody to it.")
		}
		if err := s.RemoveLinks(account); err != nil {
			return err
		}
		link := StoredLink{Digest: DigestOf(secret), Purpose: LinkInvite, Account: account, Created: now, Expires: now.Add(g.Times.InviteLink)}
		if err := s.AddLink(link); err != nil {
			return err
		}
		return note(s, a, "invite", nil, nil)
	})
}

// Link looks at an open link without using it: what it is for, and the account of an invitation. Used, expired and unknown
// links are fault.LinkSpent.
func (g *Gate) Link(ctx context.Context, secret string) (purpose LinkPurpose, a Account, err error) {
	err = g.View(ctx, porter(ctx, ViaPage), func(s Store) error {
		link, err := g.openLink(s, secret)
		if err != nil {
			return err
		}
		purpose = link.Purpose
		if link.Purpose == LinkInvite {
			a, err = s.AccountByID(link.Account)
		}
		return err
	})
	return purpose, a, err
}

func (g *Gate) openLink(s Store, secret string) (StoredLink, error) {
	link, err := s.LinkByDigest(DigestOf(secret))
	if fault.Is(err, fault.NotThere) || err == nil && !g.now().Before(link.Expires) {
		return StoredLink{}, fault.New(fault.LinkSpent)
	}
	return link, err
}

// LinkAnswer is what somebody typed on the page of a one-time link.
type LinkAnswer struct {
	Name, Display string // of the administrator to make; not looked at for an invitation
	Zone          string // IANA time zone of the administrator; empty: UTC
	Password      string
	Old           string // token of the session the browser had before, if any
}

// UseLink uses a link up: it makes the first administrator, or sets the password of an invited account and ends its other
// sessions. It opens a session under a fresh token. When anything is refused the link stays open.
func (g *Gate) UseLink(ctx context.Context, secret string, answer LinkAnswer) (string, Session, error) {
	purpose, a, err := g.Link(ctx, secret)
	if err != nil {
		return "", Session{}, err
	}
	if purpose == LinkSetup {
		a = Account{ID: g.NewID(), Version: 1, Name: answer.Name, Display: answer.Display, Zone: answer.Zone,
			Role: Administrator, AllClients: true, Created: g.now(), HasPassword: true}
		if err := a.check(); err != nil {
			return "", Session{}, err
		}
	}
	if err := CheckPassword(answer.Password, a.Name, a.Display, "password"); err != nil {
		return "", Session{}, err
	}
	hash, err := g.Passwords.Hash(answer.Password)
	if err != nil {
		return "", Session{}, err
	}
	who := actorOf(ctx, a, a.Role, ViaPage)
	err = g.Do(ctx, who, func(s Store) error {
		if purpose == LinkSetup {
			return g.settle(s, secret, a, hash)
		}
		return g.accept(s, secret, a, hash)
	})
	if err != nil {
		return "", Session{}, err
	}
	return g.open(ctx, a, answer.Old)
}

// settle makes the first administrator. Taking all setup links at once lets only one of several pass.
func (g *Gate) settle(s Store, secret string, a Account, hash string) error {
	if _, err := g.openLink(s, secret); err != nil {
		return err
	}
	taken, err := s.TakeSetupLinks(DigestOf(secret))
	if err != nil {
		return err
	}
	n, err := s.CountAccounts()
	if err != nil {
		return err
	}
	if !taken || n > 0 {
		return fault.New(fault.LinkSpent)
	}
	return add(s, a, hash, "set up")
}

func (g *Gate) accept(s Store, secret string, a Account, hash string) error {
	link, err := g.openLink(s, secret)
	if err != nil {
		return err
	}
	taken, err := s.TakeLink(link.Digest)
	if err != nil {
		return err
	}
	// The account may have been disabled or changed between looking and using.
	now, err := s.AccountByID(link.Account)
	if err != nil {
		return err
	}
	if !taken || now.Disabled || now.ID != a.ID {
		return fault.New(fault.LinkSpent)
	}
	if err := s.SetPasswordHash(now.ID, hash); err != nil {
		return err
	}
	if err := s.RemoveSessions(now.ID, Digest{}); err != nil {
		return err
	}
	return note(s, now, "accept invitation", nil, nil)
}
