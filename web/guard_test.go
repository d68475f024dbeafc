package web

import (
	"bytes"
	"context"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
)

// watched tells whether anybody read of it.
type watched struct {
	io.Reader
	read bool
}

func (w *watched) Read(p []byte) (int, error) {
	w.read = true
	return w.Reader.Read(p)
}

// upload is a form with a file of 3 MiB, beyond what is kept in memory.
func upload(t *testing.T, token string) (kind string, body *bytes.Buffer) {
	t.Helper()
	body = &bytes.Buffer{}
	w := multipart.NewWriter(body)
	err := w.WriteField(formField, token)
	part, err2 := w.CreateFormFile("file", "noise.csv")
	if err != nil || err2 != nil {
		t.Fatal(err, err2)
	}
	if _, err := io.Copy(part, strings.NewReader(strings.Repeat("no levels here\n", 3<<20/15))); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return w.FormDataContentType(), body
}

// A file from somebody whom the route is not for is never read, whatever the browser says of itself.
func TestNobodyUploadsWithoutLeave(t *testing.T) {
	s := newSite(t)
	stranger := s.anonymous()
	stranger.get("/login") // has a form cookie, and so a form token
	for name, c := range map[string]struct {
		b    *browser
		want int
	}{"without a login": {stranger, http.StatusUnauthorized}, "a viewer": {s.as(access.Viewer), http.StatusForbidden}} {
		kind, body := upload(t, c.b.token())
		w := &watched{Reader: body}
		c.b.with("Sec-Fetch-Site", "same-origin").do(http.MethodPost, "/returns", kind, w).want(t, c.want)
		if w.read {
			t.Errorf("%s: the file was read", name)
		}
	}
}

// Files that a form brought are gone when it is answered, also when it is refused.
func TestUploadsLeaveNothingBehind(t *testing.T) {
	s := newSite(t)
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	b := s.as(access.Surveyor).with("Sec-Fetch-Site", "same-origin")
	for _, token := range []string{b.token(), "stale"} {
		kind, body := upload(t, token)
		if got := b.do(http.MethodPost, "/returns", kind, body); got.Code < 400 {
			t.Fatalf("got %d", got.Code)
		}
		left, err := os.ReadDir(dir)
		if err != nil || len(left) > 0 {
			t.Errorf("%v left in the folder of temporary files, %v", left, err)
		}
	}
}

// socket notes the deadlines that are set on it.
type socket struct {
	*httptest.ResponseRecorder
	read, write time.Time
}

func (s *socket) SetReadDeadline(t time.Time) error  { s.read = t; return nil }
func (s *socket) SetWriteDeadline(t time.Time) error { s.write = t; return nil }

// A body that dribbles in is not waited for without end, also where nothing takes it.
func TestEveryRequestHasAnEnd(t *testing.T) {
	s := newSite(t)
	for _, path := range []string{"/login", "/no-such-page", "/caldav/", "/feeds/none.ics", "/static/look.css"} {
		w := &socket{ResponseRecorder: httptest.NewRecorder()}
		s.ServeHTTP(w, httptest.NewRequest(http.MethodPost, path, strings.NewReader("x")))
		if w.read.IsZero() || w.write.IsZero() {
			t.Errorf("POST %s: no deadline", path)
		}
	}
}

// What was done is told also when it is long: browsers drop a cookie beyond 4096 bytes.
func TestLongSentencesAreStillTold(t *testing.T) {
	s := newSite(t)
	token := s.as(access.Surveyor).cookies[sessionCookie]
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r = r.WithContext(context.WithValue(r.Context(), visitKey{}, &visit{token: token}))
	w := httptest.NewRecorder()
	s.tell(s.echo.NewContext(r, w), "B-7 is promised: "+strings.Repeat("𝔻-0001, ", 500))
	line := w.Header().Get("Set-Cookie")
	if len(line) > 4096 {
		t.Errorf("the cookie has %d bytes", len(line))
	}
	r.AddCookie(w.Result().Cookies()[0])
	if told := s.told(s.echo.NewContext(r, httptest.NewRecorder())); !strings.HasPrefix(told, "B-7 is promised: 𝔻-0001") || !strings.HasSuffix(told, "…") {
		t.Errorf("the next page is told %q", told)
	}
}
