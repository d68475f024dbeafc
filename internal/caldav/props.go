package caldav

import (
	"encoding/xml"
	"net/http"
	"strconv"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/ical"
	"kitd/internal/schedule"
)

// resource is what properties are asked of.
type resource struct {
	kind    placeKind
	href    string
	who     access.Actor
	mail    string             // of the principal
	kit     *agenda.Collection // of kits and objects
	entry   *agenda.Entry      // of objects
	booking *schedule.Booking  // of objects, where content was asked for
}

// property answers what a resource's property holds, as markup; ok is false where the resource has no such property.
type property struct {
	get  func(*resource) (inner string, ok bool)
	wide bool // part of allprop; RFC 4791, 5.2, and RFC 6578, 4, keep theirs out of it
}

func dav(local string) xml.Name    { return xml.Name{Space: nsDAV, Local: local} }
func cal(local string) xml.Name    { return xml.Name{Space: nsCalDAV, Local: local} }
func server(local string) xml.Name { return xml.Name{Space: nsServer, Local: local} }

// properties lists every live property. order keeps answers the same from call to call.
var (
	order      []xml.Name
	properties = map[xml.Name]property{}
)

func init() {
	add := func(name xml.Name, wide bool, get func(*resource) (string, bool)) {
		order = append(order, name)
		properties[name] = property{get, wide}
	}
	add(dav("resourcetype"), true, resourceType)
	add(dav("displayname"), true, displayName)
	add(dav("creationdate"), true, ofEntry(func(e *agenda.Entry) string { return e.Entered.Format(time.RFC3339) }))
	add(dav("getlastmodified"), true, ofEntry(func(e *agenda.Entry) string { return e.Changed.Format(http.TimeFormat) }))
	add(dav("getetag"), true, ofEntry(func(e *agenda.Entry) string { return escaped(quoted(e)) }))
	add(dav("getcontenttype"), true, ofEntry(func(*agenda.Entry) string { return contentType }))
	add(dav("getcontentlength"), true, contentLength)
	add(dav("supportedlock"), true, func(*resource) (string, bool) { return "", true })
	add(dav("current-user-principal"), false, func(r *resource) (string, bool) { return hrefElement(principalHref(r.who.Name)), true })
	add(dav("principal-collection-set"), false, func(*resource) (string, bool) { return hrefElement(principalPath), true })
	add(dav("principal-URL"), false, ofKind(principalPlace, func(r *resource) string { return hrefElement(r.href) }))
	add(dav("current-user-privilege-set"), false, privileges)
	add(dav("supported-report-set"), false, reports)
	add(dav("sync-token"), false, ofKind(kitPlace, func(r *resource) string { return escaped(r.kit.Token) }))
	add(server("getctag"), false, ofKind(kitPlace, func(r *resource) string { return escaped(r.kit.Token) }))
	add(cal("calendar-home-set"), false, ofKind(principalPlace, func(*resource) string { return hrefElement(homePath) }))
	add(cal("calendar-user-address-set"), false, ofKind(principalPlace, addresses))
	add(cal("calendar-user-type"), false, ofKind(principalPlace, func(*resource) string { return "INDIVIDUAL" }))
	add(cal("calendar-description"), false, ofKind(kitPlace, func(r *resource) string {
		return escaped("Bookings of kit " + r.kit.Code + ", depot " + r.kit.Depot + ". An event put here asks for the kit.")
	}))
	add(cal("calendar-timezone"), false, ofKind(kitPlace, func(r *resource) string {
		return escaped(string(ical.Encode(ical.Calendar{Zone: r.kit.Location, Reach: zoneReach})))
	}))
	add(cal("supported-calendar-component-set"), false, ofKind(kitPlace, func(*resource) string { return `<C:comp name="VEVENT"/>` }))
	add(cal("supported-calendar-data"), false, ofKind(kitPlace, func(*resource) string { return `<C:calendar-data content-type="text/calendar" version="2.0"/>` }))
	add(cal("supported-collation-set"), false, ofKind(kitPlace, func(*resource) string {
		return "<C:supported-collation>i;ascii-casemap</C:supported-collation><C:supported-collation>i;octet</C:supported-collation>"
	}))
	add(cal("max-resource-size"), false, ofKind(kitPlace, func(*resource) string { return strconv.Itoa(ical.MaxBytes) }))
	add(cal("max-instances"), false, ofKind(kitPlace, func(*resource) string { return strconv.Itoa(ical.MaxOccurrences) }))
	add(cal("min-date-time"), false, ofKind(kitPlace, func(*resource) string { return strconv.Itoa(ical.FirstYear) + "0101T000000Z" }))
	add(cal("max-date-time"), false, ofKind(kitPlace, func(*resource) string { return strconv.Itoa(ical.LastYear) + "1231T235959Z" }))
}

// zoneReach are the years a collection's calendar-timezone speaks of.
var zoneReach = [2]time.Time{time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC)}

func ofEntry(get func(*agenda.Entry) string) func(*resource) (string, bool) {
	return func(r *resource) (string, bool) {
		if r.entry == nil {
			return "", false
		}
		return get(r.entry), true
	}
}

func ofKind(kind placeKind, get func(*resource) string) func(*resource) (string, bool) {
	return func(r *resource) (string, bool) {
		if r.kind != kind {
			return "", false
		}
		return get(r), true
	}
}

func resourceType(r *resource) (string, bool) {
	switch r.kind {
	case objectPlace:
		return "", true
	case kitPlace:
		return "<D:collection/><C:calendar/>", true
	case principalPlace:
		return "<D:collection/><D:principal/>", true
	}
	return "<D:collection/>", true
}

func displayName(r *resource) (string, bool) {
	switch r.kind {
	case kitPlace:
		if r.kit.Name == r.kit.Code || r.kit.Name == "" {
			return escaped("Kit " + r.kit.Code), true
		}
		return escaped(r.kit.Code + " " + r.kit.Name), true
	case principalPlace:
		return escaped(r.who.Name), true
	case homePlace:
		return "Kits", true
	case rootPlace:
		return "kitd", true
	}
	return "", false
}

func contentLength(r *resource) (string, bool) {
	if r.booking == nil {
		return "", false
	}
	return strconv.Itoa(len(content(*r.booking))), true
}

// privileges answers RFC 3744, 5.4: what the account may do, from the role alone; that a booking is somebody else's is said
// when it is touched.
func privileges(r *resource) (string, bool) {
	names := []string{"read", "read-current-user-privilege-set"}
	if r.kind == kitPlace || r.kind == objectPlace {
		if r.who.Books() {
			names = append(names, "write", "write-content", "bind", "unbind")
		}
	}
	var b strings.Builder
	for _, n := range names {
		b.WriteString("<D:privilege><D:" + n + "/></D:privilege>")
	}
	if r.kind == kitPlace {
		b.WriteString("<D:privilege><C:read-free-busy/></D:privilege>")
	}
	return b.String(), true
}

func reports(r *resource) (string, bool) {
	var names []string
	switch r.kind {
	case kitPlace:
		names = []string{"C:calendar-query", "C:calendar-multiget", "C:free-busy-query", "D:sync-collection"}
	case objectPlace:
		names = []string{"C:calendar-query", "C:calendar-multiget"}
	}
	var b strings.Builder
	for _, n := range names {
		b.WriteString("<D:supported-report><D:report><" + n + "/></D:report></D:supported-report>")
	}
	return b.String(), true
}

// addresses lists what a calendar program may know the account by (RFC 6638, 2.4.1).
func addresses(r *resource) string {
	all := hrefElement(r.href)
	if r.mail != "" {
		all = hrefElement("mailto:"+r.mail) + all
	}
	return all
}

func quoted(e *agenda.Entry) string { return `"` + e.Tag() + `"` }
