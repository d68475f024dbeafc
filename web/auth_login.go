package web

import (
	"net/http"
	"net/url"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/web/look"
)

// loginFor is where somebody without a login is sent, with the way back.
func loginFor(r *http.Request) string {
	if path := r.URL.RequestURI(); path != "/" && ownPath(path) == path {
		return "/login?next=" + url.QueryEscape(path)
	}
	return "/login"
}

// loginPage shows the form, or goes on when somebody is logged in already.
func (s *Server) loginPage(c echo.Context) error {
	next := ownPath(c.QueryParam("next"))
	if visitOf(c.Request()).session != nil {
		return c.Redirect(http.StatusSeeOther, next)
	}
	return s.showLogin(c, http.StatusOK, next, "", nil)
}

func (s *Server) showLogin(c echo.Context, status int, next, name string, f *fault.Error) error {
	token, err := s.bindForm(c)
	if err != nil {
		return err
	}
	return s.page(c, status, s.frame(c, "Log in", ""), loginForm(token, next, name, f))
}

// login opens a session under a fresh token; what the browser held before is worth nothing afterwards.
func (s *Server) login(c echo.Context) error {
	form, v := c.Request().PostForm, visitOf(c.Request())
	next := ownPath(form.Get("next"))
	try := access.Attempt{Name: form.Get("name"), Password: form.Get("password"), Address: v.address, Old: v.token}
	token, session, err := s.Gate.Login(ctx(c), try)
	if f := fault.Of(err); err != nil {
		if f.Kind() == fault.Internal {
			return err
		}
		v.cause = f
		s.answerHeaders(c.Response().Header(), f)
		return s.showLogin(c, statusOf(f), next, form.Get("name"), f)
	}
	s.enter(c, token, session)
	return c.Redirect(http.StatusSeeOther, next)
}

func (s *Server) enter(c echo.Context, token string, session access.Session) {
	s.setCookie(c, sessionCookie, token, session.Expires)
	s.dropCookie(c, formCookie)
	v := visitOf(c.Request())
	v.token, v.session, v.actor = token, &session, session.Actor
}

func (s *Server) logout(c echo.Context) error {
	if err := s.Gate.Logout(ctx(c), actor(c), visitOf(c.Request()).token); err != nil {
		return err
	}
	s.dropCookie(c, sessionCookie)
	return c.Redirect(http.StatusSeeOther, "/login")
}

// linkPage shows what a one-time link is for. Looking does not use it up.
func (s *Server) linkPage(c echo.Context) error {
	purpose, a, err := s.Gate.Link(ctx(c), param(c, "secret"))
	if err != nil {
		return err
	}
	return s.showLink(c, http.StatusOK, linkView{Setup: purpose == access.LinkSetup, Name: a.Name, Display: a.Display, Zone: "UTC"}, nil)
}

func (s *Server) showLink(c echo.Context, status int, view linkView, f *fault.Error) error {
	token, err := s.bindForm(c)
	if err != nil {
		return err
	}
	title := "Choose a password"
	if view.Setup {
		title = "Set up kitd"
	}
	return s.page(c, status, s.frame(c, title, ""), linkForm(token, c.Request().URL.EscapedPath(), view, f))
}

// useLink makes the first administrator or sets the password of an invited account, and logs in.
func (s *Server) useLink(c echo.Context) error {
	form, secret := c.Request().PostForm, param(c, "secret")
	purpose, a, err := s.Gate.Link(ctx(c), secret)
	if err != nil {
		return err
	}
	view := linkView{Setup: purpose == access.LinkSetup, Name: a.Name, Display: a.Display}
	if view.Setup {
		view.Name, view.Display, view.Zone = form.Get("name"), form.Get("display"), form.Get("zone")
	}
	f := samePassword(form)
	if f == nil {
		answer := access.LinkAnswer{Name: view.Name, Display: view.Display, Zone: view.Zone, Password: form.Get("password"), Old: visitOf(c.Request()).token}
		token, session, err := s.Gate.UseLink(ctx(c), secret, answer)
		if err == nil {
			s.enter(c, token, session)
			return s.see(c, "/account", "The password is set, and you are logged in.")
		}
		if f = fault.Of(err); f.Kind() != fault.Invalid {
			return err
		}
	}
	return s.showLink(c, statusOf(f), view, f)
}

// samePassword compares the two times a new password was typed.
func samePassword(form url.Values) *fault.Error {
	if form.Get("password") == form.Get("again") {
		return nil
	}
	return fault.New(fault.BadInput, "what", "the new password").At("again", "The two passwords differ; type the same one twice.")
}

// linkView is what the page of a one-time link shows.
type linkView struct {
	Setup               bool
	Name, Display, Zone string
}

// fieldErr gives what a fault says of one field, empty when it says nothing.
func fieldErr(f *fault.Error, path string) string {
	if f == nil {
		return ""
	}
	for _, field := range f.Fields {
		if field.Path == path {
			return field.Text
		}
	}
	return ""
}

// backPath is where the error page leads back to: the page before, when it was one of ours.
func backPath(referer string) string {
	u, err := url.Parse(referer)
	if err != nil || u.Path == "" {
		return "/"
	}
	return ownPath(u.RequestURI())
}

// authField fills a look.Field with what was typed and what is wrong with it.
func authField(f *fault.Error, in look.Field) look.Field {
	in.Err = fieldErr(f, in.ID)
	return in
}
