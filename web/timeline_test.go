package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// The clock of the site stands at Mon 2 Mar 2026, 08:00 GMT; B-1 holds one dosimeter from 9 Mar, 08:00 to 10 Mar, 08:00.
func TestTimeline(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.page(t, "/desk/timeline", http.StatusOK)
	d.has(".say p", "Everything promised for these days stands.")
	if n := len(d.all(".timeline thead th")); n != 15 {
		t.Errorf("%d columns, want the kits and 14 days", n)
	}
	d.has(".timeline thead .now b", "2")
	d.has(".timeline tbody th", "K-1")
	fit, asked, left := d.figures(t, "dosimeters fit"), d.figures(t, "asked for"), d.figures(t, "left")
	if fit[0] != 2 || fit[7] != 2 || asked[6] != 0 || asked[7] != 1 || asked[8] != 1 || asked[9] != 0 || left[7] != 1 {
		t.Errorf("fit %v, asked %v, left %v", fit, asked, left)
	}
	if href := d.attr("a.block", "href"); href != bookingPath(s.booking.ID) {
		t.Errorf("the block leads to %q", href)
	}
	if words := d.attr("a.block", "aria-label"); words != "B-1, Quillon, second day, Mon 9 Mar, 08:00 to Tue 10 Mar, 08:00 GMT, promised" {
		t.Errorf("the block says %q", words)
	}
	// 8 h of the 8th of 14 days have passed at its start; lead and lag are four hours each, 4/24 of a day.
	if x, w := percentOf(t, d, "x"), percentOf(t, d, "width"); x < 52.37 || x > 52.39 || w < 7.13 || w > 7.15 {
		t.Errorf("the block stands at %.2f %%, %.2f %% wide; want 52.38 and 7.14", x, w)
	}
	if feet := d.attrs(".lane rect[fill]", "width"); len(feet) != 2 || feet[0] != "1.19%" || feet[1] != "1.19%" {
		t.Errorf("lead and lag are %q wide, want 1.19%%", feet)
	}
	b.page(t, "/desk", http.StatusOK).has(".strip .end a", "Time line")
}

// figures reads one row of numbers.
func (d document) figures(t *testing.T, name string) []int {
	t.Helper()
	for _, tr := range d.all(".figures tr") {
		words := strings.Fields(strings.ReplaceAll(textOf(tr), "−", "-"))
		if !strings.HasPrefix(textOf(tr), name) {
			continue
		}
		var out []int
		for _, w := range words[len(strings.Fields(name)):] {
			n, err := strconv.Atoi(w)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, n)
		}
		return out
	}
	t.Fatalf("no figures of %q", name)
	return nil
}

// percentOf reads a measure of the block.
func percentOf(t *testing.T, d document, name string) float64 {
	t.Helper()
	for _, v := range d.attrs(".lane svg", name) {
		if n, err := strconv.ParseFloat(strings.TrimSuffix(v, "%"), 64); err == nil {
			return n
		}
	}
	t.Fatalf("no measure %q", name)
	return 0
}

// TestAnEmptyDayLeadsToTheForm without any script.
func TestAnEmptyDayLeadsToTheForm(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	d := b.page(t, "/desk/timeline?days=7", http.StatusOK)
	days := d.attrs(".free button", "value")
	if len(days) == 0 || days[0] != "2026-03-02" {
		t.Fatalf("the empty days are %q", days)
	}
	if label := d.attrs(".free button", "aria-label")[1]; label != "Ask for K-1 on Tue 3 Mar" {
		t.Errorf("an empty day says %q", label)
	}
	form := b.page(t, "/desk/new?kit="+d.attrs(".free input", "value")[0]+"&from="+days[1], http.StatusOK)
	for id, want := range map[string]string{"from": "Tue 3 Mar 2026", "to": "Tue 3 Mar 2026"} {
		if v := form.attr("#"+id, "value"); v != want {
			t.Errorf("the form opens with %s %q", id, v)
		}
	}
	if kit := form.attr("#kit option[selected]", "value"); kit != s.kit.ID.String() {
		t.Errorf("the form asks for kit %q", kit)
	}
	s.as(access.Viewer).page(t, "/desk/timeline", http.StatusOK).hasNot(".free button")
}

// TestTimelineSaysWhatWillNotStand: a unit asked for by name is held back, so its booking is at risk; another one is not back.
func TestTimelineSaysWhatWillNotStand(t *testing.T) {
	s := newSite(t)
	ctx, who := context.Background(), s.keeper()
	visit := func(days, hours int) []schedule.Occurrence {
		from := s.Now().AddDate(0, 0, days).Add(6 * time.Hour)
		return []schedule.Occurrence{{Span: fleet.Span{From: from, To: from.Add(time.Duration(hours) * time.Hour)}}}
	}
	out := made[schedule.Outcome](t)(s.Desk.Book(ctx, who, schedule.Wish{Title: "Dunmarrow", Ask: schedule.Ask{Unit: s.two.ID}, Occurrences: visit(3, 4)}))
	s.happen(fleet.Fact{Unit: s.two.ID, Body: fleet.Held{Reason: "Found 0.7 dB too loud"}})
	desk := s.Desk.(*schedule.Desk)
	if _, err := desk.Reassess(ctx, access.System("reassess", access.ViaJob)); err != nil {
		t.Fatal(err)
	}
	b := s.as(access.Coordinator)
	d := b.page(t, "/desk/timeline", http.StatusOK)
	d.has(".say p", "One promise will not stand unless somebody acts: note a.")
	d.has(".block.bad tspan", "a")
	d.has(".notes li", "Unit D-002, Dunmarrow, Thu 5 Mar.")
	d.has(".notes li", "D-002: Held back since Mon 2 Mar by coordinator: Found 0.7 dB too loud.")
	d.has(".notes a", "Move "+out.Label())
	if notes := d.texts(".notes li"); !strings.Contains(notes[0], "Nearest: ") && !strings.Contains(notes[0], "Nothing near to it") {
		t.Errorf("no remedy is named: %q", notes)
	}
	if fit := d.figures(t, "dosimeters fit"); fit[3] != 1 {
		t.Errorf("fit %v, though D-002 is held back", fit)
	}
	s.as(access.Viewer).page(t, "/desk/timeline", http.StatusOK).has(".notes li", "Dunmarrow")
	if _, err := desk.RecordHandOut(ctx, who, out.ID, schedule.HandOut{}); err != nil {
		t.Fatal(err)
	}
	s.h.Clock.Set(s.Now().AddDate(0, 0, 5))
	d = s.as(access.Coordinator).page(t, "/desk/timeline", http.StatusOK)
	d.has(".notes li", "Still out with coordinator, due back Thu 5 Mar, 22:00 GMT.")
}

// TestTimelineAcrossAWall shows that something is promised, and not what.
func TestTimelineAcrossAWall(t *testing.T) {
	s := newSite(t)
	_, outside := s.narrow(access.Coordinator)
	d := outside.page(t, "/desk/timeline", http.StatusOK)
	d.has(".block text", "promised")
	d.hasNot("a.block")
	if asked := d.figures(t, "asked for"); asked[7] != 1 {
		t.Errorf("asked for %v: capacity counts what others hold", asked)
	}
}

func TestTimelineTurnsAndRefuses(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Viewer)
	d := b.page(t, "/desk/timeline?from=9+Mar+2026&days=28&depot="+s.depot.ID.String(), http.StatusOK)
	if current := d.text(".views a[aria-current]"); current != "Four weeks" {
		t.Errorf("the view is %q", current)
	}
	want := "/desk/timeline?" + url.Values{"from": {"2026-04-06"}, "days": {"28"}, "depot": {s.depot.ID.String()}}.Encode()
	if hrefs := d.attrs(".strip .end a", "href"); hrefs[2] != want {
		t.Errorf("later leads to %q, want %q", hrefs[2], want)
	}
	for _, bad := range []string{"from=Tue+2+Mar+2026", "days=900", "days=x", "from=1+Jan+2031", "depot=nowhere", "from=" + url.QueryEscape(nasty[0])} {
		b.page(t, "/desk/timeline?"+bad, http.StatusUnprocessableEntity).has(".stop", "This cannot be shown as asked.")
	}
	b.page(t, "/desk/timeline?depot="+ident.ID{1}.String(), http.StatusOK).has(".say p", "There is no kit yet")
}
