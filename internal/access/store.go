package access

import (
	"time"

	"kitd/internal/ident"
	"kitd/internal/trail"
)

// CredentialKind says what a credential opens.
type CredentialKind string

// The kinds of credentials.
const (
	AppPassword CredentialKind = "app"  // a calendar program, with the account's name
	APIToken    CredentialKind = "api"  // a program that calls /api
	FeedToken   CredentialKind = "feed" // a calendar address that can only be read
)

// Credential is a secret of an account that is not its password. The secret itself is shown once and never stored.
type Credential struct {
	ID       ident.ID       `json:"id"`
	Account  ident.ID       `json:"account"`
	Kind     CredentialKind `json:"kind"`
	Digest   Digest         `json:"-"`
	Label    string         `json:"-"` // the device or the purpose, in the owner's words
	Role     Role           `json:"role"`
	Created  time.Time      `json:"created"`
	Expires  time.Time      `json:"expires,omitzero"` // zero: until revoked
	LastUsed time.Time      `json:"-"`                // to the day; zero: never
}

// StoredSession is a login as it is kept: the digest of its token, never the token.
type StoredSession struct {
	Digest  Digest
	Account ident.ID
	Created time.Time
	Seen    time.Time // last use, to SeenStep
	Expires time.Time // absolute end
}

// LinkPurpose says what a one-time link is for.
type LinkPurpose string

// The purposes of links.
const (
	LinkSetup  LinkPurpose = "setup"  // makes the first administrator
	LinkInvite LinkPurpose = "invite" // lets an account set its password: a new account, or one that forgot it
)

// StoredLink is a one-time link as it is kept.
type StoredLink struct {
	Digest  Digest
	Purpose LinkPurpose
	Account ident.ID // zero for setup
	Created time.Time
	Expires time.Time
}

// Store is what the gate needs to keep. Absent things are fault.NotThere. Times are kept to the millisecond, in UTC.
type Store interface {
	Record(trail.Change) error

	AddAccount(a Account, folded string) error // fault.AlreadyUsed when the folded name is taken
	ReplaceAccount(a Account) error            // fault.Changed unless the stored version is a.Version − 1; the name stays
	AccountByID(ident.ID) (Account, error)
	AccountByName(folded string) (Account, error)
	Accounts() ([]Account, error)                  // by name
	CountAccounts() (int, error)                   // disabled ones too
	LockAdministrators() ([]ident.ID, error)       // enabled ones; no other transaction changes them until this one ends
	PasswordHash(account ident.ID) (string, error) // empty when none is set
	SetPasswordHash(account ident.ID, hash string) error

	AddSession(StoredSession) error
	SessionByDigest(Digest) (StoredSession, error)
	TouchSession(d Digest, seen time.Time) error
	RemoveSession(Digest) error
	RemoveSessions(account ident.ID, but Digest) error // all of an account but one
	SweepSessions(seenBefore, now time.Time) error     // those idle since seenBefore or past their end

	AddCredential(Credential) error
	CredentialByDigest(CredentialKind, Digest) (Credential, error)
	Credentials(account ident.ID) ([]Credential, error) // newest first
	TouchCredential(id ident.ID, day time.Time) error
	RemoveCredential(id ident.ID) error
	RemoveCredentials(account ident.ID, kind CredentialKind) error

	AddLink(StoredLink) error
	LinkByDigest(Digest) (StoredLink, error)
	TakeLink(Digest) (bool, error)       // removes it; false when it was gone already
	TakeSetupLinks(Digest) (bool, error) // removes every setup link; false when the given one was not among them
	RemoveLinks(account ident.ID) error  // every open link of an account; the zero account: setup links
}
