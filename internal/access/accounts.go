package access

import (
	"context"
	"slices"
	"strconv"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

func itoa(n int) string { return strconv.Itoa(n) }

// AddAccount makes an account; only administrators may. password may be empty: the account then cannot log in until a link from
// Invite was used. The name must be free (fault.AlreadyUsed).
func (g *Gate) AddAccount(ctx context.Context, who Actor, a Account, password string) (Account, error) {
	if err := keepsAccounts(who); err != nil {
		return Account{}, err
	}
	a.ID, a.Version, a.Created, a.HasPassword = g.NewID(), 1, g.now(), password != ""
	if err := a.check(); err != nil {
		return Account{}, err
	}
	hash := ""
	if password != "" {
		if err := CheckPassword(password, a.Name, a.Display, "password"); err != nil {
			return Account{}, err
		}
		var err error
		if hash, err = g.Passwords.Hash(password); err != nil {
			return Account{}, err
		}
	}
	return a, g.Do(ctx, who, func(s Store) error { return add(s, a, hash, "add") })
}

func add(s Store, a Account, hash, verb string) error {
	folded, err := FoldName(a.Name)
	if err != nil {
		return err
	}
	if err := s.AddAccount(a, folded); err != nil {
		return err
	}
	if hash != "" {
		if err := s.SetPasswordHash(a.ID, hash); err != nil {
			return err
		}
	}
	return note(s, a, verb, nil, a)
}

// ChangeAccount stores what an administrator changed of an account: display name, mail address, role, language, zone, clients, disabled.
// a.Version is the version that was looked at (fault.Changed when it is not the present one). The last enabled administrator
// stays one (fault.LastAdministrator). Disabling ends all sessions and credentials of the account; a changed role or wall
// applies from the next call.
func (g *Gate) ChangeAccount(ctx context.Context, who Actor, a Account) (Account, error) {
	if err := keepsAccounts(who); err != nil {
		return Account{}, err
	}
	if err := a.check(); err != nil {
		return Account{}, err
	}
	seen := a.Version // the work below may run again from the start
	err := g.Do(ctx, who, func(s Store) error {
		before, err := s.AccountByID(a.ID)
		if err != nil {
			return err
		}
		if before.Version != seen {
			return fault.New(fault.Changed, "noun", "account")
		}
		a.Name, a.Created, a.HasPassword, a.Version = before.Name, before.Created, before.HasPassword, before.Version+1
		if err := keepOne(s, before, a); err != nil {
			return err
		}
		if err := s.ReplaceAccount(a); err != nil {
			return err
		}
		if a.Disabled && !before.Disabled {
			if err := shut(s, a.ID); err != nil {
				return err
			}
		}
		return note(s, a, changeVerb(before, a), before, a)
	})
	return a, err
}

func changeVerb(before, after Account) string {
	switch {
	case after.Disabled && !before.Disabled:
		return "disable"
	case before.Disabled && !after.Disabled:
		return "enable"
	}
	return "change"
}

// keepOne refuses to leave kitd without an enabled administrator.
func keepOne(s Store, before, after Account) error {
	was := before.Role == Administrator && !before.Disabled
	if stays := after.Role == Administrator && !after.Disabled; !was || stays {
		return nil
	}
	all, err := s.LockAdministrators()
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(all, func(id ident.ID) bool { return id != before.ID }) {
		return fault.New(fault.LastAdministrator, "name", before.Name)
	}
	return nil
}

// shut ends everything that lets an account in, but for its password.
func shut(s Store, account ident.ID) error {
	if err := s.RemoveSessions(account, Digest{}); err != nil {
		return err
	}
	for _, kind := range []CredentialKind{AppPassword, APIToken, FeedToken} {
		if err := s.RemoveCredentials(account, kind); err != nil {
			return err
		}
	}
	return s.RemoveLinks(account)
}

// ChangeSelf stores what an account may change of itself: display name, language and zone. The rest of to is not looked at: the
// mail address above all, since invitations are trusted by it.
func (g *Gate) ChangeSelf(ctx context.Context, who Actor, to Account) (Account, error) {
	var a Account
	err := g.Do(ctx, who, func(s Store) error {
		before, err := s.AccountByID(who.Account)
		if err != nil {
			return err
		}
		a = before
		a.Display, a.Locale, a.Zone, a.Version = to.Display, to.Locale, to.Zone, before.Version+1
		if err := a.check(); err != nil {
			return err
		}
		if err := s.ReplaceAccount(a); err != nil {
			return err
		}
		return note(s, a, "change", before, a)
	})
	return a, err
}

// Accounts lists all accounts by name; only administrators may look.
func (g *Gate) Accounts(ctx context.Context, who Actor) (all []Account, err error) {
	if err := keepsAccounts(who); err != nil {
		return nil, err
	}
	err = g.View(ctx, who, func(s Store) error {
		all, err = s.Accounts()
		return err
	})
	return all, err
}

// Account gives one account: an administrator any, everybody else their own. For the rest it answers fault.NotThere.
func (g *Gate) Account(ctx context.Context, who Actor, id ident.ID) (a Account, err error) {
	if who.Role != Administrator && who.Account != id {
		return Account{}, fault.New(fault.NotThere, "noun", "account")
	}
	err = g.View(ctx, who, func(s Store) error {
		a, err = s.AccountByID(id)
		return err
	})
	return a, err
}

// AccountNamed gives the account of a login name, for administrators and commands.
func (g *Gate) AccountNamed(ctx context.Context, who Actor, name string) (a Account, err error) {
	if err := keepsAccounts(who); err != nil {
		return Account{}, err
	}
	folded, err := FoldName(name)
	if err != nil {
		return Account{}, err
	}
	err = g.View(ctx, who, func(s Store) error {
		a, err = s.AccountByName(folded)
		return err
	})
	return a, err
}
