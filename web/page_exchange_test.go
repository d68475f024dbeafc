package web

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/exchange"
)

// sendTable sends a form with a file from our own page.
func (b *browser) sendTable(path string, fields map[string]string, field, name string, content []byte) answer {
	b.s.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	fields[formField] = b.token()
	for k, v := range fields {
		if err := w.WriteField(k, v); err != nil {
			b.s.t.Fatal(err)
		}
	}
	part, err := w.CreateFormFile(field, name)
	if err == nil {
		_, err = part.Write(content)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		b.s.t.Fatal(err)
	}
	return b.with("Sec-Fetch-Site", "same-origin").do(http.MethodPost, path, w.FormDataContentType(), &body)
}

// confirming gives the hidden fields of the form that confirms a table.
func confirming(t *testing.T, a answer) url.Values {
	t.Helper()
	form := url.Values{}
	for _, name := range []string{"what", "digest", "table"} {
		found := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(a.text())
		if found == nil {
			t.Fatalf("the page does not offer to take the table in: %.1500s", a.text())
		}
		form.Set(name, strings.ReplaceAll(found[1], "&#43;", "+"))
	}
	return form
}

func TestATableIsShownFirstAndThenTakenIn(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	table := []byte("tag;model;home depot;serial number\nD-001;Wick 2;alder;'=X\nD-100;Wick 2;alder;<script>\n")
	got := b.sendTable("/exchange", map[string]string{"what": "fleet"}, "table", "fleet.csv", table)
	got.want(t, http.StatusOK, "1 to add, 1 to change, 0 unchanged.", "Row 3: unit D-100 is new.", "serial number from &#34;SD-001&#34; to &#34;=X&#34;")
	if after := b.get("/units/D-100"); after.Code != http.StatusNotFound {
		t.Errorf("what was only shown is stored: %d", after.Code)
	}
	form := confirming(t, got)
	b.post("/exchange/confirm", form).wantSeeOther(t, "/exchange")
	b.get("/exchange").want(t, http.StatusOK, "1 added, 1 changed, 0 unchanged.")
	b.get("/units/D-100").want(t, http.StatusOK, "&lt;script&gt;")

	// The same again is another thing by now: it is shown anew, and nothing is stored.
	b.post("/exchange/confirm", form).want(t, http.StatusConflict, "Something changed meanwhile, and nothing was stored.", "0 to add, 0 to change, 2 unchanged.", "on record already")
	form.Set("table", "no base64 here")
	b.post("/exchange/confirm", form).want(t, http.StatusUnprocessableEntity, "did not come back whole")
	form.Del("digest")
	b.post("/exchange/confirm", confirmingWithout(t, form, got)).want(t, http.StatusUnprocessableEntity, "0 to add, 0 to change, 2 unchanged.")
}

// confirmingWithout is the form of the answer without the digest of what was shown.
func confirmingWithout(t *testing.T, form url.Values, a answer) url.Values {
	t.Helper()
	whole := confirming(t, a)
	whole.Del("digest")
	return whole
}

func TestPlacesOfATableAreNamed(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	for name, c := range map[string]struct {
		what, table string
		status      int
		says        []string
	}{
		"cells":    {"fleet", "tag,model,home depot\nD-7,Wick 9,alder\n,Wick 2,alder\n", 422, []string{"Nothing was stored.", "Row 3, column tag: is empty; every row needs it."}},
		"names":    {"fleet", "tag,model,home depot\nD-7,Wick 9,nowhere\n", 422, []string{"Row 2, column model: is &#34;Wick 9&#34;, and there is no such model", "Row 2, column home depot: is &#34;nowhere&#34;"}},
		"columns":  {"certificates", "tag,<b>\nD-001,x\n", 422, []string{"Row 1, column B: is headed &#34;&lt;b&gt;&#34;"}},
		"nothing":  {"fleet", "", 422, []string{"is empty"}},
		"garbage":  {"fleet", "PK\x03\x04 no workbook", 422, []string{"cannot be read as a workbook"}},
		"bookings": {"bookings", "booking\nB-1\n", 422, []string{"given out only"}},
	} {
		got := b.sendTable("/exchange", map[string]string{"what": c.what}, "table", "x.csv", []byte(c.table))
		got.want(t, c.status, c.says...)
		if strings.Contains(got.text(), "Take it in") {
			t.Errorf("%s: a table with faults is offered to be taken in", name)
		}
	}
	b.post("/exchange", url.Values{"what": {"fleet"}}).want(t, http.StatusUnprocessableEntity, "Choose the file first.")
}

func TestTablesAreGivenOutWithinTheWall(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	for _, n := range exchange.Nouns() {
		got := b.get("/exchange/" + string(n) + ".csv")
		got.want(t, http.StatusOK, n.Columns()[0].Name)
		if d := got.Header().Get("Content-Disposition"); !strings.HasPrefix(d, `attachment; filename="`+string(n)+"-2026-") {
			t.Errorf("%s: %q", n, d)
		}
		if book := b.get("/exchange/" + string(n) + ".xlsx"); book.Code != http.StatusOK || !strings.HasPrefix(book.text(), "PK") {
			t.Errorf("%s: no workbook: %d", n, book.Code)
		}
	}
	b.get("/exchange/bookings.csv").want(t, http.StatusOK, "B-1,\"Quillon, second day\",promised,coordinator,QUI,1 dosimeter,alder,alder,2026-")
	b.get("/exchange/checks.csv").want(t, http.StatusOK, "D-001,C-001,before,", "94.1,")
	_, walled := s.narrow(access.Coordinator)
	for _, n := range exchange.Nouns() {
		if got := walled.get("/exchange/" + string(n) + ".csv"); got.Code != http.StatusOK || strings.Contains(got.text(), "Quillon") || strings.Contains(got.text(), "before") {
			t.Errorf("%s across the wall: %d %s", n, got.Code, got.text())
		}
	}
	b.get("/exchange/nonsense.csv").want(t, http.StatusNotFound)
	b.get("/exchange/fleet.exe").want(t, http.StatusNotFound)
	if got := s.as(access.Surveyor).get("/exchange/fleet.csv"); got.Code != http.StatusForbidden {
		t.Errorf("a surveyor gets %d", got.Code)
	}
}

func TestLabelsArePrinted(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Viewer)
	b.get("/labels").want(t, http.StatusOK, "A4, 3 × 8 labels of 70 × 37 mm")
	got := b.get("/labels?tags=" + url.QueryEscape("d-001..D-002, C-001") + "&stock=a4-70x37&skip=2")
	if got.Code != http.StatusOK || !strings.HasPrefix(got.text(), "%PDF-") || !strings.Contains(got.Header().Get("Content-Disposition"), `"labels-3.pdf"`) {
		t.Errorf("got %d, %s, %.200s", got.Code, got.Header().Get("Content-Disposition"), got.text())
	}
	b.get("/units/D-001").want(t, http.StatusOK, `href="/labels?tag=D-001"`)
	b.get("/labels?tag=D-001").want(t, http.StatusOK, `name="tag" value="D-001"`)
	if one := b.get("/labels?tag=D-001&tags=&stock=62x29"); !strings.HasPrefix(one.text(), "%PDF-") {
		t.Errorf("got %d, no PDF", one.Code)
	}
	b.get("/labels?tag=D-999&stock=62x29").want(t, http.StatusUnprocessableEntity, "There is no unit D-999.")
	b.get("/labels?tags=D-001").want(t, http.StatusOK, `href="/units/D-001/label.svg"`)
	b.get("/labels?tags=D-999&stock=62x29").want(t, http.StatusUnprocessableEntity, "There is no unit D-999.")
	b.get("/labels?stock=62x29").want(t, http.StatusUnprocessableEntity, "Name at least one unit")
	b.get("/labels?tags=D-001&stock=a9").want(t, http.StatusUnprocessableEntity, "Choose one from the list.")
	b.get("/labels?tags=D-001&stock=62x29&skip=1").want(t, http.StatusUnprocessableEntity, "from 0 to 0")
	drawing := b.get("/units/d-001/label.svg")
	drawing.want(t, http.StatusOK, "<title>D-001</title>", ">Wick 2<", ">No. SD-001<", ">Alder Yard · K-1<", ">Certified to 11 Jan 2027<")
	for _, person := range []string{"Hazel", "Quillon", "Foundry", "Sam"} {
		if strings.Contains(drawing.text(), person) {
			t.Errorf("the label names %s", person)
		}
	}
	if image := b.get("/units/D-001/label.png"); !strings.HasPrefix(image.text(), "\x89PNG") {
		t.Errorf("got %d, no PNG", image.Code)
	}
	b.get("/units/D-999/label.png").want(t, http.StatusNotFound)
}
