package web

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/web/look"
)

// actor is who calls; the zero Actor on routes that need no account.
func actor(c echo.Context) access.Actor { return visitOf(c.Request()).actor }

// account is the account that is logged in; the zero Account without a login and for programs.
func account(c echo.Context) access.Account {
	if s := visitOf(c.Request()).session; s != nil {
		return s.Account
	}
	return access.Account{}
}

// ctx is the context of the request, with its deadline and request id.
func ctx(c echo.Context) context.Context { return c.Request().Context() }

// param gives a path parameter decoded, however the path was sent.
func param(c echo.Context, name string) string {
	value := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return value
	}
	if plain, err := url.PathUnescape(value); err == nil {
		return plain
	}
	return value
}

// idParam reads a path parameter as an identifier; anything else is "no such noun".
func idParam(c echo.Context, name, noun string) (ident.ID, error) {
	id, err := ident.Parse(param(c, name))
	if err != nil {
		return ident.ID{}, fault.New(fault.NotThere, "noun", noun)
	}
	return id, nil
}

// frame is what surrounds a page for the caller: the screens the role may open, who is logged in, what was just done.
func (s *Server) frame(c echo.Context, title, screen string) look.Frame {
	f := look.Frame{Title: title, Screen: screen}
	a := account(c)
	if a.ID.IsZero() {
		return f
	}
	for _, r := range s.routes {
		if r.Screen != "" && r.Need.Allows(a.Role) {
			f.Screens = append(f.Screens, look.Screen{Key: strings.ToLower(r.Screen), Name: r.Screen, Href: r.Path})
		}
	}
	f.Who = a.Display + ", " + string(a.Role)
	f.Now = s.Now().In(a.Location()).Format("Mon 2 Jan 2006, 15:04 MST")
	f.Told = s.told(c)
	return f
}

// page answers with a page: body between the frame.
func (s *Server) page(c echo.Context, status int, f look.Frame, body templ.Component) error {
	whole := templ.ComponentFunc(func(ctx context.Context, w io.Writer) error {
		return look.Page(f).Render(templ.WithChildren(ctx, body), w)
	})
	return s.render(c, status, whole)
}

// render answers with a whole document. It is made to the end before anything is sent.
func (s *Server) render(c echo.Context, status int, document templ.Component) error {
	var b bytes.Buffer
	if err := document.Render(ctx(c), &b); err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "no-store")
	}
	c.Response().WriteHeader(status)
	_, err := c.Response().Write(b.Bytes())
	return err
}

// see sends the browser on after a form, so that loading again repeats nothing; told is one sentence for the next page.
func (s *Server) see(c echo.Context, path, told string) error {
	if told != "" {
		s.tell(c, told)
	}
	return c.Redirect(http.StatusSeeOther, path)
}

// ownPath gives a path within kitd out of what a link asked for, or "/".
func ownPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}
