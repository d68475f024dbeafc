package web

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"
	"golang.org/x/net/html"

	"kitd/web/look"
)

// Texts that must reach a reader as they were typed, and nothing else.
var nasty = []string{
	`<script>alert(1)</script>`, `=cmd()|' /C calc'!A0`, "Ωλ 🎧 звук", "מדידת רעש", `"><img src=x onerror=alert(1)>`,
	strings.Repeat("long name ", 20), strings.Repeat("x", 200),
}

var sampleNow = time.Date(2026, 11, 24, 8, 10, 0, 0, time.UTC)

func sampleFrame(title, screen string) look.Frame {
	var screens []look.Screen
	for _, n := range []string{"Shelf", "Desk", "Surveys", "Returns", "Results"} {
		screens = append(screens, look.Screen{Key: strings.ToLower(n), Name: n, Href: "/" + strings.ToLower(n)})
	}
	return look.Frame{Title: title, Screen: screen, Screens: screens, Who: "Ida Vorrel, coordinator", Place: "Harrow Lane and Quern Street", Now: "Tue 24 Nov 2026, 08:10 GMT"}
}

func sampleStrip() look.Strip {
	first := time.Date(2026, 11, 23, 0, 0, 0, 0, time.UTC)
	day := func(n float64) time.Time { return first.Add(time.Duration(n * 24 * float64(time.Hour))) }
	return look.Strip{
		First: first, Now: sampleNow, Ends: day(40), Due: day(25),
		Base:   []look.Stretch{{From: day(0), To: day(3), Fit: true}, {From: day(3), To: day(9)}, {From: day(9), To: day(40), Fit: true}, {From: day(40), To: day(56)}},
		Blocks: []look.Block{{From: day(12), To: day(15), FootFrom: day(11.5), FootTo: day(15.5)}, {From: day(3), To: day(9), Laboratory: true}},
		Words:  "Fit until 25 November; at the laboratory 26 November to 1 December; promised 5 to 7 December; certificate ends 2 January.",
	}
}

func sampleRow(tag, state string, why ...string) shelfRow {
	return shelfRow{Tag: tag, Href: "/units/" + tag, Model: "Wick 2", Kit: "K-05", KitHref: "/kits/K-05", Where: "Quern Street", State: state, Why: why,
		Ends: "14 Mar 2027", FullBy: "15 Dec", Strip: sampleStrip(), EndsLook: state == "due soon"}
}

func sampleShelf() shelfPage {
	f := newForm(nil)
	f.set("from", "Tue 24 Nov 2026")
	f.set("to", "Wed 25 Nov 2026")
	return shelfPage{
		Frame: sampleFrame("Shelf", "shelf"), Lead: "3 of 7 units are fit", Rest: "for Tue 24 Nov to Wed 25 Nov. 4 need a person.",
		Counts: []look.Count{{N: 7, Word: "all", Href: "/shelf", Chosen: true}, {N: 3, Word: "fit", Mark: "fit", Href: "/shelf?state=fit"},
			{N: 1, Word: "held back", Mark: "held", Href: "/shelf?state=held"}, {N: 1, Word: "not fit", Mark: "notfit", Href: "/shelf?state=not-fit"}, {N: 1, Word: "unread data", Mark: "unread", Href: "/shelf?state=unread"}, {N: 1, Word: "unknown", Mark: "unknown", Href: "/shelf?state=unknown"}, {N: 1, Word: "due soon", Mark: "soon", Href: "/shelf?state=due-soon"}, {N: 1, Word: "out", Mark: "out", Href: "/shelf?state=out"}},
		Form: f, Depots: []look.Option{{Value: "", Text: "all"}, {Value: "harrow", Text: "Harrow Lane"}}, Kinds: []look.Option{{Value: "", Text: "all"}, {Value: "dosimeter", Text: "dosimeter"}},
		Rows: []shelfRow{
			sampleRow("C-003", "held back", "Held back since Thu 12 Nov by i.vorrel: found 0.72 dB too loud.", "Not full."),
			sampleRow("D-022", "unread data", "Return of the wear that ended Fri 20 Nov, 15:02 GMT is not accepted."),
			sampleRow("D-014", "not fit", "Certificate ended Thu 19 Nov."), sampleRow("N-2", "unknown", "No power record since Tue 24 Nov, 03:10 GMT; look at it."),
			sampleRow("D-031", "due soon"), sampleRow("D-005", "out", "Out with T. Osk; back Thu 26 Nov, 18:00 GMT."), sampleRow("D-001", "fit"),
		},
		First: 1, Total: 7, Book: "/desk/new?from=2026-11-24", Head: sampleStrip(), Days: "Tue 24 Nov to Wed 25 Nov",
	}
}

func sampleUnit() unitPage {
	f := newForm(nil)
	f.set("from", "Tue 24 Nov 2026")
	f.set("to", "Wed 25 Nov 2026")
	act := newForm(nil)
	act.set("what", "held")
	act.fail("reason", "Say why it is held back.")
	options := []look.Option{{Value: "1", Text: "Harrow Lane"}, {Value: "2", Text: "Quern Street"}}
	return unitPage{
		Frame: sampleFrame("D-014", "shelf"), Token: "t", Tag: "D-014", Path: "/units/D-014", State: "not fit", Lead: "for Tue 24 Nov to Wed 25 Nov.",
		Rest: "Certificate ended Thu 19 Nov.", Form: f, Act: act, Days: "Tue 24 Nov to Wed 25 Nov", Book: "/desk/new?unit=D-014",
		Guards: []guard{
			{Fails: true, Mark: "notfit", Text: "Certificate ended Thu 19 Nov.", Clears: "Clears Fri 11 Dec, 12:00 GMT.", Evidence: []look.Link{{Href: "#certificates", Text: "KL-2025-0991"}}},
			{Mark: "fit", Text: "Full.", Clears: "Full charge due 12 Dec."},
		},
		Contra: []string{"Two places at once, Fri 20 Nov, 09:00 GMT: out and in depot."}, Strip: sampleStrip(),
		Properties:   []pair{{Key: "Model", Value: "Wick 2, Tarn & Fell"}, {Key: "Serial", Value: "04181131"}, {Key: "Kit", Value: "K-02", Href: "/kits/K-02"}},
		Certificates: []certLine{{Number: "KL-2025-0991", Laboratory: "Kestle Laboratory", Calibrated: "20 Nov 2025", Due: "19 Nov 2026", Verdict: "pass", Found: "+0.12", Left: "0.00", Uncertainty: "0.20 (k 2)", Entered: "Mon 24 Nov 2025, 10:00 GMT by i.vorrel", Covers: true, Extended: true}},
		Records: []record{
			{ID: "a", Occurred: "Mon 23 Nov, 16:12 GMT", What: "Taken off charge, full", By: "i.vorrel", Entered: "Mon 23 Nov, 16:13 GMT"},
			{ID: "b", Occurred: "Fri 20 Nov, 15:02 GMT", What: "Worn, 480 minutes", Note: "hung beside a grinder", By: "n.faye", Entered: "Mon 23 Nov, 08:00 GMT", Late: true},
			{ID: "c", Occurred: "Fri 20 Nov, 15:02 GMT", What: "Held back: dropped", By: "n.faye", Entered: "Mon 23 Nov, 08:00 GMT", Retracted: true},
		},
		Promises: []promise{{Span: "Mon 7 Dec, 08:00 to Wed 9 Dec, 17:00 GMT", Label: "B-17", Href: "/bookings/1"}},
		Books:    true, Keeps: true, Chargeable: true, HoldsData: true, Wrong: options, Holds: options, Chargers: options, Depots: options, Laboratories: options, NeedsCertificate: true, Unread: true, Today: "Tue 24 Nov 2026", Clock: "08:10", LevelWanted: true,
	}
}

func sampleKit() kitPage {
	f := newForm(nil)
	return kitPage{
		Frame: sampleFrame("K-05", "shelf"), Token: "t", Code: "K-05", Path: "/kits/K-05", State: "held back", Lead: "for Tue 24 Nov.", Rest: "D-017 is held back.", Form: f, Days: "Tue 24 Nov",
		Book: "/desk/new?kit=K-05", Rows: sampleShelf().Rows[:4], Head: sampleStrip(), Past: []member{{Tag: "D-009", Href: "/units/D-009", From: "1 Feb 2026", To: "3 Jun 2026"}},
		CalendarURL: "https://kit.example.org/caldav/kits/K-05/", Bookings: []promise{{Span: "Mon 7 Dec, 08:00 to Wed 9 Dec, 17:00 GMT", Label: "B-17", Href: "/bookings/1"}},
		Properties: []pair{{Key: "Depot", Value: "Quern Street"}}, Keeps: true, Spare: []look.Option{{Value: "1", Text: "D-040"}}, Present: []look.Option{{Value: "2", Text: "D-017"}},
	}
}

func sampleDesk() deskPage {
	return deskPage{
		Frame: sampleFrame("Desk", "desk"), Lead: "One promise will not stand without somebody.", Rest: "B-19 lost D-017.", Form: newForm(nil),
		Kits: []look.Option{{Text: "all"}}, States: []look.Option{{Text: "all that stand"}}, Books: true, Earlier: "/desk?from=1", Later: "/desk?from=2",
		Days: []deskDay{
			{Day: "Tue 24 Nov, today", Bookings: []deskLine{{Number: "B-12", Href: "/bookings/2", Title: "Bracken Forge", When: "Tue 24 Nov, 07:00 to Thu 26 Nov, 18:00 GMT", What: "kit K-01", Units: "D-005, D-006, C-002", For: "t.osk", State: "out"}}},
			{Day: "Mon 7 Dec", Bookings: []deskLine{{Number: "B-17", Href: "/bookings/1", Title: "Quillon Castings", When: "Mon 7 Dec, 08:00 to Wed 9 Dec, 17:00 GMT", What: "4 dosimeters and a calibrator", Units: "D-001, D-002, D-003, D-004, C-001", For: "n.faye", State: "promised"}, {Number: "B-19", Href: "/bookings/3", Title: "Dunmarrow", When: "Mon 7 Dec, 08:00 to Wed 9 Dec, 17:00 GMT", What: "kit K-05", Units: "D-017, C-007", For: "r.amsel", State: "at risk"}}},
		},
	}
}

func sampleWish() wishPage {
	f := newForm(nil)
	f.set("title", "Cobble Hill")
	f.set("ask", "dosimeters")
	f.set("dosimeters", "6")
	f.set("from", "Tue 8 Dec 2026")
	f.fail("to", "The end is not after the start; choose a later end.")
	o := []look.Option{{Value: "", Text: "–"}, {Value: "1", Text: "Harrow Lane"}}
	return wishPage{
		Frame: sampleFrame("Ask for a kit", "desk"), Token: "t", Head: "Ask for a kit", Action: "/desk/new", Button: "Book it", Lead: "Say what is wanted and when.",
		Form: f, Kits: o, Depots: o, Surveys: o, Clients: o,
		Refused: &refused{Text: "6 dosimeters from Tue 8 Dec to Sat 12 Dec cannot be promised: 3 can be had.", Reasons: []unitWhy{{Tag: "D-017", Href: "/units/D-017", Reasons: []string{"Held back since Thu 19 Nov.", "Not full."}}, {Tag: "D-031", Href: "/units/D-031", Reasons: []string{"Certificate ends Fri 4 Dec, inside the interval."}}},
			Ways: []look.Link{{Href: "/desk/new?from=1", Text: "6 dosimeters from Mon 14 Dec 08:00 to Fri 18 Dec 17:00"}, {Href: "/desk/new?n=3", Text: "3 dosimeters at the days asked for"}}},
	}
}

func sampleBooking() bookingPage {
	act := newForm(nil)
	act.set("what", "hand-out")
	act.set("day", "Mon 7 Dec 2026")
	act.set("clock", "07:00")
	return bookingPage{
		Frame: sampleFrame("B-17", "desk"), Token: "t", Number: "B-17", Path: "/bookings/1", Title: "B-17 Quillon Castings", State: "promised", Lead: "4 dosimeters and a calibrator,",
		Rest: "Mon 7 Dec, 08:00 to Wed 9 Dec, 17:00 GMT, for n.faye.", Version: "3", Properties: []pair{{Key: "For", Value: "n.faye"}, {Key: "Depot", Value: "Harrow Lane"}},
		Units: []deskUnit{{Tag: "D-001", Href: "/units/D-001", Kind: "dosimeter", State: "fit"}, {Tag: "D-014", Href: "/units/D-014", Kind: "dosimeter", State: "not fit", Why: "Not full; on charge, full Tue 24 Nov, 12:06 GMT."}, {Tag: "C-001", Href: "/units/C-001", Kind: "calibrator", State: "fit"}},
		Act:   act, Guards: []unitWhy{{Tag: "D-014", Href: "/units/D-014", Reasons: []string{"Not full; on charge, full Tue 24 Nov, 12:06 GMT."}}},
		CanMove: true, CanHandOut: true, CanCheckIn: true, CanCancel: true, Depots: []look.Option{{Value: "1", Text: "Harrow Lane"}}, Today: "Mon 7 Dec 2026", Clock: "07:00", Actor: "Ida Vorrel",
	}
}

func samplePlot() *look.Plot {
	from := time.Date(2026, 11, 18, 7, 2, 0, 0, time.UTC)
	p := &look.Plot{Title: "Level and dose, Alder 7, Wed 18 Nov", Words: "Levels between 66 and 100 dB(A). 12:34 to 12:58 is left out. Equivalent level 88.1 dB.", From: from, To: from.Add(485 * time.Minute), Step: time.Minute,
		LevelName: "dB(A), equivalent level of each minute; heavy line: of the wear", LAeq: 88.1, Limits: []look.Limit{{DB: 80, Text: "80"}, {DB: 85, Text: "85"}, {DB: 87, Text: "87"}},
		DoseName: "dose so far, % of 85 dB over 8 h", Excluded: []look.Excluded{{From: from.Add(332 * time.Minute), To: from.Add(356 * time.Minute), Letter: "a"}}}
	dose := 0.0
	for i := range 485 {
		at := from.Add(time.Duration(i) * time.Minute)
		db := 84 + 9*math.Sin(float64(i)/31) + 4*math.Sin(float64(i)*1.7)
		p.Levels = append(p.Levels, look.Level{At: at, DB: db})
		dose += math.Pow(10, (db-85)/10) / 480 * 100
		p.Dose = append(p.Dose, look.Point{At: at, Value: dose})
	}
	p.Peak, p.PeakText = &look.Point{At: from.Add(150 * time.Minute), Value: 131.4}, "peak 131.4 dB(C), 09:32"
	return p
}

func sampleResult() resultPage {
	return resultPage{
		Frame: sampleFrame("Result R-417", "results"), Head: "Alder 7, fettlers, Sallow Quay Foundry", Lead: "The day is 87.4 dB(A), at or above the upper action value of 85 dB(A).", Rest: "The expanded uncertainty is 3.3 dB, one-sided 95 %.",
		Figures: []figure{{Lead: true, Name: "Daily exposure, L", Sub: "EX,8h", Value: "87.4", Unit: "dB(A)"}, {Name: "Expanded uncertainty U", Value: "3.3", Unit: "dB"}, {Name: "Highest peak", Value: "131.4", Unit: "dB(C)"}, {Name: "Energy", Value: "1.77", Unit: "Pa²h"}},
		Profiles: []profileVerdicts{{Name: "eu-2003-10, edition of 26 Jul 2019", Rows: []verdictRow{
			{Limit: "Lower action value", Rule: "at or above (≥) 80 dB(A)", Found: "87.4", Range: "84.1 to 90.7", Mark: "reached", Word: "at or above"},
			{Limit: "Upper action value", Rule: "at or above (≥) 85 dB(A)", Found: "87.4", Range: "84.1 to 90.7", Mark: "reaches", Word: "at or above; within uncertainty"},
			{Limit: "Limit value, at the ear", Rule: "above (>) 87 dB(A)", Found: "–", Range: "–", Mark: "unknown", Word: "not assessable"},
			{Limit: "Peak, upper action value", Rule: "at or above (≥) 137 dB(C)", Found: "131.4", Range: "–", Mark: "below", Word: "below"}}}},
		Flags: []string{"One measured day: the spread between days is not in the uncertainty. ISO 9612 (11.3) asks for three full days."},
		Plot:  samplePlot(), PlotHead: "Wear of D-012, Wed 18 Nov, 07:02 to 15:07 GMT", Exclusions: []exclusionNote{{"a", "12:34 to 12:58, left out by r.amsel: the vest hung beside a grinder."}},
		Doses:  []doseRow{{Profile: "us-osha-hc", Dose: "61.0", Projected: "60.4", Shift: "61.0", TWA: "86.4", Lavg: "86.4"}},
		Budget: []budgetRow{{"Instrument, personal dosimeter", "u₂ 1.50", "1", "1.50"}, {"Where the microphone sits", "u₃ 1.00", "1", "1.00"}}, BudgetFoot: []pair{{Key: "Combined standard uncertainty", Value: "1.80"}, {Key: "Expanded, U = 1.65 u, one-sided 95 %", Value: "2.97"}},
		Values: []pair{{Key: "LAeq", Value: "88.1 dB(A)"}, {Key: "L10, L50, L90", Value: "91.0, 86.4, 71.3 dB(A)"}}, Hash: strings.Repeat("9f2c41d0", 8),
		Chain:  []look.Step{{Head: "Result R-417", Text: "computed 20 Nov 2026, 09:31 GMT"}, {Head: "Return 17", Href: "/returns/1", Text: "29,100 levels of 1 s"}, {Head: "Checks with C-001", Text: "difference 0.7, allowed 0.5 dB", Look: true}},
		Stands: []string{"Both certificates covered the day."}, Replaces: "R-417 replaces nothing.",
	}
}

func sampleWear() wearPage {
	return wearPage{
		Frame: sampleFrame("Wear", "surveys"), Token: "t", Head: "D-012 on Alder 7", Path: "/wears/1", Lead: "Stopped after 8 h 5 min.", Rest: "The after check comes next.", Tag: "D-012",
		Steps: []step{{Name: "before", Past: true}, {Name: "worn", Past: true}, {Name: "after", Now: true}, {Name: "return"}, {Name: "result"}}, Open: "after", Books: true,
		Properties: []pair{{Key: "Shoulder", Value: "right"}}, Checks: []checkRow{{"before", "Wed 18 Nov, 06:44 GMT", "C-001", "114.0", "113.8", "114.0", "n.faye"}},
		Drift: "0.7 dB between the checks.", DriftLimits: []driftRow{{"iso-9612", "0.5", "ISO 9612:2009, 12.2", false}, {"us-osha-hc", "1", "common practice", true}}, Flags: []string{"There is no field check after the wear."},
		Calibrators: []look.Option{{Value: "1", Text: "C-001, 114.0 dB"}}, Today: "Wed 18 Nov 2026", Clock: "15:09",
	}
}

func sampleReturn() returnPage {
	return returnPage{
		Frame: sampleFrame("Return 17", "returns"), Token: "t", Head: "Return 17", Path: "/returns/1", State: "asks", Lead: "Two wears share time with it.", Rest: "Choose the one it belongs to.", Version: "1",
		Properties: []pair{{Key: "File", Value: nasty[5]}}, Flags: []string{"The measurement and the wear record differ by 3 minutes."}, Asks: true, CanDecide: true, Actor: "Ida Vorrel",
		Candidates: []candidateRow{{Wear: "1", Href: "/wears/1", Tag: "D-012", When: "Wed 18 Nov, 07:02 to 15:07 GMT", Shared: "8 h 4 min"}, {Wear: "2", Href: "/wears/2", Tag: "D-011", When: "Wed 18 Nov, 07:00 to 15:00 GMT", Shared: "7 h 58 min", Note: "another unit"}},
	}
}

func sampleViews() map[string]templ.Component {
	f := newForm(nil)
	survey := surveyPage{Frame: sampleFrame("S-12", "surveys"), Token: "t", Title: "S-12 Sallow Quay Foundry", Path: "/surveys/1", Lead: "One of two wears has its result.", Books: true, BookKit: "/desk/new?survey=1", Today: "Wed 18 Nov 2026",
		Properties: []pair{{Key: "Client", Value: "Sallow Quay"}}, Groups: []look.Option{{Text: "–"}, {Value: "1", Text: "fettlers"}},
		Days: []workerDayRow{{ID: "1", Worker: "Alder 7", Date: "Wed 18 Nov", Shift: "8 h shift.", Group: "fettlers", Gaps: "Time not measured: same.", Wears: []wearRow{{Href: "/wears/1", Unit: "D-012", When: "07:02 to 15:07 GMT", State: "return accepted", Result: "R-417", ResultHref: "/results/1"}}}, {ID: "2", Worker: "Alder 9", Date: "Thu 19 Nov"}}}
	return map[string]templ.Component{
		"shelf": shelfView(sampleShelf()), "unit": unitView(sampleUnit()), "kit": kitView(sampleKit()), "desk": deskView(sampleDesk()), "wish": wishView(sampleWish()),
		"booking": bookingView(sampleBooking()), "result": resultView(sampleResult()), "wear": wearView(sampleWear()), "return": returnView(sampleReturn()), "survey": surveyView(survey),
		"surveys":     surveysView(surveysPage{Frame: sampleFrame("Surveys", "surveys"), Lead: "Two surveys.", Books: true, Rows: []surveyRow{{"S-12", "/surveys/1", "Sallow Quay Foundry", "Sallow Quay", "Foundry", "17 to 19 Nov", "eu-2003-10, us-osha-hc"}}}),
		"survey-form": surveyFormView(surveyForm{Frame: sampleFrame("A new survey", "surveys"), Token: "t", Form: f, Clients: []look.Option{{Text: "–"}, {Value: "1", Text: "Sallow Quay"}}, Sites: []look.Option{{Text: "–"}, {Value: "1", Text: "Foundry"}}, Keeps: true, Profiles: []profileTick{{"eu-2003-10", "Directive 2003/10/EC", true}, {"us-niosh", "NIOSH 98-126", false}}}),
		"returns":     returnsView(returnsPage{Frame: sampleFrame("Returns", "returns"), Token: "t", Lead: "One return asks which wear it is.", Form: f, Books: true, Rows: []returnRow{{"17", "/returns/1", nasty[5], "Wed 18 Nov, 16:20 GMT", "D-012", "Wed 18 Nov, 07:02 to 15:07 GMT", "accepted"}}}),
		"results":     resultsView(resultsPage{Frame: sampleFrame("Results", "results"), Lead: "One result.", Rows: []resultRow{{"R-417", "/results/1", "Alder 7, Sallow Quay", "Wed 18 Nov", "87.4", "131.4", "at or above 85 dB(A)", "reached", "20 Nov"}}}),
		"shelf-empty": shelfView(shelfPage{Frame: sampleFrame("Shelf", "shelf"), Lead: "There is no unit here yet.", Form: f, Head: sampleStrip()}),
	}
}

func rendered(t *testing.T, c templ.Component) string {
	t.Helper()
	var b bytes.Buffer
	if err := c.Render(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The limits of the contract: a page of at most 200 KB, no inline style or script, each field with a label, each id once, each
// table with heads, no picture without words.
func TestEveryViewKeepsTheRulesOfPages(t *testing.T) {
	for name, view := range sampleViews() {
		body := rendered(t, view)
		if dir := os.Getenv("KITD_VIEWS"); dir != "" {
			if err := os.WriteFile(filepath.Join(dir, name+".html"), []byte(body), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if len(body) > 200<<10 {
			t.Errorf("%s: %d bytes, at most 200 KB are allowed", name, len(body))
		}
		checkPage(t, name, body)
	}
}

func checkPage(t *testing.T, name, body string) {
	t.Helper()
	d := parsed(t, body)
	ids := map[string]bool{}
	for n := range d.root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		checkElement(t, name, d, n)
		if id, given := attrOf(n, "id"); given {
			if ids[id] {
				t.Errorf("%s: the id %q stands twice", name, id)
			}
			ids[id] = true
		}
	}
	if n := len(d.all("h1")); n != 1 {
		t.Errorf("%s: %d first-level headings", name, n)
	}
	if n := len(d.all(".press")); n > 3 {
		t.Errorf("%s: %d solid buttons compete", name, n)
	}
}

func checkElement(t *testing.T, name string, d document, n *html.Node) {
	t.Helper()
	if n.Data == "script" || n.Data == "style" {
		t.Errorf("%s: <%s> is forbidden by the policy", name, n.Data)
	}
	for _, a := range n.Attr {
		if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
			t.Errorf("%s: <%s %s=…> is forbidden by the policy", name, n.Data, a.Key)
		}
	}
	switch n.Data {
	case "input", "select", "textarea":
		if !labelled(d, n) {
			id, _ := attrOf(n, "name")
			t.Errorf("%s: the field %q has no label", name, id)
		}
	case "svg":
		_, hidden := attrOf(n, "aria-hidden")
		_, label := attrOf(n, "aria-label")
		_, by := attrOf(n, "aria-labelledby")
		if !hidden && !label && !by {
			t.Errorf("%s: a drawing has no words", name)
		}
	case "form":
		method, _ := attrOf(n, "method")
		if method == "post" && !strings.Contains(fmt.Sprint(names(n)), formField) {
			t.Errorf("%s: a form lacks its token", name)
		}
	}
}

func names(form *html.Node) []string {
	var out []string
	for n := range form.Descendants() {
		if v, given := attrOf(n, "name"); given {
			out = append(out, v)
		}
	}
	return out
}

func labelled(d document, n *html.Node) bool {
	if kind, _ := attrOf(n, "type"); kind == "hidden" {
		return true
	}
	for p := n.Parent; p != nil; p = p.Parent {
		if p.Data == "label" {
			return true
		}
	}
	id, _ := attrOf(n, "id")
	return id != "" && len(d.all("label[for="+id+"]")) > 0
}
