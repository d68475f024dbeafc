package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fleet"
)

// Whoever keeps the pool gets from what a thing is to where it is changed; others are not sent to where they may not go.
func TestThingsLeadToTheirEntryInThePool(t *testing.T) {
	s := newSite(t)
	keeper, viewer := s.as(access.Coordinator), s.as(access.Viewer)
	for path, entry := range map[string]string{"/units/D-001": "/pool/units/", "/kits/K-1": "/pool/kits/", "/shelf": "/pool"} {
		links := keeper.page(t, path, http.StatusOK).attrs("main a", "href")
		at := slices.IndexFunc(links, func(h string) bool { return strings.HasPrefix(h, entry) })
		if at < 0 || !slices.Contains(links, "/pool") {
			t.Errorf("%s leads a coordinator to %q, want %s too", path, links, entry)
			continue
		}
		keeper.page(t, links[at], http.StatusOK)
		for _, h := range viewer.page(t, path, http.StatusOK).attrs("main a", "href") {
			if strings.HasPrefix(h, "/pool") {
				t.Errorf("%s leads a viewer to %s", path, h)
			}
		}
	}
	certificate := viewer.page(t, "/units/D-001", http.StatusOK).attr("#certificates th a", "href")
	viewer.page(t, certificate, http.StatusOK).has("main", "Calibrated on")
}

// The tag of a kit is one word and stands on one line, a short place too.
func TestCodesAndShortPlacesStayOnOneLine(t *testing.T) {
	s := newSite(t)
	d := s.as(access.Viewer).page(t, "/shelf", http.StatusOK)
	if n := len(d.all("tbody td.nowrap")); n != 2*3 {
		t.Errorf("%d cells of three rows stay on one line, want kit and place of each", n)
	}
	if oneLine("out with a person whose name is long") {
		t.Error("a long place would push the other columns out")
	}
}

// An administrator behind a wall changes an account without taking away what stands beyond it.
func TestUnseenClientsStayWithTheirAccounts(t *testing.T) {
	s := newSite(t)
	_, page := s.narrow(access.Administrator)
	ctx, root := t.Context(), access.System("test", access.ViaCommand)
	a, err := s.gate.ChangeAccount(ctx, root, access.Account{ID: s.ids[access.Surveyor].ID, Version: 1, Name: "surveyor", Display: "Sam", Role: access.Surveyor, Clients: s.ids[access.Surveyor].Clients})
	if err != nil {
		t.Fatal(err)
	}
	a.Clients = append(a.Clients, s.client.ID)
	if a, err = s.gate.ChangeAccount(ctx, root, a); err != nil {
		t.Fatal(err)
	}
	path := "/accounts/" + a.ID.String()
	form := url.Values{"display": {"Samuel"}, "role": {"surveyor"}, "locale": {"en"}, "zone": {"UTC"}, "version": {"3"}}
	page.post(path, form).wantSeeOther(t, "/accounts")
	after, err := s.gate.Account(ctx, root, a.ID)
	if err != nil || after.Display != "Samuel" || !slices.Contains(after.Clients, s.client.ID) {
		t.Errorf("got %+v, %v", after, err)
	}
	s.as(access.Administrator).post(path, url.Values{"display": {"Samuel"}, "role": {"surveyor"}, "locale": {"en"}, "zone": {"UTC"}, "version": {"4"}}).wantSeeOther(t, "/accounts")
	if after, err = s.gate.Account(ctx, root, a.ID); err != nil || len(after.Clients) != 0 {
		t.Errorf("who sees the client cannot take it away: %+v, %v", after, err)
	}
}

// A full charge that was due is due now.
func TestAChargeThatWasDueIsDueNow(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for days, want := range map[int]string{-60: "now", 0: "today", 1: "3 Mar 2026"} {
		r := fleet.ShelfRow{Model: fleet.Model{ChargeMinutes: 150}, Verdict: fleet.Verdict{FullBy: now.AddDate(0, 0, days)}}
		if got := (teller{now: now, loc: time.UTC}).fullBy(r); got != want {
			t.Errorf("due in %d days: %q, want %q", days, got, want)
		}
	}
}
