package web

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
)

func readAs(t *testing.T, kind, doc string, v any) error {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(doc))
	r.Header.Set("Content-Type", kind)
	_, err := readJSON(echo.New().NewContext(r, httptest.NewRecorder()), v)
	return err
}

func TestJSONIsReadStrictly(t *testing.T) {
	for doc, path := range map[string]string{
		`{"title":"a","titel":"b"}`:    "/titel",
		`{"Title":"a"}`:                "/Title",
		`{"title":"a","title":"b"}`:    "/title",
		`{"title":null}`:               "/title",
		`{"title":7}`:                  "/title",
		`{"ask":{"dosimeters":"two"}}`: "/ask/dosimeters",
		`{"ask":{"dosimeters":1.5}}`:   "/ask/dosimeters",
		`{"ask":{"kit":"K-07"}}`:       "/ask/kit",
		`{"visits":[{"from":{},"to":{}},{"from":{"at":"noon"}}]}`: "/visits/1/from/at",
		`{"visits":[{"from":{"zone":null}}]}`:                     "/visits/0/from/zone",
		`{"lead_minutes":1e99}`:                                   "/lead_minutes",
		`{"title":"a"} {"title":"b"}`:                             "/",
		`{"title":"a"`:                                            "/title",
		`[]`:                                                      "/",
		``:                                                        "/",
		`{"title":"` + "\xff" + `"}`:                              "/title",
	} {
		var v apiWish
		err := readAs(t, "application/json; charset=utf-8", doc, &v)
		f := fault.Of(err)
		if err == nil || f.Code != fault.BadInput || len(f.Fields) != 1 {
			t.Errorf("%s: got %v", doc, err)
			continue
		}
		if got := f.Fields[0].Path; got != path && !(path == "/title" && got == "/") {
			t.Errorf("%s: the fault points at %q, want %q", doc, got, path)
		}
	}
	var v apiWish
	if err := readAs(t, "application/json", `{"title":"Quillon","ask":{"dosimeters":2,"calibrator":true}}`, &v); err != nil || *v.Title != "Quillon" || v.Ask.Dosimeters != 2 {
		t.Errorf("got %+v, %v", v, err)
	}
	if err := readAs(t, "text/plain", `{}`, &v); !fault.Is(err, fault.WrongMedia) {
		t.Errorf("got %v for a text", err)
	}
}

// FuzzJSON: whatever is sent, it is read or refused with a place, never with a panic or an internal fault.
func FuzzJSON(f *testing.F) {
	for _, seed := range []string{`{"title":"a"}`, `{"ask":{"kit":""}}`, `{"visits":[{}]}`, `{`, `[[[[`, `{"a":null}`, "\x00", `"` + "\xff", `{"lead_minutes":-1}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, doc []byte) {
		var v apiWish
		err := noNulls(doc)
		if err == nil {
			err = decodeJSON(doc, "", &v)
		}
		if err == nil {
			return
		}
		if e := fault.Of(err); e.Code != fault.BadInput || len(e.Fields) != 1 || !strings.HasPrefix(e.Fields[0].Path, "/") {
			t.Errorf("%q: got %v", doc, err)
		}
	})
}

func TestETags(t *testing.T) {
	for header, ok := range map[string]bool{`"3"`: true, `"2"`: false, `W/"3"`: false, `*`: true, `"1", "3"`: true, `3`: false} {
		r := httptest.NewRequest(http.MethodPatch, "/", nil)
		r.Header.Set("If-Match", header)
		err := ifMatch(echo.New().NewContext(r, httptest.NewRecorder()), "booking", 3)
		if (err == nil) != ok || err != nil && statusOf(fault.Of(err)) != http.StatusPreconditionFailed {
			t.Errorf("If-Match %s: got %v", header, err)
		}
	}
	r := httptest.NewRequest(http.MethodPatch, "/", nil)
	if err := ifMatch(echo.New().NewContext(r, httptest.NewRecorder()), "booking", 3); statusOf(fault.Of(err)) != http.StatusPreconditionRequired {
		t.Errorf("without If-Match: got %v", err)
	}
	for header, same := range map[string]bool{`"3"`: true, `W/"3"`: true, `"2"`: false, "": false, "*": true} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("If-None-Match", header)
		if got := sameETag(echo.New().NewContext(r, httptest.NewRecorder()), 3); got != same {
			t.Errorf("If-None-Match %q: got %v", header, got)
		}
	}
}
