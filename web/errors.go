package web

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
)

// kindStatus is the one place where kinds of faults become HTTP statuses (RFC 9110, section 15).
var kindStatus = map[fault.Kind]int{
	fault.Internal:    http.StatusInternalServerError,
	fault.Invalid:     http.StatusUnprocessableEntity,
	fault.NotFound:    http.StatusNotFound,
	fault.Conflict:    http.StatusConflict,
	fault.Forbidden:   http.StatusForbidden,
	fault.Unavailable: http.StatusServiceUnavailable,
}

// codeStatus names the codes for which HTTP has a closer status than their kind's.
var codeStatus = map[fault.Code]int{
	fault.NotSignedIn:   http.StatusUnauthorized,
	fault.LoginRefused:  http.StatusUnauthorized,
	fault.TooManyTries:  http.StatusTooManyRequests,
	fault.TooLarge:      http.StatusRequestEntityTooLarge,
	fault.WrongMethod:   http.StatusMethodNotAllowed,
	fault.WrongMedia:    http.StatusUnsupportedMediaType,
	fault.VersionNeeded: http.StatusPreconditionRequired,
	fault.VersionStale:  http.StatusPreconditionFailed,
}

// statusOf gives the HTTP status of a fault.
func statusOf(f *fault.Error) int {
	if status, ok := codeStatus[f.Code]; ok {
		return status
	}
	return kindStatus[f.Kind()]
}

// failed is echo's error handler: every error of every route ends here.
func (s *Server) failed(err error, c echo.Context) {
	v := visitOf(c.Request())
	f := asFault(c, err)
	v.cause = f
	if c.Response().Committed {
		return
	}
	if f.Code == fault.NotSignedIn && !isAPI(c.Request()) && safeMethod(c.Request().Method) {
		if err := c.Redirect(http.StatusSeeOther, loginFor(c.Request())); err == nil {
			return
		}
	}
	s.failedPage(c, f, err)
}

// failedPage answers with a page for people or a problem document for programs.
func (s *Server) failedPage(c echo.Context, f *fault.Error, err error) {
	if isAPI(c.Request()) {
		s.problem(c.Response(), c.Request(), f, err)
		return
	}
	s.answerHeaders(c.Response().Header(), f)
	back := c.Request().Header.Get("Referer")
	// The page is made even when the time of the request is over: templates stop at an ended context.
	c.SetRequest(c.Request().WithContext(context.WithoutCancel(ctx(c))))
	if err := s.page(c, statusOf(f), s.frame(c, "Not done", ""), faultPage(f, visitOf(c.Request()).id, backPath(back))); err != nil {
		s.Log.ErrorContext(ctx(c), "error page", "request", visitOf(c.Request()).id, "cause", err.Error())
		s.answer(c.Response(), c.Request(), f)
	}
}

// answer is for faults outside echo: a problem document for programs, plain text for the rest.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, f *fault.Error) {
	if isAPI(r) {
		s.problem(w, r, f, f)
		return
	}
	s.answerHeaders(w.Header(), f)
	http.Error(w, f.Sentence()+"\nRequest "+visitOf(r).id+".", statusOf(f))
}

// answerHeaders says how to log in and when to come again.
func (s *Server) answerHeaders(h http.Header, f *fault.Error) {
	h.Set("Cache-Control", "no-store")
	switch {
	case f.Code == fault.TooManyTries:
		h.Set("Retry-After", "60")
	case f.Kind() == fault.Unavailable:
		h.Set("Retry-After", "5")
	}
}

func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.EscapedPath(), "/api/") }

// asFault finds the fault in any error that a handler, echo or net/http gave.
func asFault(c echo.Context, err error) *fault.Error {
	if large := visitOf(c.Request()).large; large != nil { // whatever a domain made of a body that goes on too long
		return unreadable(large)
	}
	var f *fault.Error
	if errors.As(err, &f) {
		return f
	}
	var he *echo.HTTPError
	if !errors.As(err, &he) {
		return fault.Of(err)
	}
	switch he.Code {
	case http.StatusNotFound:
		return fault.New(fault.NoSuchPage)
	case http.StatusMethodNotAllowed:
		allowed, _ := c.Get(echo.ContextKeyHeaderAllow).(string)
		c.Response().Header().Set("Allow", allowed)
		return fault.New(fault.WrongMethod, "method", c.Request().Method, "allowed", allowed)
	}
	return fault.New(fault.Unexpected).Because(err)
}

// unreadable is the fault of a body that cannot be read: too large, cut short or not of its declared form.
func unreadable(err error) *fault.Error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return fault.New(fault.TooLarge, "noun", "body", "limit", sizeWords(large.Limit)).Because(err)
	}
	return fault.New(fault.BadInput, "what", "the body, which cannot be read to its end").Because(err)
}

// sizeWords says a number of bytes in words.
func sizeWords(n int64) string {
	switch {
	case n >= 1<<20 && n%(1<<20) == 0:
		return strconv.FormatInt(n>>20, 10) + " MiB"
	case n >= 1<<10 && n%(1<<10) == 0:
		return strconv.FormatInt(n>>10, 10) + " KiB"
	}
	return strconv.FormatInt(n, 10) + " bytes"
}
