package access

import (
	"context"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// tokenPrefix starts every API token, so that one found in the wrong place is known for what it is.
const tokenPrefix = "kitd_"

// MaxCredentials is how many credentials of a kind an account may have at a time.
const MaxCredentials = 50

// IssueAppPassword makes a password for one calendar program of the actor's account and returns it, the only time it is seen.
func (g *Gate) IssueAppPassword(ctx context.Context, who Actor, device string) (string, Credential, error) {
	secret, err := newTypedSecret(g.Random)
	if err != nil {
		return "", Credential{}, err
	}
	c, err := g.issue(ctx, who, Credential{Kind: AppPassword, Digest: DigestOf(secret), Label: device, Role: who.Role})
	return secret, c, err
}

// IssueToken makes an API token that allows at most the role, until expires (zero: until revoked), and returns it, the only time
// it is seen. A role above the actor's own is fault.NotAllowed.
func (g *Gate) IssueToken(ctx context.Context, who Actor, label string, role Role, expires time.Time) (string, Credential, error) {
	if !who.Role.Covers(role) {
		return "", Credential{}, fault.New(fault.NotAllowed, "what", "a token cannot do more than the account it belongs to")
	}
	if !expires.IsZero() && !expires.After(g.now()) {
		return "", Credential{}, fault.New(fault.BadInput, "what", "the token").At("expires", "The last day of the token lies in the past; choose a later one.")
	}
	secret, err := newSecret(g.Random, tokenPrefix)
	if err != nil {
		return "", Credential{}, err
	}
	c, err := g.issue(ctx, who, Credential{Kind: APIToken, Digest: DigestOf(secret), Label: label, Role: role, Expires: expires})
	return secret, c, err
}

// IssueFeed makes the secret of the account's calendar address in place of an earlier one, and returns it.
func (g *Gate) IssueFeed(ctx context.Context, who Actor) (string, Credential, error) {
	secret, err := newSecret(g.Random, "")
	if err != nil {
		return "", Credential{}, err
	}
	c, err := g.issue(ctx, who, Credential{Kind: FeedToken, Digest: DigestOf(secret), Label: "feed", Role: Viewer})
	return secret, c, err
}

func (g *Gate) issue(ctx context.Context, who Actor, c Credential) (Credential, error) {
	c.Label = strings.TrimSpace(c.Label)
	if n := utf8.RuneCountInString(c.Label); n < 1 || n > MaxLabel || !printable(c.Label) {
		return Credential{}, fault.New(fault.BadInput, "what", "the name of the device or program").
			At("label", "Write one line of 1 to 80 characters that tells you later which device or program it is.")
	}
	if who.Account.IsZero() {
		return Credential{}, fault.New(fault.NotAllowed, "what", "a credential belongs to an account")
	}
	c.ID, c.Account, c.Created = g.NewID(), who.Account, g.now()
	return c, g.Do(ctx, who, func(s Store) error {
		if c.Kind == FeedToken {
			if err := s.RemoveCredentials(c.Account, FeedToken); err != nil {
				return err
			}
		}
		if err := roomFor(s, c); err != nil {
			return err
		}
		if err := s.AddCredential(c); err != nil {
			return err
		}
		return noteCredential(s, c, "issue", nil, c)
	})
}

func roomFor(s Store, c Credential) error {
	all, err := s.Credentials(c.Account)
	if err != nil {
		return err
	}
	same := slices.DeleteFunc(all, func(o Credential) bool { return o.Kind != c.Kind })
	if len(same) >= MaxCredentials {
		return fault.New(fault.BadInput, "what", "the number of app passwords and tokens").
			At("label", "There are 50 already, which is the limit; revoke those no longer in use.")
	}
	return nil
}

func noteCredential(s Store, c Credential, verb string, before, after any) error {
	return s.Record(trail.Change{Noun: "credential", ID: c.ID, Verb: verb, Before: before, After: after, Private: map[string]string{"label": c.Label}})
}

// Credentials lists the credentials of the actor's own account, newest first.
func (g *Gate) Credentials(ctx context.Context, who Actor) (all []Credential, err error) {
	err = g.View(ctx, who, func(s Store) error {
		all, err = s.Credentials(who.Account)
		return err
	})
	return all, err
}

// Revoke ends a credential of the actor's own account at once. One of another account is fault.NotThere.
func (g *Gate) Revoke(ctx context.Context, who Actor, id ident.ID) error {
	return g.Do(ctx, who, func(s Store) error {
		all, err := s.Credentials(who.Account)
		if err != nil {
			return err
		}
		at := slices.IndexFunc(all, func(c Credential) bool { return c.ID == id })
		if at < 0 {
			return fault.New(fault.NotThere, "noun", "credential")
		}
		if err := s.RemoveCredential(id); err != nil {
			return err
		}
		return noteCredential(s, all[at], "revoke", all[at], nil)
	})
}

// Authenticate finds the account of a login name and an app password: what calendar programs send. Everything that does not
// fit is fault.NotSignedIn.
func (g *Gate) Authenticate(ctx context.Context, name, password string, via Via) (Actor, error) {
	folded, err := FoldName(name)
	if err != nil {
		return Actor{}, fault.New(fault.NotSignedIn)
	}
	who, a, err := g.holder(ctx, AppPassword, typed(password), via)
	if err != nil {
		return Actor{}, err
	}
	if mine, err := FoldName(a.Name); err != nil || mine != folded {
		return Actor{}, fault.New(fault.NotSignedIn)
	}
	return who, nil
}

// Bearer finds the account of an API token. The actor's role is the lesser of the token's and the account's.
func (g *Gate) Bearer(ctx context.Context, token string, via Via) (Actor, error) {
	who, _, err := g.holder(ctx, APIToken, token, via)
	return who, err
}

// FeedHolder finds the account of a calendar address; it may only read.
func (g *Gate) FeedHolder(ctx context.Context, token string) (Actor, error) {
	who, _, err := g.holder(ctx, FeedToken, token, ViaFeed)
	return who, err
}

func (g *Gate) holder(ctx context.Context, kind CredentialKind, secret string, via Via) (Actor, Account, error) {
	var c Credential
	var a Account
	now := g.now()
	err := g.View(ctx, porter(ctx, via), func(s Store) (err error) {
		if c, err = s.CredentialByDigest(kind, DigestOf(secret)); err != nil {
			return err
		}
		a, err = s.AccountByID(c.Account)
		return err
	})
	if fault.Is(err, fault.NotThere) || err == nil && (a.Disabled || !c.Expires.IsZero() && !now.Before(c.Expires)) {
		return Actor{}, Account{}, fault.New(fault.NotSignedIn)
	}
	if err != nil {
		return Actor{}, Account{}, err
	}
	if day := now.Truncate(24 * time.Hour); c.LastUsed.Before(day) {
		err = passing(g.Do(ctx, porter(ctx, via), func(s Store) error { return s.TouchCredential(c.ID, day) }))
	}
	return actorOf(ctx, a, c.Role, via), a, err
}
