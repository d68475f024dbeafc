package web

import (
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
)

// The cookies. Over TLS their names take the prefix __Host-, which browsers accept only from this very host, on all paths.
const (
	sessionCookie = "kitd"
	formCookie    = "kitd-form" // what forms are bound to before there is a login
	toldCookie    = "kitd-told" // one sentence for the next page
)

// formField is the name of the hidden field that carries the form token.
const formField = "form_token"

func (s *Server) cookieName(r *http.Request, name string) string {
	if s.overTLS(r) {
		return "__Host-" + name
	}
	return name
}

func (s *Server) cookie(c echo.Context, name string) string {
	k, err := c.Request().Cookie(s.cookieName(c.Request(), name))
	if err != nil {
		return ""
	}
	return k.Value
}

func (s *Server) setCookie(c echo.Context, name, value string, expires time.Time) {
	http.SetCookie(c.Response(), &http.Cookie{Name: s.cookieName(c.Request(), name), Value: value, Path: "/", Expires: expires, HttpOnly: true,
		Secure: s.overTLS(c.Request()), SameSite: http.SameSiteLaxMode})
}

func (s *Server) dropCookie(c echo.Context, name string) {
	http.SetCookie(c.Response(), &http.Cookie{Name: s.cookieName(c.Request(), name), Path: "/", MaxAge: -1, HttpOnly: true, Secure: s.overTLS(c.Request()),
		SameSite: http.SameSiteLaxMode})
}

// formToken is what a form must send back: derived from the session's token, or from the form cookie before a login. Neither can
// be found out from it.
func (s *Server) formToken(c echo.Context) string {
	secret := visitOf(c.Request()).token
	if secret == "" {
		secret = s.cookie(c, formCookie)
	}
	if secret == "" {
		return ""
	}
	return seal(secret, "form")
}

// bindForm gives a visitor without a login the cookie that the forms of the next pages are bound to, and the token.
func (s *Server) bindForm(c echo.Context) (string, error) {
	if token := s.formToken(c); token != "" {
		return token, nil
	}
	b := make([]byte, 32)
	if _, err := io.ReadFull(s.Random, b); err != nil {
		return "", fmt.Errorf("web: no randomness for a form: %w", err)
	}
	secret := base64.RawURLEncoding.EncodeToString(b)
	s.setCookie(c, formCookie, secret, time.Time{})
	return seal(secret, "form"), nil
}

func seal(secret, text string) string {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte(text))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

func sameText(a, b string) bool {
	return b != "" && subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1
}

// longestTold is how many characters a page tells of what was just done. Browsers drop cookies beyond 4096 bytes (RFC 6265, 6.1), and
// a character may take four bytes, which base64 makes five and a third.
const longestTold = 600

// tell keeps a sentence for the next page, sealed with the login so that nobody else can put words there.
func (s *Server) tell(c echo.Context, sentence string) {
	token := visitOf(c.Request()).token
	if token == "" {
		return
	}
	text := base64.RawURLEncoding.EncodeToString([]byte(clipped(sentence, longestTold)))
	s.setCookie(c, toldCookie, text+"."+seal(token, "told:"+text), time.Time{})
}

// told takes the sentence that was kept for this page.
func (s *Server) told(c echo.Context) string {
	text, mac, ok := strings.Cut(s.cookie(c, toldCookie), ".")
	if !ok {
		return ""
	}
	s.dropCookie(c, toldCookie)
	token := visitOf(c.Request()).token
	if token == "" || !sameText(mac, seal(token, "told:"+text)) {
		return ""
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return ""
	}
	return string(b)
}
