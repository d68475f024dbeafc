package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"kitd/internal/access"
	"kitd/internal/kittest"
)

// traveller drives a real browser through the pages and notes everything the browser complains about.
type traveller struct {
	t    *testing.T
	ctx  context.Context
	base string

	mu         sync.Mutex
	complaints []string
}

// setOut starts the browser.
func setOut(t *testing.T, base string) *traveller {
	t.Helper()
	path, err := exec.LookPath("chromium")
	kittest.Peer(t, err == nil, "chromium on the path")
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox)
	allocated, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(stop)
	ctx, quit := chromedp.NewContext(allocated)
	t.Cleanup(quit)
	tr := &traveller{t: t, ctx: ctx, base: base}
	chromedp.ListenTarget(ctx, tr.hear)
	if err := chromedp.Run(ctx, log.Enable(), runtime.Enable(), emulation.SetDeviceMetricsOverride(1280, 900, 1, false)); err != nil {
		t.Fatalf("the browser does not start: %v", err)
	}
	return tr
}

func (tr *traveller) hear(event any) {
	text := ""
	switch e := event.(type) {
	case *log.EventEntryAdded:
		if e.Entry.Level == log.LevelVerbose {
			return // advice, no complaint
		}
		text = fmt.Sprintf("%s: %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL)
	case *runtime.EventExceptionThrown:
		text = e.ExceptionDetails.Error()
	case *runtime.EventConsoleAPICalled:
		text = "console." + string(e.Type)
	default:
		return
	}
	tr.mu.Lock()
	defer tr.mu.Unlock()
	tr.complaints = append(tr.complaints, text)
}

// do runs steps with a deadline of their own, so that a page that does not come is named.
func (tr *traveller) do(what string, steps ...chromedp.Action) {
	tr.t.Helper()
	ctx, cancel := context.WithTimeout(tr.ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Run(ctx, steps...); err != nil {
		var text string
		_ = chromedp.Run(tr.ctx, chromedp.Text("main", &text, chromedp.ByQuery)) // for the message only
		tr.t.Fatalf("%s: %v; the page says: %.800s", what, err, text)
	}
}

func (tr *traveller) open(path string) {
	tr.t.Helper()
	tr.do("open "+path, chromedp.Navigate(tr.base+path), chromedp.WaitVisible("h1", chromedp.ByQuery))
}

// press uses a button or link and waits for the page whose heading or told sentence holds a text.
func (tr *traveller) press(selector, wanted string) {
	tr.t.Helper()
	path := fmt.Sprintf(`//main//*[self::h1 or @role="status" or @role="alert"][contains(., %q)]`, wanted)
	tr.do("press "+selector, chromedp.Click(selector, chromedp.ByQuery), chromedp.WaitVisible(path, chromedp.BySearch))
}

// fill types into fields: selector, value pairs.
func (tr *traveller) fill(pairs ...string) {
	tr.t.Helper()
	for i := 0; i+1 < len(pairs); i += 2 {
		tr.do("fill "+pairs[i], chromedp.SetValue(pairs[i], pairs[i+1], chromedp.ByQuery))
	}
}

// text is what an element says.
func (tr *traveller) text(selector string) string {
	tr.t.Helper()
	var s string
	tr.do("read "+selector, chromedp.Text(selector, &s, chromedp.ByQuery))
	return strings.Join(strings.Fields(s), " ")
}

// fits checks that the page needs no sideways scrolling at the widths of the contract, and keeps a picture of each where
// KITD_SHOTS names a folder.
func (tr *traveller) fits(name string) {
	tr.t.Helper()
	for _, width := range []int64{390, 1280} {
		var over int
		tr.do("measure "+name, emulation.SetDeviceMetricsOverride(width, 900, 1, width < 500),
			chromedp.Evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth", &over))
		if over > 0 {
			tr.t.Errorf("%s is %d px too wide at %d px", name, over, width)
		}
		if dir := os.Getenv("KITD_SHOTS"); dir != "" {
			var picture []byte
			tr.do("picture of "+name, chromedp.FullScreenshot(&picture, 100))
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d.png", name, width)), picture, 0o600); err != nil {
				tr.t.Error(err)
			}
		}
	}
}

// logIn comes in by the form.
func (tr *traveller) logIn(role access.Role) {
	tr.t.Helper()
	tr.open("/login")
	tr.fill("#name", string(role), "#password", sitePassword)
	tr.press("form[action='/login'] .press", "Shelf")
}

// timeless takes the end from cookies: the site's clock stands in the past, the browser's does not.
func timeless(inner http.Handler) http.Handler {
	ends := regexp.MustCompile(`; Expires=[^;]*`)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		kept := httptest.NewRecorder()
		inner.ServeHTTP(kept, r)
		for name, values := range kept.Header() {
			for _, v := range values {
				if name == "Set-Cookie" {
					v = ends.ReplaceAllString(v, "")
				}
				w.Header().Add(name, v)
			}
		}
		w.WriteHeader(kept.Code)
		_, _ = w.Write(kept.Body.Bytes()) // the browser says when it gets nothing
	})
}

// TestJourney goes the whole way in a browser: book, hand out, wear with both checks, check in, read the return, result.
func TestJourney(t *testing.T) {
	s := newSite(t)
	server := httptest.NewServer(timeless(s.Server))
	t.Cleanup(server.Close)
	tr := setOut(t, server.URL)
	tr.logIn(access.Coordinator)
	tr.fits("shelf")
	tr.bookKit()
	s.h.Clock.Set(time.Date(2026, 3, 3, 7, 10, 0, 0, time.UTC))
	booking := tr.handOut()
	tr.wear(s)
	tr.comeBack(s, booking)
	tr.result(t)
	for _, path := range []string{"/units/D-001", "/kits/K-1", "/returns", "/results", "/surveys", "/surveys/new", "/account"} {
		tr.open(path)
		tr.fits(strings.ReplaceAll(path[1:], "/", "-"))
	}
	tr.mu.Lock()
	defer tr.mu.Unlock()
	for _, text := range tr.complaints {
		t.Errorf("the browser complains: %s", text)
	}
}

func (tr *traveller) bookKit() {
	tr.t.Helper()
	tr.press(".say .press", "Ask for a kit")
	tr.fits("ask")
	tr.fill("#title", "Ashlock Sawmill", "#from", "3 Mar 2026", "#from_clock", "07:00", "#to", "3 Mar 2026", "#to_clock", "17:00")
	tr.do("choose the kit", chromedp.Click("input[name=ask][value=kit]", chromedp.ByQuery),
		chromedp.Evaluate(`(() => { const s = document.querySelector('#kit'); s.selectedIndex = 1; return s.value })()`, nil))
	tr.press("button[name=look]", "These units would go")
	tr.press("form[action='/desk/new'] .press", "B-2 is promised")
	tr.fits("booking")
}

// handOut finds the booking on the desk and hands it out; it gives the address of the booking.
func (tr *traveller) handOut() string {
	tr.t.Helper()
	tr.open("/desk")
	tr.fits("desk")
	var at string
	tr.do("find the booking", chromedp.Click(`//a[contains(@class, "tag")][contains(., "B-2")]`, chromedp.BySearch),
		chromedp.WaitVisible(`//h1[contains(., "Ashlock")]`, chromedp.BySearch), chromedp.Location(&at))
	tr.press("form[action$='/hand-out'] .press", "B-2 is handed out")
	if state := tr.text(".say .state"); state != "out" {
		tr.t.Errorf("the booking is %q after it was handed out", state)
	}
	return strings.TrimPrefix(at, tr.base)
}

func (tr *traveller) wear(s *site) {
	tr.t.Helper()
	tr.open(surveyPath(s.survey.ID))
	tr.do("open the worker-day form", chromedp.Click(`//summary[contains(., "Add a worker-day")]`, chromedp.BySearch))
	tr.fill("#day-worker", "Hazel 7", "#day-day", "3 Mar 2026", "#day-clock", "07:00", "#day-hours", "4")
	tr.press("form[action$='/days'] .word", "Hazel 7")
	tr.do("open the wear form", chromedp.Click(`//summary[contains(., "Hazel 7")]`, chromedp.BySearch))
	tr.fill("details[open] input[name=tag]", "D-001", "details[open] input[name=day]", "3 Mar 2026", "details[open] input[name=clock]", "07:05")
	tr.press("details[open] form[action$='/wears'] .word", "D-001 is being worn")
	tr.choose("#before-calibrator")
	tr.fill("#before-indicated", "94.1", "#before-adjusted", "94.0", "#before-clock", "07:00")
	tr.press("form:has(#before-indicated) .press", "The before check is recorded")
	s.h.Clock.Set(time.Date(2026, 3, 3, 11, 30, 0, 0, time.UTC))
	tr.fill("#stop-clock", "11:05")
	tr.press("form[action$='/stop'] .press", "The wear is stopped")
	tr.choose("#after-calibrator")
	tr.fill("#after-indicated", "94.2", "#after-clock", "11:10")
	tr.press("form:has(#after-indicated) .press", "The after check is recorded")
	tr.fits("wear")
}

// choose takes the first real choice of a list.
func (tr *traveller) choose(selector string) {
	tr.t.Helper()
	tr.do("choose from "+selector, chromedp.Evaluate(fmt.Sprintf(`(() => { const s = document.querySelector(%q); s.selectedIndex = 1; return s.value })()`, selector), nil))
}

func (tr *traveller) comeBack(s *site, booking string) {
	tr.t.Helper()
	tr.open(booking)
	tr.press("form[action$='/check-in'] .press", "2 units are checked in")
	tr.open("/units/D-001")
	if state := tr.text(".say .state"); state != "unread data" {
		tr.t.Errorf("D-001 is %q while its return is out", state)
	}
	file := filepath.Join(tr.t.TempDir(), "hazel-7.csv")
	if err := os.WriteFile(file, returnFile("D-001", time.Date(2026, 3, 3, 7, 5, 0, 0, time.UTC), 240), 0o600); err != nil {
		tr.t.Fatal(err)
	}
	tr.open("/returns")
	tr.do("choose the file", chromedp.SetUploadFiles("#file", []string{file}, chromedp.ByQuery))
	tr.press("form[action='/returns'] .press", "was read: 240 levels")
	if state := tr.text(".say .state"); state != "linked" {
		tr.t.Errorf("the return is %q, want it linked to the one wear it can be of", state)
	}
	tr.fits("return")
	tr.press("form[action$='/accept'] .press", "is accepted and R-2 computed")
}

// result checks the figures: 84 … 88 dB(A) equally often over 4 h are 86.2 dB(A), over 8 h 83.2 (ISO 9612:2009, 11.4, by hand).
func (tr *traveller) result(t *testing.T) {
	t.Helper()
	if lead := tr.text(".figs .lead dd"); lead != "83.2 dB(A)" {
		t.Errorf("the lead figure is %q", lead)
	}
	if chain := tr.text(".chain"); !strings.Contains(chain, "C-001") || !strings.Contains(chain, "D-001") {
		t.Errorf("the chain names %q", chain)
	}
	tr.fits("result")
}
