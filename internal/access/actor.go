// Package access holds who may do what: accounts, roles, client walls, sessions and tokens. Every domain call carries an Actor.
package access

import (
	"fmt"
	"slices"
	"sync/atomic"

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
	Once    *Once  // nil: the call is done as often as it is made
}

// Once says that a call is to be done once only, however often it is made: the first work that records a change under the key
// leaves a mark in its own transaction, and work of a later call with the key is refused with the fault "done before", which
// carries a *Done. One Once belongs to one call; the works of that call follow each other freely.
type Once struct {
	Key     string
	Request [32]byte // hash of what is asked for: the same key with another request is a mistake of the caller
	begun   atomic.Bool
}

// Begun reports whether work of this very call was stored already.
func (o *Once) Begun() bool { return o.begun.Load() }

// Begin notes that work of this call was stored.
func (o *Once) Begin() { o.begun.Store(true) }

// Done is what is known of a call that was done before: its answer, or where kitd ended before the answer was kept, the first
// thing it changed.
type Done struct {
	Status int    // zero: the answer was never kept
	Body   []byte // of the answer
	Noun   string // "booking", "unit" …
	ID     ident.ID
}

// Error makes it the cause of the fault.
func (d *Done) Error() string { return fmt.Sprintf("access: done before: %s %s", d.Noun, d.ID) }

// System is the actor of jobs and commands run by the operator.
func System(name string, via Via) Actor {
	return Actor{Name: name, Role: Administrator, Scope: Scope{All: true}, Via: via}
}

// Keeps reports whether the actor keeps the pool: records facts, enters certificates, holds and releases units.
func (a Actor) Keeps() bool { return a.Role == Coordinator || a.Role == Administrator }

// Books reports whether the actor may ask for bookings and record field work.
func (a Actor) Books() bool { return a.Keeps() || a.Role == Surveyor }
