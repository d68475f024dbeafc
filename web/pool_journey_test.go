package web

import (
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"kitd/internal/access"
)

// TestAFirstDayInTheBrowser enters a pool with nothing but the pages, from an empty server to the first kit.
func TestAFirstDayInTheBrowser(t *testing.T) {
	s := emptySite(t)
	server := httptest.NewServer(timeless(s.Server))
	t.Cleanup(server.Close)
	tr := setOut(t, server.URL)
	tr.logIn(access.Coordinator)
	tr.open("/pool")
	tr.fits("pool-empty")
	tr.press(".say .press", "Enter a depot")
	tr.fits("pool-depot")
	tr.fill("#name", "Alder Yard", "#code", "alder yard")
	tr.press("form[action='/pool/depots'] .press", "This was not recorded")
	tr.fits("pool-depot-refused")
	tr.fill("#code", "alder")
	tr.press("form[action='/pool/depots'] .press", "Alder Yard is entered")
	tr.press(".say .press", "Enter a model")
	tr.fits("pool-model")
	tr.fill("#name", "Wick 2", "#run", "20")
	tr.press("form[action='/pool/models'] .press", "Wick 2 is entered")
	tr.press(".say .press", "Enter units")
	tr.fill("#units", "D-001, 400123, 88123\nd-001")
	tr.press("form[action='/pool/units'] .press", "This was not recorded")
	tr.fits("pool-units-refused")
	tr.fill("#units", "D-001, 400123, 88123\nD-002..D-012")
	tr.press("form[action='/pool/units'] .press", "12 units are entered")
	tr.press(".say .press", "Enter a laboratory")
	tr.fill("#name", "Sedge Metrology")
	tr.press("form[action='/pool/laboratories'] .press", "Sedge Metrology is entered")
	tr.firstCertificate()
	tr.press(".say .press", "State the charge")
	tr.fits("pool-opening")
	tr.fill("#statement", "Seen full by the storekeeper")
	tr.press("form[action='/pool/opening'] .press", "The statement is recorded")
	tr.press(".say .press", "Enter a kit")
	tr.fill("#name", "Field case 1", "#code", "K-1", "#units", "D-001..D-004")
	tr.press("form[action='/pool/kits'] .press", "K-1 is entered with 4 units")
	if lead := tr.text(".say p"); !strings.HasPrefix(lead, "Everything is entered.") {
		t.Errorf("at the end the pool says %q", lead)
	}
	tr.fits("pool")
	tr.open("/pool/units")
	tr.fits("pool-units")
	tr.open("/reminders?until=1+Jun+2027")
	tr.fits("reminders")
	s.mails(t, unitID(t, s, "D-001"))
	tr.open("/reminders")
	tr.fits("reminders-outbox")
	tr.mu.Lock()
	defer tr.mu.Unlock()
	for _, text := range tr.complaints {
		if strings.Contains(text, "status of 422") {
			continue // a form that was refused on purpose
		}
		t.Errorf("the browser complains: %s", text)
	}
}

// firstCertificate enters one for all units.
func (tr *traveller) firstCertificate() {
	tr.t.Helper()
	tr.press(".say .press", "Enter a certificate")
	tr.fits("pool-certificate-units")
	tr.do("name the units", chromedp.Click("form[action='/pool/certificates/new'] .press", chromedp.ByQuery), chromedp.WaitVisible("#number", chromedp.ByQuery))
	tr.fill("#number", "SM-2026-7", "#calibrated", "12 Jan 2026", "#found-0", "loud")
	tr.press("form[action='/pool/certificates'] .press", "This was not recorded")
	tr.fits("pool-certificate-refused")
	tr.fill("#found-0", "−0.1")
	tr.press("form[action='/pool/certificates'] .press", "entered for 12 units")
	tr.fits("certificate")
	tr.open("/pool")
}
