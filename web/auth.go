package web

import (
	"context"
	"mime"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
)

// guarded puts the guards of a route before its handler: limits, who calls, whether the form is ours, whether the role allows it.
func (s *Server) guarded(r Route) echo.HandlerFunc {
	return func(c echo.Context) error {
		v := visitOf(c.Request())
		v.route = r.Path
		end := s.limit(c, r)
		defer end()
		defer func() { dropFiles(c.Request()) }()
		if err := s.enterRoute(c, r, v); err != nil {
			s.failed(err, c) // here, while the context of the request still stands
		}
		return nil
	}
}

func (s *Server) enterRoute(c echo.Context, r Route, v *visit) error {
	identify := s.fromCookie
	if r.API() {
		identify = s.fromToken
	}
	if err := identify(c, v); err != nil {
		return err
	}
	if err := s.admit(c, r, v); err != nil {
		return err
	}
	return r.Handle(s, c)
}

// limit bounds the size of the body and the time of the whole request.
func (s *Server) limit(c echo.Context, r Route) context.CancelFunc {
	size, wait := r.Body, r.Wait
	switch size {
	case 0:
		size = usualBody
	case Upload:
		size = s.Config.MaxUpload
	}
	if wait == 0 {
		wait = usualWait
	}
	req, cancel := bound(c.Response().Writer, c.Request(), size, wait)
	c.SetRequest(req)
	return cancel
}

// fromCookie finds the login of a browser. An ended one is forgotten, the request goes on without.
func (s *Server) fromCookie(c echo.Context, v *visit) error {
	token := s.cookie(c, sessionCookie)
	if token == "" {
		return nil
	}
	session, err := s.Gate.Session(c.Request().Context(), token)
	if fault.Is(err, fault.NotSignedIn) {
		s.dropCookie(c, sessionCookie)
		return nil
	}
	if err != nil {
		return err
	}
	v.session, v.token, v.actor = &session, token, session.Actor
	return nil
}

// fromToken finds the account of a program: RFC 6750, section 2.1. Cookies do not count here.
func (s *Server) fromToken(c echo.Context, v *visit) error {
	scheme, token, _ := strings.Cut(c.Request().Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") || strings.TrimSpace(token) == "" {
		return nil
	}
	who, err := s.Gate.Bearer(c.Request().Context(), strings.TrimSpace(token), access.ViaAPI)
	v.actor = who
	return err
}

// admit checks where a form comes from, the role, and the form's token, in this order: the token stands in the body, and nobody
// whom the route is not for may make kitd read or keep one.
func (s *Server) admit(c echo.Context, r Route, v *visit) error {
	form := !r.API() && !safeMethod(r.Method)
	if form && s.foreign(c.Request()) {
		return fault.New(fault.ForeignOrigin)
	}
	if r.Need != Everybody {
		c.Response().Header().Set("Cache-Control", "no-store")
		switch {
		case v.actor.Account.IsZero():
			return fault.New(fault.NotSignedIn)
		case !r.Need.Allows(v.actor.Role):
			return fault.New(fault.NotAllowed, "what", "it is for "+r.Need.people())
		}
	}
	if form {
		return s.ownForm(c, v)
	}
	return nil
}

func safeMethod(m string) bool {
	return m == http.MethodGet || m == http.MethodHead || m == http.MethodOptions
}

// foreign tells by the browser's own word, where it gives one (Sec-Fetch-Site, Origin), whether another site's page sent a form.
func (s *Server) foreign(r *http.Request) bool {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "same-origin", "none":
		return false
	case "":
		origin := r.Header.Get("Origin")
		return origin != "" && !s.ownOrigin(r, origin)
	}
	return true
}

// ownForm refuses a form without the token every form of ours carries, which is bound to the login or, before it, to a cookie.
func (s *Server) ownForm(c echo.Context, v *visit) error {
	r := c.Request()
	if v.session == nil && s.cookie(c, formCookie) == "" {
		return fault.New(fault.NotSignedIn)
	}
	if err := readForm(r); err != nil {
		return err
	}
	if !sameText(r.PostForm.Get(formField), s.formToken(c)) {
		return fault.New(fault.FormStale)
	}
	return nil
}

func (s *Server) ownOrigin(r *http.Request, origin string) bool {
	u, err := url.Parse(origin)
	if err != nil {
		return false
	}
	if s.public != nil {
		return strings.EqualFold(u.Scheme, s.public.Scheme) && strings.EqualFold(u.Host, s.public.Host)
	}
	return strings.EqualFold(u.Host, r.Host)
}

// dropFiles removes what readForm kept on disk. net/http does so only for the very request it made, and every guard that adds
// to the context hands on another.
func dropFiles(r *http.Request) {
	if r.MultipartForm != nil {
		_ = r.MultipartForm.RemoveAll() // what cannot be removed now is for the system's own sweep of temporary files
	}
}

// readForm reads a form of either encoding; files beyond 1 MiB are kept on disk until dropFiles.
func readForm(r *http.Request) error {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case err == nil && kind == "multipart/form-data":
		err = r.ParseMultipartForm(1 << 20)
	case err == nil && kind == "application/x-www-form-urlencoded":
		err = r.ParseForm()
	default:
		return fault.New(fault.WrongMedia, "type", r.Header.Get("Content-Type"), "wanted", "a form")
	}
	if err != nil {
		return unreadable(err)
	}
	return nil
}
