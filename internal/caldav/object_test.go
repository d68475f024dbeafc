package caldav_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"kitd/internal/ical"
	"kitd/internal/schedule"
)

const at = "/caldav/kits/K-1/a.ics"

func TestPutBooksMovesAndDeletes(t *testing.T) {
	w := newWorld(t)
	first := ics("a", "Foundry", day(9, 8, 16)...)
	r := w.call("PUT", at, first, "Content-Type: text/calendar; charset=utf-8", "If-None-Match: *").want(http.StatusCreated)
	tag := r.header.Get("ETag")
	got := w.call("GET", at, "").want(http.StatusOK)
	same(t, got.body, first) // byte for byte
	same(t, got.header.Get("ETag"), tag)
	if !strings.HasPrefix(got.header.Get("Content-Type"), "text/calendar") {
		t.Error(got.header)
	}
	head := w.call("HEAD", at, "").want(http.StatusOK)
	same(t, head.header.Get("ETag")+head.body, tag)
	w.call("GET", at, "", "If-None-Match: "+tag).want(http.StatusNotModified)
	w.call("GET", at, "", "If-None-Match: \"x\", W/"+tag).want(http.StatusNotModified) // a proxy that compresses weakens tags

	second := ics("a", "Foundry", day(10, 8, 16)...)
	r = w.call("PUT", at, second, "If-Match: "+tag).want(http.StatusNoContent)
	if r.header.Get("ETag") == tag || r.header.Get("ETag") == "" {
		t.Error("the version did not change")
	}
	w.call("PUT", at, first, "If-Match: "+tag).want(http.StatusPreconditionFailed, "changed meanwhile")
	w.call("DELETE", at, "", "If-Match: "+tag).want(http.StatusPreconditionFailed)
	w.call("GET", at, "").want(http.StatusOK, "20260310T080000Z")
	w.call("DELETE", at, "", "If-Match: "+r.header.Get("ETag")).want(http.StatusNoContent)
	w.call("GET", at, "").want(http.StatusNotFound)
	w.call("DELETE", at, "").want(http.StatusNotFound)
	w.call("DELETE", at, "", "If-Match: *").want(http.StatusPreconditionFailed)
	w.call("PUT", at, first, "If-Match: *").want(http.StatusPreconditionFailed, "removed")
	w.call("PUT", at, first).want(http.StatusCreated)
}

// A refusal stores nothing and is said in a sentence.
func TestRefusedPutStoresNothing(t *testing.T) {
	w := newWorld(t)
	w.call("PUT", at, ics("a", "x", day(9, 8, 16)...)).want(http.StatusCreated)
	ctag := w.ctag()
	w.call("PUT", "/caldav/kits/K-1/b.ics", ics("b", "y", day(9, 15, 20)...)).want(http.StatusConflict, "D:error", "booking-refused", "The desk cannot promise")
	w.call("GET", "/caldav/kits/K-1/b.ics", "").want(http.StatusNotFound)
	same(t, w.ctag(), ctag)
	// A move that cannot stand leaves the booking where it was.
	w.call("PUT", "/caldav/kits/K-1/c.ics", ics("c", "y", day(12, 8, 9)...)).want(http.StatusCreated)
	w.call("PUT", "/caldav/kits/K-1/c.ics", ics("c", "y", day(9, 15, 20)...)).want(http.StatusConflict, "booking-refused")
	w.call("GET", "/caldav/kits/K-1/c.ics", "").want(http.StatusOK, "20260312T080000Z")
}

func (w *world) ctag() string {
	w.t.Helper()
	m := w.call("PROPFIND", "/caldav/kits/K-1/", props("S:getctag"), "Depth: 0").multi()
	tag, _ := m.prop("/caldav/kits/K-1/", "getctag")
	return tag
}

func TestBadObjects(t *testing.T) {
	w := newWorld(t)
	for name, c := range map[string]struct {
		body   string
		status int
		words  string
	}{
		"empty":          {"", 403, "valid-calendar-object-resource"},
		"garbage":        {"hello", 403, "valid-calendar-data"},
		"library panic":  {ics("a", "x", append(day(9, 8, 9), "ATTENDEE;CN=foo")...), 403, "Line 10"},
		"method":         {strings.Replace(ics("a", "x", day(9, 8, 9)...), "VERSION", "METHOD:REQUEST\r\nVERSION", 1), 403, "METHOD"},
		"end before":     {ics("a", "x", "DTSTART:20260309T090000Z", "DTEND:20260309T080000Z"), 403, "put the end after the start"},
		"no end":         {ics("a", "x", "DTSTART:20260309T090000Z"), 403, "choose a later end"},
		"unknown zone":   {ics("a", "x", "DTSTART;TZID=Middle/Earth:20260309T090000", "DURATION:PT1H"), 403, "Middle/Earth"},
		"endless series": {ics("a", "x", append(day(9, 8, 9), "RRULE:FREQ=DAILY")...), 403, "never ends"},
		"hourly":         {ics("a", "x", append(day(9, 8, 9), "RRULE:FREQ=HOURLY;INTERVAL=2;BYHOUR=1")...), 403, "HOURLY"},
		"nothing left":   {ics("a", "x", append(day(9, 8, 9), "RRULE:FREQ=DAILY;COUNT=1", "EXDATE:20260309T080000Z")...), 403, "every instance"},
		"cancelled":      {ics("a", "x", append(day(9, 8, 9), "STATUS:CANCELLED")...), 403, "no booking to cancel"},
		"too large":      {ics("a", strings.Repeat("x", 300<<10), day(9, 8, 9)...), 403, "max-resource-size"},
	} {
		t.Run(name, func(t *testing.T) {
			w.call("PUT", at, c.body).want(c.status, c.words, "responsedescription", "!{")
			w.call("GET", at, "").want(http.StatusNotFound)
		})
	}
	w.call("PUT", at, "{}", "Content-Type: application/json").want(http.StatusUnsupportedMediaType, "supported-calendar-data")
	w.call("PUT", "/caldav/kits/K-9/a.ics", ics("a", "x", day(9, 8, 9)...)).want(http.StatusConflict, "no kit K-9")
	same(t, w.call("PROPFIND", "/caldav/kits/K-1/", props("D:getetag"), "Depth: 1").multi().hrefs(), "K-1/")
}

// A program that never saw the answer sends the same again: one effect, the same answer.
func TestPutAgainIsOneEffect(t *testing.T) {
	w := newWorld(t)
	body := ics("a", "x", day(9, 8, 16)...)
	tag := w.call("PUT", at, body, "If-None-Match: *").want(http.StatusCreated).header.Get("ETag")
	again := w.call("PUT", at, body, "If-None-Match: *").want(http.StatusNoContent)
	same(t, again.header.Get("ETag"), tag)
	w.call("PUT", at, ics("a", "other", day(9, 8, 16)...), "If-None-Match: *").want(http.StatusPreconditionFailed, "exists already")
	// The same UID at another address of the calendar is a conflict that names the first.
	w.call("PUT", "/caldav/kits/K-1/b.ics", body).want(http.StatusConflict, "no-uid-conflict", at)
	w.call("PUT", at, ics("other", "x", day(9, 8, 16)...)).want(http.StatusConflict, "no-uid-conflict")
	if len(w.bookings) != 1 {
		t.Errorf("%d bookings", len(w.bookings))
	}
	// In another kit it is another booking.
	w.call("PUT", "/caldav/kits/K-2/a.ics", body).want(http.StatusCreated)
}

// Somebody else is faster between the look and the change.
func TestPutRaces(t *testing.T) {
	w := newWorld(t)
	tag := w.call("PUT", at, ics("a", "x", day(9, 8, 16)...)).want(http.StatusCreated).header.Get("ETag")
	web := func() { w.byWeb("a", func(b *schedule.Booking) { b.Title = "by web" }) }
	w.before = web
	w.call("PUT", at, ics("a", "y", day(9, 8, 16)...), "If-Match: "+tag).want(http.StatusPreconditionFailed)
	w.before = web
	w.call("PUT", at, ics("a", "z", day(9, 8, 16)...)).want(http.StatusNoContent)
	w.before = web
	w.call("DELETE", at, "").want(http.StatusNoContent)
	// The same request twice at once: one books, the other finds it booked.
	body := ics("b", "x", day(11, 8, 16)...)
	w.before = func() { w.call("PUT", "/caldav/kits/K-1/b.ics", body).want(http.StatusCreated) }
	w.call("PUT", "/caldav/kits/K-1/b.ics", body).want(http.StatusNoContent)
}

func TestOthersBookings(t *testing.T) {
	w := newWorld(t)
	w.call("PUT", at, ics("a", "x", day(9, 8, 16)...)).want(http.StatusCreated)
	w.call("GET", at, "", "As: ben").want(http.StatusOK)
	w.call("PUT", at, ics("a", "y", day(9, 8, 16)...), "As: ben").want(http.StatusForbidden, "somebody else")
	w.call("DELETE", at, "", "As: ben").want(http.StatusForbidden, "somebody else")
	w.call("PUT", at, ics("a", "y", day(9, 8, 15)...), "As: cora").want(http.StatusNoContent)

	// Behind a client's wall it is not there, not even for its own maker, and its place is not told.
	client := w.newID()
	w.byWeb("a", func(b *schedule.Booking) { b.Client = client })
	for _, method := range []string{"GET", "DELETE", "PROPFIND", "REPORT"} {
		body := ""
		if method == "REPORT" {
			body = `<C:calendar-query xmlns:C="urn:ietf:params:xml:ns:caldav"><C:filter><C:comp-filter name="VCALENDAR"/></C:filter></C:calendar-query>`
		}
		there := w.call(method, at, body, "Depth: 0", "As: ben")
		absent := w.call(method, "/caldav/kits/K-1/q.ics", body, "Depth: 0", "As: ben")
		there.want(http.StatusNotFound)
		same(t, there.body, absent.body)
	}
	w.call("GET", at, "", "As: cora").want(http.StatusOK)
	w.call("PUT", at, ics("a", "z", day(9, 8, 16)...), "As: ben").want(http.StatusConflict, "!"+client.String())
}

// What only kitd knows of a booking stays when a calendar program moves it; a change by another door renders the object anew.
func TestTwoDoors(t *testing.T) {
	w := newWorld(t)
	tag := w.call("PUT", at, ics("a", "x", "DTSTART;TZID=Europe/Berlin:20260309T080000", "DTEND;TZID=Europe/Berlin:20260309T160000", "X-OWN:1")).want(http.StatusCreated).header.Get("ETag")
	client := w.newID()
	w.byWeb("a", func(b *schedule.Booking) {
		b.Client, b.Lead = client, 0
		b.Title = "by web; one, two"
		b.Occurrences[0].Span.To = b.Occurrences[0].Span.To.Add(time.Hour)
		b.Calendar.Raw = nil
	})
	got := w.call("GET", at, "", "As: cora").want(http.StatusOK, `SUMMARY:by web\; one\, two`, "DTSTART;TZID=Europe/Berlin:20260309T080000", "DTEND;TZID=Europe/Berlin:20260309T170000", "UID:a", "SEQUENCE:1", "BEGIN:VTIMEZONE")
	if got.header.Get("ETag") == tag {
		t.Error("the tag did not change")
	}
	moved := strings.Replace(got.body, "DTSTART;TZID=Europe/Berlin:20260309T080000", "DTSTART;TZID=Europe/Berlin:20260309T090000", 1)
	w.call("PUT", at, moved, "As: cora", "If-Match: "+got.header.Get("ETag")).want(http.StatusNoContent)
	for _, b := range w.bookings {
		if b.Client != client || b.Lead != 0 || b.Occurrences[0].FromCivil != (schedule.Civil{Local: "2026-03-09T09:00:00", Zone: "Europe/Berlin"}) {
			t.Errorf("%+v", b)
		}
	}
}

// Names are read segment by segment: %2F is part of a name, + is a plus sign.
func TestNames(t *testing.T) {
	w := newWorld(t)
	for i, name := range []string{"o+b.ics", "a%2Fb.ics", "sp%20ace.ics", "%C3%A4.ics", "100%25.ics", "%3Fx=1&y.ics", "UPPER.ics", "no-suffix", "a;b=c.ics"} {
		path := "/caldav/kits/Kit%203%2F%C3%A4+/" + name
		w.call("PUT", path, ics("u-"+name, "x", day(2+i, 18, 19)...)).want(http.StatusCreated)
		w.call("GET", path, "").want(http.StatusOK, "UID:u-")
		m := w.call("PROPFIND", path, props("D:getetag"), "Depth: 0").multi()
		if len(m.Responses) != 1 {
			t.Fatalf("%s: %v", name, m)
		}
		w.call("GET", m.Responses[0].Href, "").want(http.StatusOK, "UID:u-"+name)
	}
	w.call("GET", "/caldav/kits/Kit%203%2F%C3%A4+/o%20b.ics", "").want(http.StatusNotFound)
	w.call("GET", "/caldav/kits/Kit%203%2F%C3%A4+/upper.ics", "").want(http.StatusNotFound)
	w.call("PUT", "/caldav/kits/K-1/"+strings.Repeat("x", 256), ics("l", "x", day(9, 8, 9)...)).want(http.StatusNotFound)
}

func TestCancelledByStatus(t *testing.T) {
	w := newWorld(t)
	w.call("PUT", at, ics("a", "x", day(9, 8, 16)...)).want(http.StatusCreated)
	w.call("PUT", at, ics("a", "x", append(day(9, 8, 16), "STATUS:CANCELLED")...)).want(http.StatusNoContent)
	w.call("GET", at, "").want(http.StatusNotFound)
	w.call("PUT", "/caldav/kits/K-1/b.ics", ics("b", "x", day(9, 8, 16)...)).want(http.StatusCreated)
	w.byWeb("b", func(b *schedule.Booking) { b.State = schedule.OutNow })
	w.call("DELETE", "/caldav/kits/K-1/b.ics", "").want(http.StatusConflict, "are out")
	w.call("GET", "/caldav/kits/K-1/b.ics", "").want(http.StatusOK)
}

func TestLongAndNastySummaries(t *testing.T) {
	w := newWorld(t)
	long := strings.Repeat("ä", 300)
	w.call("PUT", at, ics("a", long, day(9, 8, 9)...)).want(http.StatusCreated)
	w.call("PUT", "/caldav/kits/K-1/b.ics", ics("b", `<script>alert(1)</script>\n=cmd() ☢ שלום`, day(10, 8, 9)...)).want(http.StatusCreated)
	for _, b := range w.bookings {
		if n := len([]rune(b.Title)); n > 200 || strings.ContainsAny(b.Title, "\n\r") {
			t.Errorf("title of %d characters: %q", n, b.Title)
		}
	}
	r := w.call("REPORT", "/caldav/kits/K-1/", query("", ""))
	if strings.Contains(r.body, "<script>") {
		t.Error("markup of a client reached the answer")
	}
	r.multi()
	e, err := ical.Parse([]byte(w.call("GET", at, "").body), ical.Options{Zone: time.UTC})
	if err != nil || e.Summary != long {
		t.Errorf("%v %d", err, len(e.Summary))
	}
}
