package static

import (
	"io/fs"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func sheet(t *testing.T) string {
	t.Helper()
	css, err := files.ReadFile("look.css")
	if err != nil {
		t.Fatal(err)
	}
	return string(css)
}

// The contract: style and script together at most 150 KB.
func TestSheetIsSmall(t *testing.T) {
	total := 0
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if strings.HasSuffix(path, ".css") || strings.HasSuffix(path, ".js") {
			info, err := d.Info()
			if err != nil {
				return err
			}
			total += int(info.Size())
		}
		return err
	})
	if err != nil || total == 0 || total > 150<<10 {
		t.Errorf("style and script are %d bytes, %v; at most 150 KB", total, err)
	}
}

// colours reads the palette: name, then light and dark.
func colours(t *testing.T) map[string][2]string {
	t.Helper()
	out := map[string][2]string{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)`).FindAllStringSubmatch(sheet(t), -1) {
		out[m[1]] = [2]string{m[2], m[3]}
	}
	if len(out) != 12 {
		t.Fatalf("%d colours, want 12", len(out))
	}
	return out
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	var sum float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// WCAG 2.2: text 4.5 to 1 (1.4.3), edges of fields and marks 3 to 1 (1.4.11), on every ground they are used on, in both themes.
func TestInksAreReadable(t *testing.T) {
	c := colours(t)
	for _, pair := range []struct {
		ink    string
		least  float64
		ground []string
	}{
		{"ink", 4.5, []string{"paper", "sheet", "wash", "pen-wash", "pencil-wash"}},
		{"soft", 4.5, []string{"paper", "sheet", "wash", "pen-wash", "pencil-wash"}},
		{"pen", 4.5, []string{"paper", "wash", "pen-wash", "pencil-wash"}},
		{"pencil", 4.5, []string{"paper", "wash", "pen-wash", "pencil-wash"}},
		{"on", 4.5, []string{"pen", "pencil"}},
		{"edge", 3, []string{"paper", "sheet", "wash"}},
	} {
		for _, ground := range pair.ground {
			for theme := range 2 {
				if got := contrast(t, c[pair.ink][theme], c[ground][theme]); got < pair.least {
					t.Errorf("%s on %s, theme %d: %.2f to 1, want %.1f", pair.ink, ground, theme, got, pair.least)
				}
			}
		}
	}
}

func TestSheetFetchesNothingFromElsewhere(t *testing.T) {
	for _, m := range regexp.MustCompile(`url\(([^)]*)\)`).FindAllStringSubmatch(sheet(t), -1) {
		if _, err := fs.Stat(files, m[1]); err != nil {
			t.Errorf("the sheet names %s, which is not among the files: %v", m[1], err)
		}
	}
	if strings.Contains(sheet(t), "@import") {
		t.Error("the sheet imports another")
	}
}

func TestHandler(t *testing.T) {
	get := func(path string) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		return w
	}
	for name, kind := range map[string]string{"look.css": "text/css", "marks.svg": "image/svg+xml", "fonts/OFL.txt": "text/plain", "fonts/encode-sans-latin-wdth-normal.woff2": "font/woff2"} {
		got := get(Href(name))
		if got.Code != http.StatusOK || !strings.HasPrefix(got.Header().Get("Content-Type"), kind) || !strings.Contains(got.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d, %v", name, got.Code, got.Header())
		}
	}
	for _, path := range []string{Root, Root + "look.css", Root + "0000000000000000/look.css", Href(""), Href("fonts"), Href("none.css"), Href("../static.go")} {
		if got := get(path); got.Code != http.StatusNotFound {
			t.Errorf("%s: %d, want 404", path, got.Code)
		}
	}
}

func TestMarks(t *testing.T) {
	marks, err := files.ReadFile("marks.svg")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"fit", "notfit", "held", "out", "unknown", "soon", "unread", "below", "reached", "reaches"} {
		if !strings.Contains(string(marks), `<symbol id="`+name+`"`) {
			t.Errorf("there is no mark %q", name)
		}
	}
}
