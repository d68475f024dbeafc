// Package caldav is the door for calendar programs: CalDAV (RFC 4791) over the kits' calendars, where putting an event is a
// booking attempt, and secret feeds. It parses, calls the desk and the agenda, and shows what came back.
package caldav

import (
	"context"
	"log/slog"
	"net/http"
	"runtime/debug"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// Gate lets calendar programs in.
type Gate interface {
	// Authenticate finds the account of a login name and an app password; fault.NotSignedIn when they do not fit.
	Authenticate(ctx context.Context, name, appPassword string, via access.Via) (access.Actor, error)
	// Account gives the actor's own account.
	Account(ctx context.Context, who access.Actor, id ident.ID) (access.Account, error)
}

// Desk takes bookings.
type Desk interface {
	Book(ctx context.Context, who access.Actor, w schedule.Wish) (schedule.Outcome, error)
	Move(ctx context.Context, who access.Actor, id ident.ID, version int, w schedule.Wish) (schedule.Outcome, error)
	Cancel(ctx context.Context, who access.Actor, id ident.ID, version int, reason string) (schedule.Outcome, error)
	Busy(ctx context.Context, who access.Actor, units []ident.ID, span fleet.Span) ([]schedule.Block, error)
}

// Handler answers below /caldav/ and at /.well-known/caldav. It must see the path as it was sent.
type Handler struct {
	Gate   Gate
	Desk   Desk
	Agenda *agenda.Reader
	Now    func() time.Time
	Log    *slog.Logger // nil: silent
}

// patience bounds one request.
const patience = 30 * time.Second

// davClasses are the parts of the protocol that are kept. calendar-auto-schedule is never claimed: programs would then stop
// mailing invitations.
const davClasses = "1, 3, calendar-access"

// ServeHTTP implements http.Handler. No panic reaches the listener.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	out := &answer{ResponseWriter: w}
	defer func() {
		if p := recover(); p != nil {
			h.log().Error("calendar request failed", "method", r.Method, "panic", p, "stack", string(debug.Stack()))
			if !out.begun {
				refuse(out, fault.New(fault.Unexpected))
			}
		}
	}()
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	if err := h.serve(out, r.WithContext(ctx)); err != nil {
		if fault.KindOf(err) == fault.Internal {
			h.log().Error("calendar request failed", "method", r.Method, "err", err)
		}
		refuse(out, err)
	}
}

func (h *Handler) log() *slog.Logger {
	if h.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return h.Log
}

// answer remembers whether a response was begun.
type answer struct {
	http.ResponseWriter
	begun bool
}

// WriteHeader implements http.ResponseWriter.
func (a *answer) WriteHeader(status int) {
	a.begun = true
	a.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (a *answer) Write(b []byte) (int, error) {
	a.begun = true
	return a.ResponseWriter.Write(b)
}

// request is one authenticated call.
type request struct {
	*http.Request
	who  access.Actor
	path place
	mail string // of the account, where its principal is asked about
}

func (h *Handler) serve(w http.ResponseWriter, r *http.Request) error {
	escaped := r.URL.EscapedPath()
	if escaped == "/.well-known/caldav" || escaped == "/.well-known/caldav/" {
		http.Redirect(w, r, rootPath, http.StatusMovedPermanently) // RFC 6764, 5
		return nil
	}
	at, err := parsePath(escaped)
	if err != nil {
		return err
	}
	if r.Method == http.MethodOptions {
		return options(w, at)
	}
	name, password, ok := r.BasicAuth()
	if !ok {
		return fault.New(fault.NotSignedIn)
	}
	who, err := h.Gate.Authenticate(r.Context(), name, password, access.ViaCalDAV)
	if err != nil {
		return err
	}
	return h.dispatch(w, &request{Request: r, who: who, path: at})
}

func options(w http.ResponseWriter, at place) error {
	w.Header().Set("DAV", davClasses)
	w.Header().Set("Allow", at.allow())
	w.Header().Set("Content-Length", "0")
	w.WriteHeader(http.StatusOK)
	return nil
}

func (h *Handler) dispatch(w http.ResponseWriter, r *request) error {
	object := r.path.kind == objectPlace
	switch {
	case r.Method == "PROPFIND":
		return h.propfind(w, r)
	case r.Method == "REPORT":
		return h.report(w, r)
	case r.Method == "PROPPATCH":
		return h.proppatch(w, r)
	case object && (r.Method == http.MethodGet || r.Method == http.MethodHead):
		return h.get(w, r)
	case object && r.Method == http.MethodPut:
		return h.put(w, r)
	case object && r.Method == http.MethodDelete:
		return h.delete(w, r)
	case r.Method == http.MethodDelete && r.path.kind != nowhere:
		return forbidden("a kit's calendar is removed by removing the kit")
	case r.Method == "MKCALENDAR" || r.Method == "MKCOL":
		return h.makeCollection(r)
	case r.Method == "COPY" || r.Method == "MOVE":
		return forbidden("a booking is moved by changing its times, and copied by a new event")
	}
	w.Header().Set("Allow", r.path.allow())
	return fault.New(fault.WrongMethod, "method", r.Method, "allowed", r.path.allow())
}

// makeCollection refuses: collections are the kits.
func (h *Handler) makeCollection(r *request) error {
	if r.path.kind == kitPlace {
		err := h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error { _, err := l.Collection(r.path.kit); return err })
		if err == nil {
			return fault.New(fault.AlreadyUsed, "noun", "calendar", "value", r.path.kit)
		}
	}
	return forbidden("a calendar here is a kit; add a kit in kitd and its calendar appears")
}

func forbidden(what string) error { return fault.New(fault.NotAllowed, "what", what) }
