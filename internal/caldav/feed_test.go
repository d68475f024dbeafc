package caldav_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/caldav"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/kittest"
	"kitd/internal/schedule"
)

type holders map[string]access.Actor

func (h holders) FeedHolder(_ context.Context, token string) (access.Actor, error) {
	who, ok := h[token]
	if !ok {
		return who, fault.New(fault.NotSignedIn)
	}
	return who, nil
}

// pages lists bookings in pages of two, within the actor's walls.
type pages []schedule.Booking

func (p pages) List(_ context.Context, who access.Actor, q schedule.Query) (page schedule.Page, err error) {
	at := 0
	if q.After != "" {
		if _, err := fmt.Sscan(q.After, &at); err != nil {
			return page, err
		}
	}
	for ; at < len(p) && len(page.Bookings) < 2; at++ {
		if b := p[at]; who.Scope.Sees(b.Client) && b.Whole().Overlaps(q.Span) {
			page.Bookings = append(page.Bookings, b)
		}
	}
	if at < len(p) {
		page.Next = fmt.Sprint(at)
	}
	return page, nil
}

func TestFeed(t *testing.T) {
	clock := kittest.NewClock()
	newID := kittest.IDs(clock, 1)
	client := newID()
	var list pages
	for i, title := range []string{"Foundry", "Sawmill", "Print shop", "Walled", "Long ago"} {
		from := kittest.Start.Add(time.Duration(i) * 24 * time.Hour)
		b := schedule.Booking{ID: newID(), Version: 1, Number: i + 1, Title: title, OwnerName: "ada", State: schedule.Promised, Entered: kittest.Start, Changed: kittest.Start,
			Occurrences: []schedule.Occurrence{{Span: fleet.Span{From: from, To: from.Add(8 * time.Hour)}}}, Calendar: schedule.Calendar{UID: title, Name: title}}
		if title == "Walled" {
			b.Client = client
		}
		if title == "Long ago" {
			b.Occurrences[0].Span = fleet.Span{From: from.AddDate(-1, 0, 0), To: from.AddDate(-1, 0, 1)}
		}
		list = append(list, b)
	}
	feed := &caldav.Feed{Holders: holders{"secret-of-ada": {Name: "ada", Role: access.Viewer}, "secret-of-ben": {Name: "ben", Scope: access.Scope{Clients: []ident.ID{client}}}},
		Bookings: list, Now: clock.Now, Due: func(_ context.Context, who access.Actor) ([]agenda.Notice, error) {
			return []agenda.Notice{{Key: "certificate-7", Day: civil.Date{Year: 2026, Month: 4, Day: 30}, Text: "D-031: certificate ends", Detail: "KL-2025-88", Entered: kittest.Start}}, nil
		}}
	get := func(method, path string, headers ...string) *reply {
		r := httptest.NewRequestWithContext(t.Context(), method, path, nil)
		for _, h := range headers {
			name, value, _ := strings.Cut(h, ": ")
			r.Header.Set(name, value)
		}
		rec := httptest.NewRecorder()
		feed.ServeHTTP(rec, r)
		return &reply{t, method + " " + path, rec.Code, rec.Header(), rec.Body.String()}
	}
	ada := get("GET", "/feeds/secret-of-ada.ics").want(http.StatusOK, "SUMMARY:Foundry", "SUMMARY:Print shop", "!Walled", "!Long ago", "DTSTART:20260302T080000Z",
		"REFRESH-INTERVAL", "DTSTART;VALUE=DATE:20260430\r\nDTEND;VALUE=DATE:20260501", "SUMMARY:D-031: certificate ends", "TRANSP:TRANSPARENT", "UID:certificate-7@kitd")
	get("GET", "/feeds/secret-of-ben.ics").want(http.StatusOK, "SUMMARY:Walled")
	same(t, get("GET", "/feeds/secret-of-ada.ics").body, ada.body)
	get("GET", "/feeds/secret-of-ada.ics", "If-None-Match: "+ada.header.Get("ETag")).want(http.StatusNotModified)
	get("GET", "/feeds/secret-of-ada.ics", "If-None-Match: W/"+ada.header.Get("ETag")).want(http.StatusNotModified)
	if head := get("HEAD", "/feeds/secret-of-ada.ics").want(http.StatusOK); head.body != "" || head.header.Get("ETag") != ada.header.Get("ETag") {
		t.Error(head)
	}
	get("POST", "/feeds/secret-of-ada.ics").want(http.StatusMethodNotAllowed)
	unknown := get("GET", "/feeds/secret-of-eve.ics").want(http.StatusNotFound)
	for _, path := range []string{"/feeds/", "/feeds/.ics", "/feeds/secret-of-ada", "/feeds/a%2Fb.ics", "/feeds/" + strings.Repeat("x", 300) + ".ics"} {
		same(t, get("GET", path).want(http.StatusNotFound).body, unknown.body)
	}
	feed.Due = func(context.Context, access.Actor) ([]agenda.Notice, error) { panic("boom") }
	get("GET", "/feeds/secret-of-ada.ics").want(http.StatusInternalServerError, "!boom")
	feed.Due = func(context.Context, access.Actor) ([]agenda.Notice, error) { return nil, fault.New(fault.Busy) }
	get("GET", "/feeds/secret-of-ada.ics").want(http.StatusServiceUnavailable)
}
