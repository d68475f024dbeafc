package access

import (
	"context"
	"io"
	"time"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Gate lets people and programs in, and keeps the accounts.
type Gate struct {
	Do, View  func(context.Context, Actor, func(Store) error) error
	Now       func() time.Time
	NewID     ident.Source
	Random    io.Reader // unpredictable: secrets are drawn from it
	Passwords *Passwords
	Limiter   *Limiter
	Times     Times
}

// Times are how long things last.
type Times struct {
	SessionIdle  time.Duration // a login unused for so long ends
	SessionWhole time.Duration // a login ends after so long, used or not
	SeenStep     time.Duration // how exactly the last use is kept; reading a page writes at most once in it
	SetupLink    time.Duration
	InviteLink   time.Duration
}

// DefaultTimes: a login lasts 14 days, 24 hours without use; links 24 hours for the first start, 72 for an invitation.
var DefaultTimes = Times{
	SessionIdle: 24 * time.Hour, SessionWhole: 14 * 24 * time.Hour, SeenStep: 15 * time.Minute,
	SetupLink: 24 * time.Hour, InviteLink: 72 * time.Hour,
}

type requestKey struct{}

// WithRequest remembers the request id that actors made under the context carry.
func WithRequest(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, requestKey{}, id)
}

// RequestOf gives the request id of the context, empty when there is none.
func RequestOf(ctx context.Context) string {
	id, _ := ctx.Value(requestKey{}).(string)
	return id
}

// actorOf makes the actor of an account that came through a door.
func actorOf(ctx context.Context, a Account, role Role, via Via) Actor {
	return Actor{Account: a.ID, Name: a.Name, Role: lesser(role, a.Role), Scope: a.Scope(), Via: via, Request: RequestOf(ctx)}
}

// porter is the actor under which the gate itself reads and writes before it knows who calls.
func porter(ctx context.Context, via Via) Actor {
	who := System("gate", via)
	who.Request = RequestOf(ctx)
	return who
}

func (g *Gate) now() time.Time { return g.Now().UTC().Truncate(time.Millisecond) }

// keepsAccounts refuses everybody but administrators.
func keepsAccounts(who Actor) error {
	if who.Role == Administrator {
		return nil
	}
	return fault.New(fault.NotAllowed, "what", "accounts are kept by administrators")
}

func note(s Store, a Account, verb string, before, after any) error {
	return s.Record(trail.Change{Noun: "account", ID: a.ID, Verb: verb, Before: before, After: after,
		Private: map[string]string{"name": a.Name, "display": a.Display, "mail": a.Mail}})
}
