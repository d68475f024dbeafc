// Package web is the door for browsers and programs: pages and /api/v1. It parses, calls the domain and shows what came back;
// it knows neither storage nor calendars. Calendar paths are handed on before any routing.
package web

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// Deps is everything the server stands on. CalDAV and Feeds may be nil: their paths then answer 404.
type Deps struct {
	Gate    *access.Gate
	Pool    Pool
	Desk    Desk
	Office  Office
	Repeats Repeats
	Stock   Stock
	Ledger  Ledger
	Tables  Tables
	CalDAV  http.Handler // "/caldav", "/caldav/…" and "/.well-known/caldav"; logs callers in by itself
	Feeds   http.Handler // "/feeds/…"; the secret in the path is the login

	Originals archive.Keeper // documents of laboratories as they came; nil: only the entries are kept

	Ready  func(context.Context) error // nil when the database answers and its schema is right
	Now    func() time.Time
	NewID  ident.Source
	Random io.Reader // unpredictable
	Log    *slog.Logger
	Config Config
}

// Config is what the operator says about the surroundings.
type Config struct {
	PublicURL      string         // how browsers and calendar programs reach kitd: "https://kit.example.org"; empty: as asked for, without TLS
	TrustedProxies []netip.Prefix // who may say where a request came from (X-Forwarded-For, X-Request-Id)
	MaxUpload      int64          // bytes of a returned file; 0: 512 MiB
}

// DefaultMaxUpload bounds a returned file.
const DefaultMaxUpload = 512 << 20

// Check refuses settings that cannot work, naming the key.
func (c Config) Check() error {
	if c.PublicURL == "" {
		return nil
	}
	u, err := url.Parse(c.PublicURL)
	plain := err == nil && (u.Scheme == "https" || u.Scheme == "http") && u.Host != "" && u.User == nil &&
		strings.Trim(u.Path, "/") == "" && u.RawQuery == "" && u.Fragment == ""
	if !plain {
		return fault.New(fault.BadInput, "what", "the configuration").
			At("public_url", "Write the address kitd is reached at, such as https://kit.example.org, without a path.")
	}
	return nil
}

// Server answers HTTP requests. It is safe for concurrent use.
type Server struct {
	Deps
	public *url.URL // nil when no public address is set
	echo   *echo.Echo
	outer  http.Handler
	routes []Route
}

// New makes the server. It fails on settings that cannot work and on routes without declared access.
func New(d Deps) (*Server, error) {
	if err := d.Config.Check(); err != nil {
		return nil, err
	}
	if d.Config.MaxUpload == 0 {
		d.Config.MaxUpload = DefaultMaxUpload
	}
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{Deps: d, echo: echo.New(), routes: Routes()}
	if d.Config.PublicURL != "" {
		s.public, _ = url.Parse(strings.TrimRight(d.Config.PublicURL, "/"))
	}
	s.echo.HTTPErrorHandler = s.failed
	for _, r := range s.routes {
		if err := s.register(r); err != nil {
			return nil, err
		}
	}
	s.outer = s.chain(http.HandlerFunc(s.dispatch))
	return s, nil
}

// ServeHTTP implements http.Handler.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.outer.ServeHTTP(w, r) }

// HTTP gives a net/http server for the address with the limits that guard against slow and large requests. How long a request
// may take in all is set for each route.
func (s *Server) HTTP(addr string) *http.Server {
	return &http.Server{
		Addr: addr, Handler: s, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		ErrorLog: slog.NewLogLogger(s.Log.Handler(), slog.LevelWarn),
	}
}

// dispatch hands calendar paths on before routing, by the path as it was sent: echo decodes parameters unevenly and knows only
// some of the methods of RFC 4918.
func (s *Server) dispatch(w http.ResponseWriter, r *http.Request) {
	path := r.URL.EscapedPath()
	switch {
	case s.CalDAV != nil && (path == "/caldav" || strings.HasPrefix(path, "/caldav/") || path == "/.well-known/caldav"):
		bounded(s.CalDAV, w, r)
	case s.Feeds != nil && strings.HasPrefix(path, "/feeds/"):
		bounded(s.Feeds, w, r)
	default:
		deadlines(w, usualWait) // also for what no route takes; a route sets its own
		s.echo.ServeHTTP(w, r)
	}
}

// What a calendar request may take. Calendar objects are bounded more narrowly by those who read them.
const (
	calendarBody = 4 << 20
	calendarWait = 2 * time.Minute
)

func bounded(h http.Handler, w http.ResponseWriter, r *http.Request) {
	r, end := bound(w, r, calendarBody, calendarWait)
	defer end()
	h.ServeHTTP(w, r)
}

// deadlines ends reading and writing after a time. They are in the machine's time, whatever clock the domain runs on; writers
// without a socket have none.
func deadlines(w http.ResponseWriter, wait time.Duration) {
	control, until := http.NewResponseController(w), time.Now().Add(wait)
	_ = control.SetReadDeadline(until)
	_ = control.SetWriteDeadline(until.Add(10 * time.Second))
}

// bound limits the size of the body and the time of the whole request.
func bound(w http.ResponseWriter, r *http.Request, size int64, wait time.Duration) (*http.Request, context.CancelFunc) {
	ctx, cancel := context.WithTimeout(r.Context(), wait)
	r = r.WithContext(ctx)
	r.Body = watchedBody{http.MaxBytesReader(w, r.Body, size), visitOf(r)}
	deadlines(w, wait)
	return r, cancel
}

// watchedBody notes that a body went beyond its limit, whatever the reader makes of the error.
type watchedBody struct {
	io.ReadCloser
	v *visit
}

// Read implements io.Reader.
func (b watchedBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	errors.As(err, &b.v.large)
	return n, err
}

// absolute gives the address of a path as others reach it.
func (s *Server) absolute(r *http.Request, path string) string {
	if s.public != nil {
		return s.public.String() + path
	}
	if r.TLS != nil {
		return "https://" + r.Host + path
	}
	return "http://" + r.Host + path
}

// overTLS reports whether the browser speaks TLS: with the proxy that the public address names, or with kitd itself.
func (s *Server) overTLS(r *http.Request) bool {
	if s.public != nil {
		return s.public.Scheme == "https"
	}
	return r.TLS != nil
}
