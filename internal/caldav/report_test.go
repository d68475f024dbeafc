package caldav_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"kitd/internal/schedule"
)

// query makes a calendar-query of VEVENT with inner filter markup and inner calendar-data markup.
func query(inner, data string) string {
	return `<C:calendar-query xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav"><D:prop><D:getetag/><C:calendar-data>` + data + `</C:calendar-data></D:prop>
		<C:filter><C:comp-filter name="VCALENDAR"><C:comp-filter name="VEVENT">` + inner + `</C:comp-filter></C:comp-filter></C:filter></C:calendar-query>`
}

func timeRange(from, to string) string {
	attr := ""
	if from != "" {
		attr += ` start="` + from + `"`
	}
	if to != "" {
		attr += ` end="` + to + `"`
	}
	return "<C:time-range" + attr + "/>"
}

func (w *world) fill() {
	w.t.Helper()
	put := func(name, body string) { w.call("PUT", "/caldav/kits/K-1/"+name, body).want(http.StatusCreated) }
	put("one", ics("one", "Foundry", day(9, 8, 16)...))
	put("two", ics("two", "Sawmill", append(day(11, 8, 10), "LOCATION:Bergstadt", `ATTENDEE;PARTSTAT=ACCEPTED;CN=Ada:mailto:ada@example.org`, "BEGIN:VALARM", "ACTION:DISPLAY", "TRIGGER:-PT15M", "DESCRIPTION:x", "END:VALARM")...))
	put("series", ics("series", "Weekly", append(day(13, 8, 10), "RRULE:FREQ=WEEKLY;COUNT=4", "EXDATE:20260327T080000Z")...)) // 13, 20, (27), 3 April
	put("allday", ics("allday", "All day", "DTSTART;VALUE=DATE:20260317"))                                                    // 16 March 23:00Z to 17 March 23:00Z
}

// RFC 4791, 9.9: half-open, open-ended, instances of a series, days in the depot's zone.
func TestTimeRange(t *testing.T) {
	w := newWorld(t)
	w.fill()
	for _, c := range []struct{ from, to, want string }{
		{"20260309T000000Z", "20260310T000000Z", "one"},
		{"20260309T160000Z", "20260311T080000Z", ""},    // begins as one ends, ends as two begins
		{"20260309T155959Z", "20260309T160000Z", "one"}, // the last second
		{"20260308T000000Z", "20260309T080001Z", "one"},
		{"20260309T100000Z", "20260309T110000Z", "one"}, // within
		{"20260311T000000Z", "", "two series allday"},
		{"", "20260312T000000Z", "one two"},
		{"20260320T090000Z", "20260320T093000Z", "series"},
		{"20260327T000000Z", "20260328T000000Z", ""}, // excluded
		{"20260403T000000Z", "20260404T000000Z", "series"},
		{"20260410T000000Z", "20260411T000000Z", ""},
		{"20260316T220000Z", "20260316T230000Z", ""},
		{"20260316T225959Z", "20260316T230001Z", "allday"},
		{"20260317T230000Z", "20260318T000000Z", ""},
		{"20260301T000000Z", "20260501T000000Z", "one two series allday"},
	} {
		m := w.call("REPORT", "/caldav/kits/K-1/", query(timeRange(c.from, c.to), ""), "Depth: 1").multi()
		same(t, c.from+"–"+c.to+" "+m.inOrder(), c.from+"–"+c.to+" "+c.want)
	}
	for _, bad := range []string{timeRange("", ""), timeRange("20260310T000000Z", "20260309T000000Z"), timeRange("20260310", ""), timeRange("20260310T000000", "")} {
		w.call("REPORT", "/caldav/kits/K-1/", query(bad, "")).want(http.StatusForbidden, "supported-filter", "time range")
	}
}

func (m multistatus) inOrder() string {
	var out []string
	for _, r := range m.Responses {
		out = append(out, strings.TrimPrefix(r.Href, "/caldav/kits/K-1/"))
	}
	return strings.Join(out, " ")
}

// RFC 4791, 9.7: components and properties.
func TestFilters(t *testing.T) {
	w := newWorld(t)
	w.fill()
	match := func(prop, attr, text string) string {
		return `<C:prop-filter name="` + prop + `"><C:text-match` + attr + `>` + text + `</C:text-match></C:prop-filter>`
	}
	for _, c := range []struct{ inner, want string }{
		{"", "one two series allday"},
		{match("SUMMARY", "", "sawm"), "two"},
		{match("UID", ` collation="i;octet"`, "two"), "two"},
		{match("SUMMARY", ` collation="i;octet"`, "sawm"), ""},
		{match("SUMMARY", ` negate-condition="yes"`, "sawm"), "one series allday"},
		{`<C:prop-filter name="LOCATION"/>`, "two"},
		{`<C:prop-filter name="LOCATION"><C:is-not-defined/></C:prop-filter>`, "one series allday"},
		{`<C:prop-filter name="ATTENDEE"><C:text-match>ada@example.org</C:text-match><C:param-filter name="PARTSTAT"><C:text-match>accepted</C:text-match></C:param-filter></C:prop-filter>`, "two"},
		{`<C:prop-filter name="ATTENDEE"><C:param-filter name="PARTSTAT"><C:text-match>declined</C:text-match></C:param-filter></C:prop-filter>`, ""},
		{`<C:prop-filter name="ATTENDEE"><C:param-filter name="ROLE"><C:is-not-defined/></C:param-filter></C:prop-filter>`, "two"},
		{`<C:comp-filter name="VALARM"/>`, "two"},
		{`<C:comp-filter name="VALARM"><C:is-not-defined/></C:comp-filter>`, "one series allday"},
		{timeRange("20260310T000000Z", "20260401T000000Z") + match("SUMMARY", "", "e"), "series"},
	} {
		m := w.call("REPORT", "/caldav/kits/K-1/", query(c.inner, "")).multi()
		same(t, c.inner+" "+m.inOrder(), c.inner+" "+c.want)
	}
	top := func(inner string) string {
		return strings.Replace(query("", ""), `<C:comp-filter name="VEVENT"></C:comp-filter>`, inner, 1)
	}
	for inner, want := range map[string]string{
		"":                              "one two series allday",
		`<C:comp-filter name="VTODO"/>`: "",
		`<C:comp-filter name="VTODO"><C:is-not-defined/></C:comp-filter>`:  "one two series allday",
		`<C:comp-filter name="VEVENT"><C:is-not-defined/></C:comp-filter>`: "",
		`<C:comp-filter name="VTIMEZONE"/>`:                                "",
	} {
		same(t, inner+" "+w.call("REPORT", "/caldav/kits/K-1/", top(inner)).multi().inOrder(), inner+" "+want)
	}
	for _, bad := range []string{match("SUMMARY", ` collation="i;unicode-casemap"`, "x"), `<C:comp-filter name="VALARM"><C:time-range start="20260310T000000Z"/></C:comp-filter>`,
		`<C:prop-filter name="DTSTART"><C:time-range start="20260310T000000Z"/></C:prop-filter>`, `<C:unheard/>`} {
		w.call("REPORT", "/caldav/kits/K-1/", query(bad, "")).want(http.StatusForbidden, "supported-filter")
	}
	w.call("REPORT", "/caldav/kits/K-1/", `<C:calendar-query xmlns:C="urn:ietf:params:xml:ns:caldav"><C:filter/></C:calendar-query>`).want(http.StatusForbidden, "supported-filter")
}

// RFC 4791, 9.6.5: the instances of a span, in UTC, without the rule.
func TestExpand(t *testing.T) {
	w := newWorld(t)
	w.fill()
	data := `<C:expand start="20260314T000000Z" end="20260328T000000Z"/>`
	r := w.call("REPORT", "/caldav/kits/K-1/", query(timeRange("20260314T000000Z", "20260328T000000Z"), data))
	same(t, r.multi().inOrder(), "series allday")
	r.want(http.StatusMultiStatus, "DTSTART:20260320T080000Z", "RECURRENCE-ID:20260320T080000Z", "!RRULE", "!20260313T", "!20260403T")
	w.call("REPORT", "/caldav/kits/K-1/", query("", `<C:expand start="20260314T000000Z"/>`)).want(http.StatusForbidden, "expand")
}

func TestMultiget(t *testing.T) {
	w := newWorld(t)
	w.fill()
	body := `<C:calendar-multiget xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav"><D:prop><D:getetag/><C:calendar-data/></D:prop>
		<D:href>/caldav/kits/K-1/one</D:href><D:href> ` + w.server.URL + `/caldav/kits/K-1/two </D:href><D:href>/caldav/kits/K-1/none</D:href>
		<D:href>/caldav/kits/K-2/one</D:href><D:href>/elsewhere</D:href><D:href>%zz</D:href></C:calendar-multiget>`
	r := w.call("REPORT", "/caldav/kits/K-1/", body)
	m := r.multi()
	same(t, m.hrefs(), "-%zz -/elsewhere -K-1/none -K-2/one K-1/one K-1/two")
	for _, name := range []string{"one", "two"} {
		tag, _ := m.prop("/caldav/kits/K-1/"+name, "getetag")
		same(t, tag, w.call("HEAD", "/caldav/kits/K-1/"+name, "").header.Get("ETag"))
		data, _ := m.prop("/caldav/kits/K-1/"+name, "calendar-data")
		same(t, data, strings.TrimSpace(w.call("GET", "/caldav/kits/K-1/"+name, "").body))
	}
}

func syncBody(token string, limit int) string {
	more := ""
	if limit > 0 {
		more = fmt.Sprintf("<D:limit><D:nresults>%d</D:nresults></D:limit>", limit)
	}
	return `<D:sync-collection xmlns:D="DAV:"><D:sync-token>` + token + `</D:sync-token><D:sync-level>1</D:sync-level>` + more + `<D:prop><D:getetag/></D:prop></D:sync-collection>`
}

// RFC 6578: what changed, by whatever door, and nothing else; tombstones; truncation; tokens that do not fit.
func TestSync(t *testing.T) {
	w := newWorld(t)
	w.fill()
	sync := func(token string, limit int, as string) multistatus {
		return w.call("REPORT", "/caldav/kits/K-1/", syncBody(token, limit), "As: "+as).multi()
	}
	m := sync("", 0, "ada")
	same(t, m.hrefs(), "K-1/allday K-1/one K-1/series K-1/two")
	token := m.Token
	m = sync(token, 0, "ada")
	same(t, m.hrefs()+m.Token, token)

	w.call("DELETE", "/caldav/kits/K-1/one", "").want(http.StatusNoContent)
	w.byWeb("two", func(b *schedule.Booking) { b.Title, b.Calendar.Raw = "by web", nil })
	w.call("PUT", "/caldav/kits/K-1/new", ics("new", "n", day(21, 8, 9)...)).want(http.StatusCreated)
	w.call("PUT", "/caldav/kits/K-1/brief", ics("brief", "n", day(23, 8, 9)...)).want(http.StatusCreated)
	w.call("DELETE", "/caldav/kits/K-1/brief", "").want(http.StatusNoContent)
	m = sync(token, 0, "ada")
	same(t, m.hrefs(), "-K-1/brief -K-1/one K-1/new K-1/two")
	same(t, m.Token, w.ctag())
	same(t, sync("", 0, "ada").hrefs(), "K-1/allday K-1/new K-1/series K-1/two") // a newcomer hears of no tombstones

	// Cut off and continued, nothing is lost and nothing told twice.
	var all []string
	at := token
	for range 10 {
		m = sync(at, 1, "ada")
		cut := strings.Contains(m.hrefs(), "…")
		all = append(all, strings.TrimSuffix(m.hrefs(), " …K-1/"))
		if at = m.Token; !cut {
			break
		}
	}
	same(t, strings.Join(all, " "), "-K-1/one K-1/two K-1/new -K-1/brief")
	same(t, at, w.ctag())

	for _, bad := range []string{"x", "data:,kitd-1-ffff", token + "0", strings.Replace(token, "kitd-4", "kitd-400", 1), "http://example.org/sync/1"} {
		w.call("REPORT", "/caldav/kits/K-1/", syncBody(bad, 0)).want(http.StatusForbidden, "valid-sync-token")
	}
	w.call("REPORT", "/caldav/kits/K-2/", syncBody(token, 0)).want(http.StatusForbidden, "valid-sync-token")
	w.call("REPORT", "/caldav/kits/K-1/", strings.Replace(syncBody(token, 0), ">1<", ">7<", 1)).want(http.StatusBadRequest, "sync-level")
	w.call("REPORT", "/caldav/kits/K-1/", strings.Replace(syncBody(token, 1), ">1</D:nresults", ">x</D:nresults", 1)).want(http.StatusBadRequest, "nresults")
}

// A wall that goes up takes the object away from those outside; a wall that comes down for an account starts it anew.
func TestSyncAcrossWalls(t *testing.T) {
	w := newWorld(t)
	w.fill()
	sync := func(token, as string) *reply {
		return w.call("REPORT", "/caldav/kits/K-1/", syncBody(token, 0), "As: "+as)
	}
	ben, cora := sync("", "ben").multi().Token, sync("", "cora").multi().Token
	client := w.newID()
	w.byWeb("two", func(b *schedule.Booking) { b.Client = client })
	same(t, sync(ben, "ben").multi().hrefs(), "-K-1/two")
	same(t, sync(cora, "cora").multi().hrefs(), "K-1/two")
	ben = sync(ben, "ben").multi().Token
	w.byWeb("two", func(b *schedule.Booking) { b.Title = "inside" })
	same(t, sync(ben, "ben").multi().hrefs(), "")

	a := w.accounts["ben"]
	a.Clients = append(a.Clients, client)
	w.accounts["ben"] = a
	sync(ben, "ben").want(http.StatusForbidden, "valid-sync-token")
	same(t, sync("", "ben").multi().hrefs(), "K-1/allday K-1/one K-1/series K-1/two")
	sync(cora, "ben").want(http.StatusForbidden, "valid-sync-token")
}

// RFC 4791, 7.10: when the kit is taken, lead and lag included, whosever it is.
func TestFreeBusy(t *testing.T) {
	w := newWorld(t)
	w.fill()
	w.byWeb("one", func(b *schedule.Booking) { b.Client = w.newID() })
	ask := func(inner string) *reply {
		return w.call("REPORT", "/caldav/kits/K-1/", `<C:free-busy-query xmlns:C="urn:ietf:params:xml:ns:caldav">`+inner+`</C:free-busy-query>`)
	}
	ask(timeRange("20260309T060000Z", "20260312T000000Z")).want(http.StatusOK, "BEGIN:VFREEBUSY",
		"FREEBUSY;FBTYPE=BUSY:20260309T060000Z/20260309T180000Z", "FREEBUSY;FBTYPE=BUSY:20260311T040000Z/20260311T120000Z", "!Foundry", "!UID:one", "!20260313")
	ask("").want(http.StatusForbidden, "time-range")
	ask(timeRange("20260309T060000Z", "")).want(http.StatusForbidden, "time range")
}

// What one request can make the server write is bounded: an object is answered once, however its address is spelt, and only so
// many properties are answered for each.
func TestRequestsAreNotMultiplied(t *testing.T) {
	w := newWorld(t)
	w.fill()
	var hrefs strings.Builder
	for range 100 {
		hrefs.WriteString("<D:href>/caldav/kits/K-1/one</D:href><D:href>/caldav/kits/K-1/%6fne</D:href><D:href>http://kitd.test/caldav/kits/K-1/on%65</D:href><D:href>/caldav/kits/K-1/none</D:href>")
	}
	m := w.call("REPORT", "/caldav/kits/K-1/", `<C:calendar-multiget xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav"><D:prop><C:calendar-data/></D:prop>`+hrefs.String()+`</C:calendar-multiget>`).multi()
	same(t, m.inOrder(), "one none")

	props := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "<X:p%d/>", i)
		}
		return `<D:prop xmlns:D="DAV:" xmlns:X="urn:x">` + b.String() + `</D:prop>`
	}
	ask := func(n int) string { return `<D:propfind xmlns:D="DAV:">` + props(n) + `</D:propfind>` }
	w.call("PROPFIND", "/caldav/kits/K-1/", ask(200), "Depth: 1").want(http.StatusMultiStatus)
	w.call("PROPFIND", "/caldav/kits/K-1/", ask(201), "Depth: 1").want(http.StatusBadRequest, "more than 200 properties")
	for _, report := range []string{"calendar-query", "calendar-multiget"} {
		w.call("REPORT", "/caldav/kits/K-1/", `<C:`+report+` xmlns:C="urn:ietf:params:xml:ns:caldav">`+props(201)+`</C:`+report+`>`).want(http.StatusBadRequest, "more than 200 properties")
	}
	w.call("REPORT", "/caldav/kits/K-1/", `<D:sync-collection xmlns:D="DAV:"><D:sync-token/><D:sync-level>1</D:sync-level>`+props(201)+`</D:sync-collection>`).want(http.StatusBadRequest, "more than 200 properties")
}
