package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"

	"kitd/internal/access"
	"kitd/internal/fault"
)

// visit is what the server knows about one request. The guards fill it in on the way.
type visit struct {
	id      string // request id
	address string // where it comes from, as far as it can be trusted
	actor   access.Actor
	session *access.Session
	token   string              // of the session
	route   string              // pattern of the matched route
	cause   error               // of the fault that was answered
	large   *http.MaxBytesError // the body was larger than allowed
}

type visitKey struct{}

func visitOf(r *http.Request) *visit {
	if v, ok := r.Context().Value(visitKey{}).(*visit); ok {
		return v
	}
	return &visit{}
}

// chain wraps everything, calendar paths included: request id, log line, headers, recovery.
func (s *Server) chain(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := &visit{id: s.requestID(r), address: s.clientAddress(r)}
		ctx := access.WithRequest(context.WithValue(r.Context(), visitKey{}, v), v.id)
		r = r.WithContext(ctx)
		out := &counted{ResponseWriter: w}
		s.headers(out.Header(), r, v)
		start := s.Now()
		defer func() {
			s.Log.LogAttrs(ctx, levelOf(out.status), "request", slog.String("request", v.id), slog.String("method", r.Method),
				slog.String("path", safePath(r)), slog.String("route", v.route), slog.Int("status", out.status), slog.Int64("bytes", out.bytes),
				slog.Int64("ms", s.Now().Sub(start).Milliseconds()), slog.String("address", v.address), slog.String("account", idOf(v.actor)),
				slog.String("cause", causeOf(v.cause)))
		}()
		defer s.recovered(out, r, v)
		next.ServeHTTP(out, r)
	})
}

// recovered turns a panic into an answer and a log entry with its stack.
func (s *Server) recovered(out *counted, r *http.Request, v *visit) {
	p := recover()
	if p == nil {
		return
	}
	if p == http.ErrAbortHandler { //nolint:errorlint // net/http compares it the same way
		panic(p)
	}
	v.cause = fmt.Errorf("panic: %v", p)
	s.Log.ErrorContext(r.Context(), "panic", "request", v.id, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
	if out.status == 0 {
		s.answer(out, r, fault.New(fault.Unexpected).Because(v.cause))
	}
}

func levelOf(status int) slog.Level {
	if status >= 500 {
		return slog.LevelError
	}
	return slog.LevelInfo
}

func idOf(a access.Actor) string {
	if a.Account.IsZero() {
		return ""
	}
	return a.Account.String()
}

func causeOf(err error) string {
	var f *fault.Error
	switch {
	case err == nil:
		return ""
	case errors.As(err, &f) && f.Cause == nil:
		return string(f.Code)
	case errors.As(err, &f):
		return string(f.Code) + ": " + f.Cause.Error()
	}
	return err.Error()
}

// safePath is the path for the log: the secrets of feeds and one-time links stay out of it.
func safePath(r *http.Request) string {
	path := r.URL.EscapedPath()
	for _, secret := range []string{"/feeds/", "/setup/"} {
		if strings.HasPrefix(path, secret) {
			return secret + "…"
		}
	}
	return path
}

// policy is the strict Content-Security-Policy of every answer: nothing from elsewhere, no inline script or style.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; " +
	"form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

func (s *Server) headers(h http.Header, r *http.Request, v *visit) {
	h.Set("X-Request-Id", v.id)
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
	if s.overTLS(r) {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

// counted counts what was answered.
type counted struct {
	http.ResponseWriter
	status int
	bytes  int64
}

// WriteHeader implements http.ResponseWriter.
func (t *counted) WriteHeader(status int) {
	if t.status == 0 && status >= 200 {
		t.status = status
	}
	t.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (t *counted) Write(b []byte) (int, error) {
	if t.status == 0 {
		t.status = http.StatusOK
	}
	n, err := t.ResponseWriter.Write(b)
	t.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach the connection.
func (t *counted) Unwrap() http.ResponseWriter { return t.ResponseWriter }
