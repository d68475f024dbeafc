package web

import (
	"net/http/httptest"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"kitd/internal/access"
	"kitd/internal/fleet"
)

// TestBenchJourney works at the bench and asks from the time line, at both widths, with the keyboard where that is harder.
func TestBenchJourney(t *testing.T) {
	s := newSite(t)
	dosimeter, charger := s.chargeable()
	s.happen(fleet.Fact{Unit: dosimeter.ID, Body: fleet.ChargeOn{Charger: charger.ID, Position: 2}})
	s.h.Clock.Set(time.Date(2026, 3, 8, 14, 0, 0, 0, time.UTC))
	server := httptest.NewServer(timeless(s.Server))
	t.Cleanup(server.Close)
	tr := setOut(t, server.URL)
	tr.logIn(access.Coordinator)
	tr.open("/bench")
	tr.fits("bench")
	tr.press(".bench form[action='/bench'] button", "handed out. A slip?")
	tr.fits("bench-done")
	tr.press("form[action='/bench/undo'] button", "Taken back.")
	tr.open("/desk/timeline?days=28")
	tr.fits("timeline")
	var inside bool
	tr.do("reach the kits by keyboard", chromedp.Focus(".scroll", chromedp.ByQuery), chromedp.KeyEvent(kb.Tab),
		chromedp.Evaluate(`document.activeElement.closest(".timeline") !== null`, &inside))
	if !inside {
		t.Error("the tab key does not lead from the region into the kits")
	}
	var left float64
	tr.do("keep the names in sight", emulation.SetDeviceMetricsOverride(390, 900, 1, true), chromedp.Evaluate(`(() => { const r = document.querySelector(".scroll"); r.scrollLeft = 300; if (r.scrollLeft < 250) return -1;
		return document.querySelector(".timeline tbody th .tag").getBoundingClientRect().left - r.getBoundingClientRect().left })()`, &left))
	if left < 0 || left > 20 {
		t.Errorf("scrolled to the right, the name of the kit stands at %.0f px", left)
	}
	tr.do("ask for an empty day", chromedp.Focus(".free button[value='2026-03-12']", chromedp.ByQuery), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible(`//h1[contains(., "Ask for a kit")]`, chromedp.BySearch))
	var day string
	tr.do("read the day", chromedp.Value("#from", &day, chromedp.ByQuery))
	if day != "Thu 12 Mar 2026" {
		t.Errorf("the form opens with %q", day)
	}
	tr.mu.Lock()
	defer tr.mu.Unlock()
	for _, text := range tr.complaints {
		t.Errorf("the browser complains: %s", text)
	}
}
