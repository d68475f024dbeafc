package caldav

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ical"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// report answers the REPORT method (RFC 3253, 3.6).
func (h *Handler) report(w http.ResponseWriter, r *request) error {
	body, err := readXML(r.Request)
	if err != nil {
		return err
	}
	if body == nil {
		return fault.New(fault.XMLUnreadable, "what", "a report is expected")
	}
	inKit := r.path.kind == kitPlace
	switch {
	case body.is(nsCalDAV, "calendar-query") && (inKit || r.path.kind == objectPlace):
		return h.query(w, r, body)
	case body.is(nsCalDAV, "calendar-multiget") && (inKit || r.path.kind == objectPlace):
		return h.multiget(w, r, body)
	case body.is(nsCalDAV, "free-busy-query") && inKit:
		return h.freeBusy(w, r, body)
	case body.is(nsDAV, "sync-collection") && inKit:
		return h.sync(w, r, body)
	}
	return fault.New(fault.ReportUnknown, "report", body.name.Local)
}

// query answers calendar-query (RFC 4791, 7.8).
func (h *Handler) query(w http.ResponseWriter, r *request, body *node) error {
	f, err := readFilter(body.child(nsCalDAV, "filter"))
	if err != nil {
		return err
	}
	want := wantedOf(body)
	if err := want.check(); err != nil {
		return err
	}
	var found []resource
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		found, err = candidates(l, r, f)
		return err
	})
	if err != nil {
		return err
	}
	found = slices.DeleteFunc(found, func(o resource) bool { return !f.matches(&o) })
	var m markup
	m.WriteString(xmlHead + "<D:multistatus" + xmlNames + ">")
	for i := range found {
		writeResponse(&m, &found[i], want)
	}
	m.WriteString("</D:multistatus>\n")
	return send(w, http.StatusMultiStatus, &m)
}

// candidates reads the objects that the filter may match, with content.
func candidates(l *agenda.Look, r *request, f *filter) ([]resource, error) {
	if r.path.kind == objectPlace {
		c, e, err := object(l, r.path)
		if err != nil {
			return nil, err
		}
		return objects(l, r, &c, []agenda.Entry{e}, true)
	}
	c, err := l.Collection(r.path.kit)
	if err != nil {
		return nil, err
	}
	entries, err := l.Entries(c, f.span())
	if err != nil {
		return nil, err
	}
	return objects(l, r, &c, entries, true)
}

// maxHrefs bounds one multiget.
const maxHrefs = 5000

// multiget answers calendar-multiget (RFC 4791, 7.9): each href gets a response, those that lead nowhere a 404.
func (h *Handler) multiget(w http.ResponseWriter, r *request, body *node) error {
	want := wantedOf(body)
	if err := want.check(); err != nil {
		return err
	}
	hrefs, err := hrefsOf(body)
	if err != nil {
		return err
	}
	at, names := namesIn(r.path.kit, hrefs)
	byName := map[string]resource{}
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		c, err := l.Collection(r.path.kit)
		if err != nil {
			return err
		}
		entries, err := l.Named(c, names)
		if err != nil {
			return err
		}
		found, err := objects(l, r, &c, entries, true)
		for _, o := range found {
			byName[o.entry.Name] = o
		}
		return err
	})
	if err != nil {
		return err
	}
	var m markup
	m.WriteString(xmlHead + "<D:multistatus" + xmlNames + ">")
	for i, href := range hrefs {
		o, ok := byName[at[i]]
		switch {
		case !ok:
			writeGone(&m, href)
		case o.booking != nil: // an object has one answer, however often it is asked for
			writeResponse(&m, &o, want)
			byName[at[i]] = resource{}
		}
	}
	m.WriteString("</D:multistatus>\n")
	return send(w, http.StatusMultiStatus, &m)
}

// hrefsOf lists the addresses a multiget asks for, each once.
func hrefsOf(body *node) ([]string, error) {
	var hrefs []string
	known := map[string]bool{}
	for _, n := range body.children {
		if href := n.trimmed(); n.is(nsDAV, "href") && !known[href] {
			known[href] = true
			hrefs = append(hrefs, href)
		}
	}
	if len(hrefs) > maxHrefs {
		return nil, fault.New(fault.TooLarge, "noun", "list of addresses", "limit", strconv.Itoa(maxHrefs))
	}
	return hrefs, nil
}

// namesIn gives for each address the name of its object in the kit's collection, empty for others, and the names alone.
func namesIn(kit string, hrefs []string) (at, names []string) {
	at = make([]string, len(hrefs))
	for i, href := range hrefs {
		if p, err := placeOfHref(href); err == nil && p.kind == objectPlace && p.kit == kit {
			at[i] = p.name
			names = append(names, p.name)
		}
	}
	return at, names
}

func writeGone(m *markup, href string) {
	m.WriteString("<D:response>" + hrefElement(href))
	m.element("D:status", statusLine(http.StatusNotFound))
	m.WriteString("</D:response>")
}

// maxChanges is how many members one sync-collection answer lists at most.
const maxChanges = 20000

// sync answers sync-collection (RFC 6578, 3.2 to 3.6).
func (h *Handler) sync(w http.ResponseWriter, r *request, body *node) error {
	want := wantedOf(body)
	if err := want.check(); err != nil {
		return err
	}
	level := ""
	if n := body.child(nsDAV, "sync-level"); n != nil {
		level = n.trimmed()
	}
	if level != "1" && level != "infinite" {
		return fault.New(fault.XMLUnreadable, "what", "DAV:sync-level 1 or infinite is expected")
	}
	limit, err := readLimit(body)
	if err != nil {
		return err
	}
	token := ""
	if n := body.child(nsDAV, "sync-token"); n != nil {
		token = n.trimmed()
	}
	var kit agenda.Collection
	var delta agenda.Delta
	var changed []resource
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		if kit, err = l.Collection(r.path.kit); err != nil {
			return err
		}
		if delta, err = l.Changes(kit, token, limit); err != nil {
			return err
		}
		changed, err = objects(l, r, &kit, delta.Changed, want.content())
		return err
	})
	if err != nil {
		return err
	}
	var m markup
	m.WriteString(xmlHead + "<D:multistatus" + xmlNames + ">")
	for i := range changed {
		writeResponse(&m, &changed[i], want)
	}
	for _, name := range delta.Gone {
		writeGone(&m, objectHref(kit.Code, name))
	}
	if delta.More { // RFC 6578, 3.6
		m.WriteString("<D:response>" + hrefElement(kitHref(kit.Code)))
		m.element("D:status", "HTTP/1.1 507 Insufficient Storage")
		m.WriteString("<D:error><D:number-of-matches-within-limits/></D:error></D:response>")
	}
	m.element("D:sync-token", delta.Token)
	m.WriteString("</D:multistatus>\n")
	return send(w, http.StatusMultiStatus, &m)
}

func readLimit(body *node) (int, error) {
	n := body.child(nsDAV, "limit").child(nsDAV, "nresults")
	if n == nil {
		return maxChanges, nil
	}
	limit, err := strconv.Atoi(n.trimmed())
	if err != nil || limit < 1 {
		return 0, fault.New(fault.XMLUnreadable, "what", "DAV:nresults is a number above zero")
	}
	return min(limit, maxChanges), nil
}

// checkData refuses forms of calendar-data that are not kept.
func checkData(data *node) error {
	if data == nil {
		return nil
	}
	if t := data.attribute("content-type"); t != "" && t != "text/calendar" {
		return fault.New(fault.WrongMedia, "type", t, "wanted", "text/calendar")
	}
	if x := data.child(nsCalDAV, "expand"); x != nil {
		span, err := readRange(x)
		if err == nil && (span.From.IsZero() || span.To.IsZero()) {
			err = fault.New(fault.FilterUnknown, "what", "C:expand needs both a start and an end")
		}
		return err
	}
	return nil
}

// dataOf gives the object as asked: as it is, or with the instances of a span written out in UTC (RFC 4791, 9.6.5). Asked for
// some properties only, it gives all of them.
func dataOf(r *resource, data *node) []byte {
	raw := content(*r.booking)
	x := data.child(nsCalDAV, "expand")
	if x == nil {
		return raw
	}
	span, err := readRange(x)
	if err != nil {
		return raw
	}
	event, err := ical.Parse(raw, ical.Options{Zone: r.kit.Location})
	if err != nil {
		return raw
	}
	return ical.Encode(ical.Calendar{Events: expanded(event, span, r)})
}

func expanded(event *ical.Event, span fleet.Span, r *resource) []ical.Entry {
	var out []ical.Entry
	for _, o := range event.Occurrences {
		if !within(o.Start, o.End, span) {
			continue
		}
		e := ical.Entry{
			UID: event.UID, Stamp: r.entry.Changed, Sequence: event.Sequence, Start: o.Start, End: o.End, RecurrenceID: o.RecurrenceID,
			Summary: o.Summary, Description: event.Description, Location: event.Location, Status: event.Status,
		}
		if !event.Stamp.IsZero() {
			e.Stamp = event.Stamp
		}
		out = append(out, e)
	}
	return out
}

// freeBusy answers free-busy-query (RFC 4791, 7.10): when any unit of the kit is promised, lead and lag included, across walls
// and without saying for whom.
func (h *Handler) freeBusy(w http.ResponseWriter, r *request, body *node) error {
	t := body.child(nsCalDAV, "time-range")
	if t == nil {
		return fault.New(fault.FilterUnknown, "what", "a free-busy-query needs a C:time-range")
	}
	span, err := readRange(t)
	if err != nil {
		return err
	}
	if span.From.IsZero() || span.To.IsZero() || span.To.Sub(span.From) > 2*366*24*time.Hour {
		return fault.New(fault.FilterUnknown, "what", "the time range needs a start and an end at most two years apart")
	}
	var units []ident.ID
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		kit, err := l.Collection(r.path.kit)
		if err == nil {
			units, err = l.Units(kit, span.From)
		}
		return err
	})
	if err != nil {
		return err
	}
	blocks, err := h.Desk.Busy(r.Context(), r.who, units, span)
	if err != nil {
		return err
	}
	busy := ical.FreeBusy{UID: "busy-" + r.path.kit + "@kitd", Stamp: h.Now().UTC(), Start: span.From, End: span.To, Periods: merged(blocks, span)}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	w.WriteHeader(http.StatusOK)
	_, _ = w.Write(ical.Encode(ical.Calendar{Busy: []ical.FreeBusy{busy}})) // a client that went away needs no answer
	return nil
}

// merged joins overlapping and touching blocks, cut to the span.
func merged(blocks []schedule.Block, span fleet.Span) []ical.Period {
	slices.SortFunc(blocks, func(a, b schedule.Block) int { return a.Span.From.Compare(b.Span.From) })
	var out []ical.Period
	for _, b := range blocks {
		from, to := b.Span.From, b.Span.To
		if from.Before(span.From) {
			from = span.From
		}
		if to.After(span.To) {
			to = span.To
		}
		switch n := len(out); {
		case n > 0 && !from.After(out[n-1].End):
			if to.After(out[n-1].End) {
				out[n-1].End = to
			}
		case from.Before(to):
			out = append(out, ical.Period{Start: from, End: to})
		}
	}
	return out
}

// within is the test of RFC 4791, 9.9, for events: half-open spans that share time, and an event without length at a moment
// of the span.
func within(start, end time.Time, span fleet.Span) bool {
	if !span.To.IsZero() && !start.Before(span.To) {
		return false
	}
	if span.From.IsZero() {
		return true
	}
	if start.Equal(end) {
		return !start.Before(span.From)
	}
	return end.After(span.From)
}

// readRange reads the start and end of a time-range or expand; a missing one stays zero.
func readRange(n *node) (fleet.Span, error) {
	var s fleet.Span
	for name, into := range map[string]*time.Time{"start": &s.From, "end": &s.To} {
		v := strings.TrimSpace(n.attribute(name))
		if v == "" {
			continue
		}
		t, err := time.Parse("20060102T150405Z", v)
		if err != nil {
			return s, fault.New(fault.FilterUnknown, "what", "the "+name+" of a time range is not a time of the form 20260302T080000Z")
		}
		*into = t
	}
	if s.From.IsZero() && s.To.IsZero() {
		return s, fault.New(fault.FilterUnknown, "what", "a time range needs a start or an end")
	}
	if !s.From.IsZero() && !s.To.IsZero() && !s.From.Before(s.To) {
		return s, fault.New(fault.FilterUnknown, "what", "a time range ends after it starts")
	}
	return s, nil
}
