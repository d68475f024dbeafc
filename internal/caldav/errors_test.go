package caldav

import (
	"encoding/xml"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"kitd/internal/fault"
)

// Every fault there is becomes an answer that calendar programs can act on: a status that fits its kind, well-formed XML, its
// code, and a sentence without open places when its arguments are given.
func TestEveryFaultHasItsForm(t *testing.T) {
	allowed := map[fault.Kind][]int{
		fault.Internal: {500}, fault.Invalid: {400, 403, 405, 415}, fault.NotFound: {404}, fault.Conflict: {403, 409, 412}, fault.Forbidden: {401, 403}, fault.Unavailable: {503},
	}
	for _, code := range fault.Codes() {
		f := fault.New(code, "what", `<b> & "c"`)
		rec := httptest.NewRecorder()
		refuse(rec, f)
		fits := false
		for _, s := range allowed[f.Kind()] {
			fits = fits || s == rec.Code
		}
		if !fits {
			t.Errorf("%s, a fault of the kind %s, has the status %d", code, f.Kind(), rec.Code)
		}
		var body struct {
			XMLName xml.Name `xml:"DAV: error"`
			Text    string   `xml:"DAV: responsedescription"`
			Inner   string   `xml:",innerxml"`
		}
		if err := xml.Unmarshal(rec.Body.Bytes(), &body); err != nil {
			t.Errorf("%s: %v\n%s", code, err, rec.Body)
		}
		if body.Text != f.Sentence() || !strings.Contains(body.Inner, "<K:"+string(code)+"/>") {
			t.Errorf("%s: %s", code, rec.Body)
		}
	}
	rec := httptest.NewRecorder()
	refuse(rec, fault.New(fault.NotSignedIn))
	if rec.Code != http.StatusUnauthorized || rec.Header().Get("WWW-Authenticate") == "" {
		t.Errorf("%d %v", rec.Code, rec.Header())
	}
}

// Any body gives a tree within the limits or an error in one line.
func FuzzXML(f *testing.F) {
	for _, s := range []string{
		`<propfind xmlns="DAV:"><prop><getetag/><a xmlns="b"/></prop></propfind>`, `<!DOCTYPE a><a/>`, `<a>&lt;&#0;</a>`, `<a/><b/>`, `<a b:c="d"/>`,
		`<C:calendar-query xmlns:C="urn:ietf:params:xml:ns:caldav"><C:filter><C:comp-filter name="VCALENDAR"><C:comp-filter name="VEVENT"><C:time-range start="20260302T080000Z"/></C:comp-filter></C:comp-filter></C:filter></C:calendar-query>`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		root, err := parseXML(body)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("%q", err)
			}
			return
		}
		want := wantedOf(root)
		if len(want.names) > maxXMLNodes {
			t.Errorf("%d names", len(want.names))
		}
		// Whatever was asked for, the answer is well-formed.
		var m markup
		m.WriteString(xmlHead + "<D:multistatus" + xmlNames + ">")
		writeResponse(&m, &resource{kind: rootPlace, href: rootPath}, want)
		m.WriteString("</D:multistatus>")
		var any struct{}
		if err := xml.Unmarshal(m.Bytes(), &any); err != nil {
			t.Errorf("%v\n%s", err, m.Bytes())
		}
		if filter := root.child(nsCalDAV, "filter"); filter != nil {
			if _, err := readFilter(filter); err != nil && fault.KindOf(err) != fault.Invalid {
				t.Error(err)
			}
		}
	})
}

// A path that is understood leads back to itself.
func FuzzPath(f *testing.F) {
	for _, s := range []string{"/caldav/", "/caldav/kits/K-1/a.ics", "/caldav/kits/a%2Fb/o+c%20d", "/caldav/kits/../x", "/caldav/%zz", "/caldav/principals/ada/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, escaped string) {
		p, err := parsePath(escaped)
		if err != nil {
			if fault.KindOf(err) != fault.NotFound {
				t.Error(err)
			}
			return
		}
		var href string
		switch p.kind {
		case objectPlace:
			href = objectHref(p.kit, p.name)
		case kitPlace:
			href = kitHref(p.kit)
		case principalPlace:
			href = principalHref(p.name)
		default:
			return
		}
		u, err := url.Parse(href)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := parsePath(u.EscapedPath()); err != nil || again != p {
			t.Errorf("%q: %+v became %+v (%v)", escaped, p, again, err)
		}
	})
}
