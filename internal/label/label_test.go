package label_test

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/kittest"
	"kitd/internal/label"
)

var made = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

func sample(tag string) label.Label {
	return label.Label{Tag: tag, URL: "https://kits.example.org" + label.Path(tag), Model: "Wick 2", Serial: "S-4711", Depot: "Alder Yard", Kit: "K-1",
		Ends: civil.Date{Year: 2027, Month: 1, Day: 11}}
}

// hard are tags that are legal and unpleasant.
var hard = []string{"D-001", "d 1/2?#%", "Ü-ß", "🎧-7", "مقياس-3", strings.Repeat("W", 40), "<&\"'>", strings.Repeat("界", 40)}

func peer(t *testing.T, program string) {
	t.Helper()
	_, err := exec.LookPath(program)
	kittest.Peer(t, err == nil, program)
}

func scan(t *testing.T, file string) []string {
	t.Helper()
	out, err := exec.Command("zbarimg", "--quiet", "--raw", file).Output()
	if err != nil {
		t.Fatalf("zbarimg %s: %v", filepath.Base(file), err)
	}
	return strings.Fields(string(out))
}

func TestCodesOfImagesAreReadBack(t *testing.T) {
	peer(t, "zbarimg")
	for i, tag := range hard {
		file := filepath.Join(t.TempDir(), fmt.Sprint(i, ".png"))
		var b bytes.Buffer
		if err := label.PNG(&b, sample(tag)); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := scan(t, file); len(got) != 1 || got[0] != sample(tag).URL {
			t.Errorf("%q: read back %q, want %q", tag, got, sample(tag).URL)
		}
	}
}

func TestImagesAreOfTheirSize(t *testing.T) {
	var b bytes.Buffer
	if err := label.PNG(&b, sample("D-001")); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	// 62 mm and 29 mm at 600 dots an inch of 25.4 mm.
	if s := img.Bounds().Size(); s.X != 1465 || s.Y != 685 {
		t.Errorf("%d × %d dots", s.X, s.Y)
	}
}

func TestDrawingsAreWellFormedAndHoldTheText(t *testing.T) {
	for _, tag := range hard {
		var b bytes.Buffer
		if err := label.SVG(&b, sample(tag)); err != nil {
			t.Fatal(err)
		}
		var v struct {
			Title string `xml:"title"`
			Width string `xml:"width,attr"`
			G     struct {
				Texts []string `xml:"text"`
				Rects []struct {
					X float64 `xml:"x,attr"`
					W float64 `xml:"width,attr"`
				} `xml:"rect"`
			} `xml:"g"`
		}
		if err := xml.Unmarshal(b.Bytes(), &v); err != nil {
			t.Fatalf("%q: %v", tag, err)
		}
		if v.Title != tag || v.Width != "62mm" || len(v.G.Rects) < 100 {
			t.Errorf("%q: title %q, width %s, %d rectangles", tag, v.Title, v.Width, len(v.G.Rects))
		}
		want := "Wick 2|No. S-4711|Alder Yard · K-1|Certified to 11 Jan 2027"
		if got := strings.Join(v.G.Texts[1:], "|"); got != want {
			t.Errorf("%q: lines %q, want %q", tag, got, want)
		}
		if strings.Contains(b.String(), "style") || strings.Contains(b.String(), "<script") {
			t.Errorf("%q: the drawing holds style or script", tag)
		}
	}
}

// pages renders a PDF and gives its pages as image files.
func pages(t *testing.T, pdf []byte) []string {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "labels.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "250", "-png", file, filepath.Join(dir, "page")).CombinedOutput(); err != nil || len(out) > 0 {
		t.Fatalf("pdftoppm: %v, says %s", err, out)
	}
	found, err := filepath.Glob(filepath.Join(dir, "page*.png"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestSheetsAreReadBackOnEveryStock(t *testing.T) {
	peer(t, "zbarimg")
	peer(t, "pdftoppm")
	for _, s := range label.Stocks() {
		var all []label.Label
		want := map[string]bool{}
		for i := range min(s.PerPage(), 9) + 1 {
			l := sample(fmt.Sprintf("D-%03d", i))
			all, want[l.URL] = append(all, l), true
		}
		skip := s.PerPage() - len(all) + 1 // the last label goes over to a second page
		var b bytes.Buffer
		if err := label.PDF(&b, all, s, skip, made); err != nil {
			t.Fatal(err)
		}
		files := pages(t, b.Bytes())
		if len(files) != 2 {
			t.Errorf("%s: %d pages, want 2", s.Key, len(files))
		}
		for _, f := range files {
			for _, url := range scan(t, f) {
				delete(want, url)
			}
		}
		if len(want) > 0 {
			t.Errorf("%s: not read back: %v", s.Key, want)
		}
	}
}

func TestSheetsHoldTheText(t *testing.T) {
	peer(t, "pdftotext")
	s, _ := label.StockOf("a4-70x37")
	var b bytes.Buffer
	var all []label.Label
	for _, tag := range hard {
		all = append(all, sample(tag))
	}
	if err := label.PDF(&b, all, s, 0, made); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("pdftotext", "-", "-")
	cmd.Stdin = &b
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"D-001", "Ü-ß", "<&\"'>", "No. S-4711", "Alder Yard · K-1", "Certified to 11 Jan 2027"} {
		if !strings.Contains(string(out), text) {
			t.Errorf("the sheet does not hold %q: %s", text, out)
		}
	}
}

func TestStocksFitTheirPages(t *testing.T) {
	for _, s := range label.Stocks() {
		right := s.Left + float64(s.Columns-1)*s.ColumnPitch + s.LabelWidth
		bottom := s.Top + float64(s.Rows-1)*s.RowPitch + s.LabelHeight
		if right > s.PageWidth+0.01 || bottom > s.PageHeight+0.01 || s.ColumnPitch < s.LabelWidth || s.RowPitch < s.LabelHeight {
			t.Errorf("%s: labels end at %.2f × %.2f on a page of %.1f × %.1f", s.Key, right, bottom, s.PageWidth, s.PageHeight)
		}
	}
}

func TestSheetsAreTheSameEachTime(t *testing.T) {
	s, _ := label.StockOf("a4-63x38")
	var a, b bytes.Buffer
	for _, to := range []*bytes.Buffer{&a, &b} {
		if err := label.PDF(to, []label.Label{sample("D-1"), sample("D-2")}, s, 3, made); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two sheets of the same labels differ")
	}
}

func TestWhatCannotBePrintedIsSaid(t *testing.T) {
	s, _ := label.StockOf("a4-70x37")
	var b bytes.Buffer
	for name, err := range map[string]error{
		"none":     label.PDF(&b, nil, s, 0, made),
		"too many": label.PDF(&b, make([]label.Label, label.MaxLabels+1), s, 0, made),
		"skip":     label.PDF(&b, []label.Label{sample("D-1")}, s, 24, made),
		"too long": label.PNG(&b, label.Label{Tag: "x", URL: strings.Repeat("x", 3000)}),
	} {
		if !fault.Is(err, fault.BadInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if label.Readable("🎧") || label.Readable("مقياس") || !label.Readable("Ü-ß Ж") {
		t.Error("which letters the font has is told wrongly")
	}
}
