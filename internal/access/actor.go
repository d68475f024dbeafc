// Package access holds who may do what: accounts, roles, client walls, sessions and tokens. Every domain call carries an Actor.
package access

import (
	"slices"

	"kitd/internal/ident"
)

// Role is what an account may do. Each account has exactly one.
type Role string

// The roles. A coordinator keeps the pool, a surveyor books and measures, a viewer reads, an administrator keeps accounts and settings.
const (
	Administrator Role = "administrator"
	Coordinator   Role = "coordinator"
	Surveyor      Role = "surveyor"
	Viewer        Role = "viewer"
)

// Via says through which door a call came; it is kept in the audit trail.
type Via string

// The doors.
const (
	ViaPage    Via = "page"
	ViaAPI     Via = "api"
	ViaCalDAV  Via = "caldav"
	ViaFeed    Via = "feed"
	ViaMail    Via = "mail"
	ViaCommand Via = "command"
	ViaJob     Via = "job"
)

// Scope is the set of clients whose data an account sees. Things of no client are seen by everybody.
type Scope struct {
	All     bool
	Clients []ident.ID
}

// Sees reports whether data of the client (zero: of no client) may be shown.
func (s Scope) Sees(client ident.ID) bool {
	return s.All || client.IsZero() || slices.Contains(s.Clients, client)
}

// Actor is who does something: an account or a job, with what it may see.
type Actor struct {
	Account ident.ID // zero for jobs and commands
	Name    string   // login name, or the name of the job
	Role    Role
	Scope   Scope
	Via     Via
	Request string // request id, joins log and audit
}

// System is the actor of jobs and commands run by the operator.
func System(name string, via Via) Actor {
	return Actor{Name: name, Role: Administrator, Scope: Scope{All: true}, Via: via}
}

// Keeps reports whether the actor keeps the pool: records facts, enters certificates, holds and releases units.
func (a Actor) Keeps() bool { return a.Role == Coordinator || a.Role == Administrator }

// Books reports whether the actor may ask for bookings and record field work.
func (a Actor) Books() bool { return a.Keeps() || a.Role == Surveyor }
