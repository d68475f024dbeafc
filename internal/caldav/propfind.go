package caldav

import (
	"encoding/xml"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
)

// wanted is which properties a request asks for.
type wanted struct {
	names     []xml.Name // in the order asked
	all       bool       // allprop: names are extra ones
	namesOnly bool
	data      *node // C:calendar-data of a report, nil when not asked for
}

func readWanted(body *node) (wanted, error) {
	if body == nil {
		return wanted{all: true}, nil // RFC 4918, 9.1: an empty body means allprop
	}
	if !body.is(nsDAV, "propfind") {
		return wanted{}, fault.New(fault.XMLUnreadable, "what", "DAV:propfind is expected, not "+body.name.Local)
	}
	want := wantedOf(body)
	return want, want.check()
}

// maxProps bounds how many properties one request asks for: each is answered for every object.
const maxProps = 200

// check refuses more properties than are answered, and forms of calendar-data that are not kept.
func (w wanted) check() error {
	if len(w.names) > maxProps {
		return fault.New(fault.XMLUnreadable, "what", "it asks for more than "+strconv.Itoa(maxProps)+" properties")
	}
	return checkData(w.data)
}

// wantedOf reads prop, allprop with include, or propname below a request element.
func wantedOf(body *node) wanted {
	switch {
	case body.child(nsDAV, "propname") != nil:
		return wanted{namesOnly: true}
	case body.child(nsDAV, "allprop") != nil:
		w := wantedNames(body.child(nsDAV, "include"))
		w.all = true
		return w
	}
	return wantedNames(body.child(nsDAV, "prop"))
}

func wantedNames(list *node) (w wanted) {
	if list == nil {
		return w
	}
	for _, c := range list.children {
		if c.is(nsCalDAV, "calendar-data") {
			w.data = c
		} else if len(w.names) <= maxProps && !slices.Contains(w.names, c.name) {
			w.names = append(w.names, c.name)
		}
	}
	return w
}

// content reports whether answering needs the bookings themselves.
func (w wanted) content() bool {
	return w.data != nil || w.all || slices.Contains(w.names, dav("getcontentlength"))
}

func (h *Handler) propfind(w http.ResponseWriter, r *request) error {
	depth := r.Header.Get("Depth")
	if depth != "0" && depth != "1" {
		return fault.New(fault.DepthInfinity) // a missing header means infinity, RFC 4918, 9.1
	}
	body, err := readXML(r.Request)
	if err != nil {
		return err
	}
	want, err := readWanted(body)
	if err != nil {
		return err
	}
	want.data = nil // content comes by reports only, RFC 4791, 9.6
	if r.path.kind == principalPlace || r.path.kind == rootPlace {
		account, err := h.Gate.Account(r.Context(), r.who, r.who.Account)
		if err != nil {
			return err
		}
		r.mail = account.Mail
	}
	var found []resource
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		found, err = h.resources(r, l, depth == "1", want)
		return err
	})
	if err != nil {
		return err
	}
	var m markup
	m.WriteString(xmlHead + "<D:multistatus" + xmlNames + ">")
	for i := range found {
		writeResponse(&m, &found[i], want)
	}
	m.WriteString("</D:multistatus>\n")
	return send(w, http.StatusMultiStatus, &m)
}

// resources gives what the request names and, with deep, what lies directly in it.
func (h *Handler) resources(r *request, l *agenda.Look, deep bool, want wanted) ([]resource, error) {
	switch r.path.kind {
	case rootPlace:
		all := []resource{{kind: rootPlace, href: rootPath, who: r.who}}
		if deep {
			all = append(all, resource{kind: homePlace, href: homePath, who: r.who}, resource{kind: principalPlace, href: principalHref(r.who.Name), who: r.who, mail: r.mail})
		}
		return all, nil
	case principalPlace:
		p, err := h.principal(r)
		return []resource{p}, err
	case homePlace:
		return home(r, l, deep)
	case kitPlace:
		return kitResources(r, l, deep, want)
	}
	c, e, err := object(l, r.path)
	if err != nil {
		return nil, err
	}
	return objects(l, r, &c, []agenda.Entry{e}, want.content())
}

// principal answers for the account itself; others are not there.
func (h *Handler) principal(r *request) (resource, error) {
	mine, err := access.FoldName(r.who.Name)
	asked, err2 := access.FoldName(r.path.name)
	if err != nil || err2 != nil || mine != asked {
		return resource{}, fault.New(fault.NotThere, "noun", "principal")
	}
	return resource{kind: principalPlace, href: principalHref(r.who.Name), who: r.who, mail: r.mail}, nil
}

func home(r *request, l *agenda.Look, deep bool) ([]resource, error) {
	all := []resource{{kind: homePlace, href: homePath, who: r.who}}
	if !deep {
		return all, nil
	}
	kits, err := l.Collections()
	for i := range kits {
		all = append(all, resource{kind: kitPlace, href: kitHref(kits[i].Code), who: r.who, kit: &kits[i]})
	}
	return all, err
}

func kitResources(r *request, l *agenda.Look, deep bool, want wanted) ([]resource, error) {
	c, err := l.Collection(r.path.kit)
	if err != nil {
		return nil, err
	}
	all := []resource{{kind: kitPlace, href: kitHref(c.Code), who: r.who, kit: &c}}
	if !deep {
		return all, nil
	}
	entries, err := l.Entries(c, fleet.Span{})
	if err != nil {
		return nil, err
	}
	inside, err := objects(l, r, &c, entries, want.content())
	return append(all, inside...), err
}

// objects makes resources of entries; with content their bookings are read too, and those that vanished are left out.
func objects(l *agenda.Look, r *request, c *agenda.Collection, entries []agenda.Entry, content bool) ([]resource, error) {
	all := make([]resource, 0, len(entries))
	for i := range entries {
		all = append(all, resource{kind: objectPlace, href: objectHref(c.Code, entries[i].Name), who: r.who, kit: c, entry: &entries[i]})
	}
	if !content {
		return all, nil
	}
	bookings, err := l.Bookings(entries)
	if err != nil {
		return nil, err
	}
	kept := all[:0]
	for _, o := range all {
		if b, ok := bookings[o.entry.Booking]; ok {
			o.booking = &b
			kept = append(kept, o)
		}
	}
	return kept, nil
}

// object finds the object an address names.
func object(l *agenda.Look, p place) (agenda.Collection, agenda.Entry, error) {
	c, err := l.Collection(p.kit)
	if err != nil {
		return c, agenda.Entry{}, err
	}
	e, ok, err := l.Entry(c, p.name)
	if err == nil && !ok {
		err = fault.New(fault.NotThere, "noun", "calendar entry")
	}
	return c, e, err
}

// writeResponse writes one response element: what was found under 200, what is not there under 404.
func writeResponse(m *markup, r *resource, want wanted) {
	m.WriteString("<D:response>" + hrefElement(r.href))
	var missing []xml.Name
	before, written := m.Len(), 0
	m.WriteString("<D:propstat><D:prop>")
	for _, name := range want.list() {
		p := properties[name]
		inner, ok := "", false
		if p.get != nil {
			inner, ok = p.get(r)
		}
		switch {
		case !ok:
			missing = append(missing, name)
			continue
		case want.namesOnly || inner == "":
			m.empty(name)
		default:
			m.WriteString(m.open(name, ""))
			m.WriteString(inner)
			m.close(name)
		}
		written++
	}
	if want.data != nil && r.booking != nil {
		m.element("C:calendar-data", string(dataOf(r, want.data)))
		written++
	}
	m.WriteString("</D:prop>")
	m.element("D:status", statusLine(http.StatusOK))
	m.WriteString("</D:propstat>")
	if len(missing) > 0 && !want.all && !want.namesOnly {
		if written == 0 {
			m.Truncate(before)
		}
		writeMissing(m, missing, http.StatusNotFound)
	}
	m.WriteString("</D:response>")
}

func writeMissing(m *markup, names []xml.Name, status int) {
	m.WriteString("<D:propstat><D:prop>")
	for _, n := range names {
		m.empty(n)
	}
	m.WriteString("</D:prop>")
	m.element("D:status", statusLine(status))
	m.WriteString("</D:propstat>")
}

// list gives the names to answer.
func (w wanted) list() []xml.Name {
	if !w.all && !w.namesOnly {
		return w.names
	}
	var out []xml.Name
	for _, n := range order {
		if w.namesOnly || properties[n].wide || slices.Contains(w.names, n) {
			out = append(out, n)
		}
	}
	return out
}

// proppatch answers that nothing can be set: names and colours of kits belong to kitd. Each property gets its own answer, as
// RFC 4918, 9.2, wants it.
func (h *Handler) proppatch(w http.ResponseWriter, r *request) error {
	body, err := readXML(r.Request)
	if err != nil {
		return err
	}
	if body == nil || !body.is(nsDAV, "propertyupdate") {
		return fault.New(fault.XMLUnreadable, "what", "DAV:propertyupdate is expected")
	}
	var found []resource
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		found, err = h.resources(r, l, false, wanted{})
		return err
	})
	if err != nil {
		return err
	}
	var names []xml.Name
	for _, change := range body.children {
		if list := change.child(nsDAV, "prop"); list != nil {
			for _, p := range list.children {
				names = append(names, p.name)
			}
		}
	}
	var m markup
	m.WriteString(xmlHead + "<D:multistatus" + xmlNames + "><D:response>" + hrefElement(found[0].href))
	writeMissing(&m, names, http.StatusForbidden)
	m.element("D:responsedescription", "The names and colours of kits are set in kitd, not from a calendar program.")
	m.WriteString("</D:response></D:multistatus>\n")
	return send(w, http.StatusMultiStatus, &m)
}

// etags splits If-Match or If-None-Match (RFC 9110, 13.1); weak tags keep their mark, with which they match no write.
func etags(header []string) []string {
	var out []string
	for _, part := range strings.Split(strings.Join(header, ","), ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}
