package caldav_test

import (
	"net/http"
	"strings"
	"testing"
)

const propfind = `<?xml version="1.0"?><D:propfind xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav" xmlns:S="http://calendarserver.org/ns/" xmlns:A="http://apple.com/ns/ical/"><D:prop>%s</D:prop></D:propfind>`

func props(names ...string) string {
	return strings.Replace(propfind, "%s", "<"+strings.Join(names, "/><")+"/>", 1)
}

// RFC 6764, 5 and 6: from the well-known address to the calendars, as a client walks.
func TestDiscovery(t *testing.T) {
	w := newWorld(t)
	for _, method := range []string{"GET", "PROPFIND"} {
		r := w.call(method, "/.well-known/caldav", "", "As: -").want(http.StatusMovedPermanently)
		same(t, r.header.Get("Location"), "/caldav/")
	}
	m := w.call("PROPFIND", "/caldav/", props("D:current-user-principal", "D:resourcetype"), "Depth: 0").multi()
	principal, status := m.prop("/caldav/", "current-user-principal")
	same(t, principal+status, `<D:href>/caldav/principals/ada/</D:href>HTTP/1.1 200 OK`)

	m = w.call("PROPFIND", "/caldav/principals/ada/", props("C:calendar-home-set", "C:calendar-user-address-set", "D:principal-URL", "D:resourcetype", "D:displayname"), "Depth: 0").multi()
	home, _ := m.prop("/caldav/principals/ada/", "calendar-home-set")
	same(t, home, "<D:href>/caldav/kits/</D:href>")
	mail, _ := m.prop("/caldav/principals/ada/", "calendar-user-address-set")
	same(t, mail, "<D:href>mailto:ada@example.org</D:href><D:href>/caldav/principals/ada/</D:href>")

	m = w.call("PROPFIND", "/caldav/kits/", props("D:resourcetype", "D:displayname", "C:supported-calendar-component-set", "S:getctag", "D:current-user-privilege-set", "D:supported-report-set", "D:sync-token"), "Depth: 1").multi()
	same(t, m.hrefs(), "/caldav/kits/ K-1/ K-2/ Kit%203%2F%C3%A4+/"[len("/caldav/kits/"):])
	for _, href := range []string{"/caldav/kits/K-1/", "/caldav/kits/Kit%203%2F%C3%A4+/"} {
		for prop, want := range map[string]string{"resourcetype": "C:calendar", "supported-calendar-component-set": `name="VEVENT"`, "current-user-privilege-set": "D:write", "supported-report-set": "sync-collection", "displayname": "Case"} {
			if got, status := m.prop(href, prop); !strings.Contains(got, want) || !strings.Contains(status, "200") {
				t.Errorf("%s %s: %q %s", href, prop, got, status)
			}
		}
		ctag, _ := m.prop(href, "getctag")
		token, _ := m.prop(href, "sync-token")
		if ctag == "" || ctag != token {
			t.Errorf("ctag %q, token %q", ctag, token)
		}
	}
	// The home itself is no calendar and has no ctag.
	if _, status := m.prop("/caldav/kits/", "getctag"); !strings.Contains(status, "404") {
		t.Error(status)
	}
}

func TestOptions(t *testing.T) {
	w := newWorld(t)
	for _, path := range []string{"/caldav/", "/caldav/principals/ada/", "/caldav/kits/", "/caldav/kits/K-1/", "/caldav/kits/K-1/a.ics"} {
		r := w.call("OPTIONS", path, "", "As: -").want(http.StatusOK)
		if !strings.Contains(r.header.Get("DAV"), "calendar-access") || strings.Contains(r.header.Get("DAV"), "auto-schedule") {
			t.Errorf("%s: DAV %q", path, r.header.Get("DAV"))
		}
		if !strings.Contains(r.header.Get("Allow"), "PROPFIND") {
			t.Errorf("%s: Allow %q", path, r.header.Get("Allow"))
		}
	}
	if allow := w.call("OPTIONS", "/caldav/kits/K-1/a.ics", "").header.Get("Allow"); !strings.Contains(allow, "PUT") || !strings.Contains(allow, "DELETE") {
		t.Error(allow)
	}
}

func TestLogin(t *testing.T) {
	w := newWorld(t)
	for _, as := range []string{"As: -", "As: nobody"} {
		r := w.call("PROPFIND", "/caldav/", "", "Depth: 0", as).want(http.StatusUnauthorized, "DAV:")
		if !strings.HasPrefix(r.header.Get("WWW-Authenticate"), "Basic realm=") {
			t.Error(r.header)
		}
	}
	// Somebody else's principal is not there.
	w.call("PROPFIND", "/caldav/principals/ben/", "", "Depth: 0").want(http.StatusNotFound)
	w.call("PROPFIND", "/caldav/principals/ada/", "", "Depth: 0").want(http.StatusMultiStatus)
	// A viewer reads, and is told so.
	m := w.call("PROPFIND", "/caldav/kits/K-1/", props("D:current-user-privilege-set"), "Depth: 0", "As: vic").multi()
	if p, _ := m.prop("/caldav/kits/K-1/", "current-user-privilege-set"); strings.Contains(p, "write") || !strings.Contains(p, "D:read") {
		t.Error(p)
	}
	w.call("PUT", "/caldav/kits/K-1/a.ics", ics("a", "x", day(9, 8, 9)...), "As: vic").want(http.StatusForbidden, "need-privileges", "role")
}

// RFC 4918, 9.1: named, allprop, propname, an unknown property, depth.
func TestPropfindForms(t *testing.T) {
	w := newWorld(t)
	w.call("PUT", "/caldav/kits/K-1/a.ics", ics("a", "x", day(9, 8, 9)...)).want(http.StatusCreated)
	m := w.call("PROPFIND", "/caldav/kits/K-1/", props("D:getetag", "D:resourcetype", "A:calendar-color", "D:getcontenttype"), "Depth: 1").multi()
	same(t, m.hrefs(), "K-1/ K-1/a.ics")
	if tag, status := m.prop("/caldav/kits/K-1/a.ics", "getetag"); tag == "" || !strings.Contains(status, "200") {
		t.Error(tag, status)
	}
	if _, status := m.prop("/caldav/kits/K-1/a.ics", "calendar-color"); status != "HTTP/1.1 404 Not Found" {
		t.Error(status)
	}
	if ct, _ := m.prop("/caldav/kits/K-1/a.ics", "getcontenttype"); !strings.HasPrefix(ct, "text/calendar") {
		t.Error(ct)
	}
	// calendar-data is not given by PROPFIND, and allprop leaves CalDAV's own properties out (RFC 4791, 9.6 and 5.2).
	for _, body := range []string{"", `<propfind xmlns="DAV:"><allprop/></propfind>`} {
		r := w.call("PROPFIND", "/caldav/kits/K-1/", body, "Depth: 1")
		r.want(http.StatusMultiStatus, "getetag", "getcontentlength", "!BEGIN:VCALENDAR", "!calendar-timezone", "!404")
	}
	w.call("PROPFIND", "/caldav/kits/K-1/", `<propfind xmlns="DAV:"><allprop/><include><sync-token/></include></propfind>`, "Depth: 0").want(http.StatusMultiStatus, "D:sync-token", "displayname")
	w.call("PROPFIND", "/caldav/kits/K-1/", `<propfind xmlns="DAV:"><propname/></propfind>`, "Depth: 0").want(http.StatusMultiStatus, "<D:sync-token/>", "<C:calendar-timezone/>", "!getetag")
	w.call("PROPFIND", "/caldav/kits/K-1/", "", "Depth: infinity").want(http.StatusForbidden, "propfind-finite-depth")
	w.call("PROPFIND", "/caldav/kits/K-1/", "").want(http.StatusForbidden, "propfind-finite-depth")
	w.call("PROPFIND", "/caldav/kits/K-1/", props("C:calendar-timezone"), "Depth: 0").want(http.StatusMultiStatus, "TZID:Europe/Berlin")
	for _, path := range []string{"/caldav/kits/K-9/", "/caldav/kits/k-1/", "/caldav/kits/K-1/b.ics", "/caldav/x/", "/caldav/kits/K-1/a.ics/b", "/caldav/kits/../", "/caldavx/", "/caldav/kits/K-1/%00", "/caldav/kits/K-1/%ff"} {
		w.call("PROPFIND", path, "", "Depth: 0").want(http.StatusNotFound, "D:error")
	}
}

func TestCollectionsAreKits(t *testing.T) {
	w := newWorld(t)
	mk := `<C:mkcalendar xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav"><D:set><D:prop><D:displayname>x</D:displayname></D:prop></D:set></C:mkcalendar>`
	w.call("MKCALENDAR", "/caldav/kits/new/", mk).want(http.StatusForbidden, "add a kit in kitd")
	w.call("MKCOL", "/caldav/kits/new/", "").want(http.StatusForbidden, "add a kit in kitd")
	w.call("MKCALENDAR", "/caldav/kits/K-1/", mk).want(http.StatusConflict, "already in use")
	w.call("DELETE", "/caldav/kits/K-1/", "").want(http.StatusForbidden, "removing the kit")
	w.call("PUT", "/caldav/kits/K-1/", ics("a", "x", day(9, 8, 9)...)).want(http.StatusMethodNotAllowed)
	w.call("POST", "/caldav/kits/K-1/a.ics", "").want(http.StatusMethodNotAllowed)
	w.call("MOVE", "/caldav/kits/K-1/a.ics", "", "Destination: /caldav/kits/K-1/b.ics").want(http.StatusForbidden)
	patch := `<D:propertyupdate xmlns:D="DAV:" xmlns:A="http://apple.com/ns/ical/"><D:set><D:prop><A:calendar-color>#ff0000</A:calendar-color></D:prop></D:set><D:remove><D:prop><D:displayname/></D:prop></D:remove></D:propertyupdate>`
	m := w.call("PROPPATCH", "/caldav/kits/K-1/", patch).multi()
	for _, name := range []string{"calendar-color", "displayname"} {
		if _, status := m.prop("/caldav/kits/K-1/", name); status != "HTTP/1.1 403 Forbidden" {
			t.Error(name, status)
		}
	}
	w.call("PROPPATCH", "/caldav/kits/K-9/", patch).want(http.StatusNotFound)
}

// A hostile or broken body is refused in a sentence; no entity is ever resolved.
func TestHostileXML(t *testing.T) {
	w := newWorld(t)
	for name, body := range map[string]string{
		"document type": `<!DOCTYPE x [<!ENTITY a "b">]><propfind xmlns="DAV:"><prop>&a;</prop></propfind>`,
		"entity":        `<propfind xmlns="DAV:"><prop>&a;</prop></propfind>`,
		"not closed":    `<propfind xmlns="DAV:"><prop>`,
		"two documents": `<propfind xmlns="DAV:"/><propfind xmlns="DAV:"/>`,
		"deep":          strings.Repeat("<a>", 1000) + strings.Repeat("</a>", 1000),
		"many":          "<a>" + strings.Repeat("<b/>", 30000) + "</a>",
		"text":          "hello",
		"encoding":      `<?xml version="1.0" encoding="iso-8859-1"?><propfind xmlns="DAV:"/>`,
		"another root":  `<multistatus xmlns="DAV:"/>`,
		"not UTF-8":     "<propfind xmlns=\"DAV:\">\xff</propfind>",
	} {
		t.Run(name, func(t *testing.T) {
			w.call("PROPFIND", "/caldav/", body, "Depth: 0").want(http.StatusBadRequest, "xml-unreadable", "responsedescription", "!{")
		})
	}
	w.call("PROPFIND", "/caldav/", strings.Repeat(" ", 600<<10), "Depth: 0").want(http.StatusForbidden, "512 kB")
	w.call("REPORT", "/caldav/kits/K-1/", "").want(http.StatusBadRequest)
	w.call("REPORT", "/caldav/kits/K-1/", `<expand-property xmlns="DAV:"/>`).want(http.StatusForbidden, "supported-report")
	w.call("REPORT", "/caldav/kits/", `<sync-collection xmlns="DAV:"/>`).want(http.StatusForbidden, "supported-report")
	// Names of any namespace come back as they were asked, and escape what they must.
	r := w.call("PROPFIND", "/caldav/", `<propfind xmlns="DAV:"><prop><a xmlns='x"&lt;&amp;>'/><b xmlns=""/></prop></propfind>`, "Depth: 0")
	r.multi()
}

// Whatever goes wrong inside, the listener survives and the client gets an answer.
func TestPanicIsAnswered(t *testing.T) {
	w := newWorld(t)
	w.before = func() { panic("boom") }
	w.call("PUT", "/caldav/kits/K-1/a.ics", ics("a", "x", day(9, 8, 9)...)).want(http.StatusInternalServerError, "nothing was stored", "!boom")
	w.call("PUT", "/caldav/kits/K-1/a.ics", ics("a", "x", day(9, 8, 9)...)).want(http.StatusCreated)
}
