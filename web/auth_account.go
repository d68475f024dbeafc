package web

import (
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
)

// accountView is what the page of one's own account shows. Secret is shown once, right after it was made.
type accountView struct {
	Token       string
	Account     access.Account
	Credentials []access.Credential
	Secret      string
	SecretOf    access.CredentialKind
	CalDAV      string // address for calendar programs
	Feed        string // address of the feed, when it was just made
	Err         *fault.Error
	ErrOf       string // which form the fault belongs to
}

func (v accountView) of(kind access.CredentialKind) []access.Credential {
	return slices.DeleteFunc(slices.Clone(v.Credentials), func(c access.Credential) bool { return c.Kind != kind })
}

// err is the fault when it belongs to the form.
func (v accountView) err(form string) *fault.Error {
	if v.ErrOf == form {
		return v.Err
	}
	return nil
}

// when writes a moment in the zone of the account.
func (v accountView) when(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return t.In(v.Account.Location()).Format("Mon 2 Jan 2006")
}

func (v accountView) until(t time.Time) string {
	if t.IsZero() {
		return "until revoked"
	}
	return "until " + t.In(v.Account.Location()).Format("Mon 2 Jan 2006, 15:04 MST")
}

func (v accountView) tokenRoles() []access.Role {
	return slices.DeleteFunc(access.Roles(), func(r access.Role) bool { return !v.Account.Role.Covers(r) })
}

func (s *Server) accountPage(c echo.Context) error {
	return s.showAccount(c, http.StatusOK, accountView{})
}

func (s *Server) showAccount(c echo.Context, status int, view accountView) error {
	all, err := s.Gate.Credentials(ctx(c), actor(c))
	if err != nil {
		return err
	}
	view.Token, view.Account, view.Credentials = s.formToken(c), account(c), all
	view.CalDAV = s.absolute(c.Request(), "/caldav/")
	return s.page(c, status, s.frame(c, "Your account", "account"), accountBody(view))
}

// again shows the account page with the fault at its form, or passes on what the form cannot mend.
func (s *Server) again(c echo.Context, err error, form string) error {
	f := fault.Of(err)
	if f.Kind() == fault.Internal {
		return err
	}
	visitOf(c.Request()).cause = f
	s.answerHeaders(c.Response().Header(), f)
	return s.showAccount(c, statusOf(f), accountView{Err: f, ErrOf: form})
}

func (s *Server) changeSelf(c echo.Context) error {
	form := c.Request().PostForm
	to := access.Account{Display: form.Get("display"), Locale: form.Get("locale"), Zone: form.Get("zone")}
	if _, err := s.Gate.ChangeSelf(ctx(c), actor(c), to); err != nil {
		return s.again(c, err, "self")
	}
	return s.see(c, "/account", "Your account is changed.")
}

func (s *Server) changePassword(c echo.Context) error {
	form, v := c.Request().PostForm, visitOf(c.Request())
	if form.Get("next") != form.Get("again") {
		return s.again(c, fault.New(fault.BadInput, "what", "the new password").At("again", "The two passwords differ; type the same one twice."), "password")
	}
	if err := s.Gate.ChangePassword(ctx(c), v.actor, form.Get("present"), form.Get("next"), v.token, v.address); err != nil {
		return s.again(c, err, "password")
	}
	return s.see(c, "/account", "Your password is changed. Every other login of this account has ended; app passwords and tokens go on.")
}

func (s *Server) issueAppPassword(c echo.Context) error {
	secret, _, err := s.Gate.IssueAppPassword(ctx(c), actor(c), c.Request().PostForm.Get("label"))
	if err != nil {
		return s.again(c, err, "app")
	}
	return s.showAccount(c, http.StatusOK, accountView{Secret: secret, SecretOf: access.AppPassword})
}

func (s *Server) issueToken(c echo.Context) error {
	form := c.Request().PostForm
	var expires time.Time
	if text := form.Get("expires"); text != "" {
		day, err := civil.Parse(text)
		if err != nil {
			return s.again(c, fault.New(fault.BadInput, "what", "the token").At("expires", "Write the last day as YYYY-MM-DD, or leave it empty."), "api")
		}
		expires = day.End(account(c).Location())
	}
	role := access.Role(form.Get("role"))
	if !role.Known() {
		return s.again(c, fault.New(fault.BadInput, "what", "the token").At("role", "Choose what the token may do."), "api")
	}
	secret, _, err := s.Gate.IssueToken(ctx(c), actor(c), form.Get("label"), role, expires)
	if err != nil {
		return s.again(c, err, "api")
	}
	return s.showAccount(c, http.StatusOK, accountView{Secret: secret, SecretOf: access.APIToken})
}

func (s *Server) issueFeed(c echo.Context) error {
	secret, _, err := s.Gate.IssueFeed(ctx(c), actor(c))
	if err != nil {
		return s.again(c, err, "feed")
	}
	return s.showAccount(c, http.StatusOK, accountView{Feed: s.absolute(c.Request(), "/feeds/"+secret+".ics"), SecretOf: access.FeedToken})
}

func (s *Server) revokeCredential(c echo.Context) error {
	id, err := idParam(c, "id", "credential")
	if err != nil {
		return err
	}
	if err := s.Gate.Revoke(ctx(c), actor(c), id); err != nil {
		return err
	}
	return s.see(c, "/account", "It is revoked and opens nothing any more.")
}
