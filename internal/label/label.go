// Package label draws the labels that are stuck on units: a QR code that opens the unit, its tag, and until when its certificate
// covers it. A label names no person and no site, because it leaves the house.
package label

import (
	"cmp"
	"fmt"
	"net/url"
	"strings"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"

	"kitd/internal/civil"
)

// Label is what stands on one label. Empty lines are left out.
type Label struct {
	Tag    string
	URL    string // what the QR code opens
	Model  string
	Serial string
	Depot  string
	Kit    string
	Ends   civil.Date // last day the certificate covers; zero: none on the label
}

// Path is what a label's QR code opens, behind the public address of kitd.
func Path(tag string) string { return "/u/" + url.PathEscape(tag) }

// The size of a label for which the layout is made, in millimetres; other sizes are that layout enlarged or reduced.
const (
	Width  = 62.0
	Height = 29.0

	codeSize = 24.0 // the QR code with its quiet zone
	codeLeft = 2.0
	textLeft = 28.0
	textSize = Width - textLeft - 2
)

// Stock is paper that labels are printed on, in millimetres.
type Stock struct {
	Key, Name               string
	PageWidth, PageHeight   float64
	Columns, Rows           int
	Left, Top               float64 // of the first label
	LabelWidth, LabelHeight float64
	ColumnPitch, RowPitch   float64
}

// PerPage is how many labels a page holds.
func (s Stock) PerPage() int { return s.Columns * s.Rows }

// Stocks lists the paper that labels are laid out for, the single label first. Sizes of sheets are common practice, no source.
func Stocks() []Stock {
	return []Stock{
		{Key: "62x29", Name: "Roll, 62 × 29 mm", PageWidth: 62, PageHeight: 29, Columns: 1, Rows: 1, LabelWidth: 62, LabelHeight: 29, ColumnPitch: 62, RowPitch: 29},
		{Key: "a4-70x37", Name: "A4, 3 × 8 labels of 70 × 37 mm", PageWidth: 210, PageHeight: 297, Columns: 3, Rows: 8, Top: 0.5,
			LabelWidth: 70, LabelHeight: 37, ColumnPitch: 70, RowPitch: 37},
		{Key: "a4-63x38", Name: "A4, 3 × 7 labels of 63.5 × 38.1 mm", PageWidth: 210, PageHeight: 297, Columns: 3, Rows: 7, Left: 7.25, Top: 15.15,
			LabelWidth: 63.5, LabelHeight: 38.1, ColumnPitch: 66, RowPitch: 38.1},
		{Key: "letter-67x25", Name: "Letter, 3 × 10 labels of 2⅝ × 1 in", PageWidth: 215.9, PageHeight: 279.4, Columns: 3, Rows: 10, Left: 4.76, Top: 12.7,
			LabelWidth: 66.675, LabelHeight: 25.4, ColumnPitch: 69.85, RowPitch: 25.4},
	}
}

// StockOf finds a stock by its key.
func StockOf(key string) (Stock, bool) {
	for _, s := range Stocks() {
		if s.Key == key {
			return s, true
		}
	}
	return Stock{}, false
}

// canvas is what a label is drawn on, in millimetres of the layout from the upper left corner.
type canvas interface {
	black(x, y, w, h float64)
	text(x, y, points float64, bold bool, s string) // y is the baseline
}

// draw puts the label on a canvas.
func draw(l Label, c canvas) error {
	code, err := encode(l.URL)
	if err != nil {
		return err
	}
	code.draw(c, codeLeft, (Height-codeSize)/2, codeSize)
	y := 8.5
	put := func(points, step float64, bold bool, s string) {
		if s == "" {
			return
		}
		size, fitted := fit(s, points, bold, textSize)
		c.text(textLeft, y, size, bold, fitted)
		y += step
	}
	put(17, 5.2, true, l.Tag)
	put(8, 3.6, false, l.Model)
	if l.Serial != "" {
		put(8, 4.2, false, "No. "+l.Serial)
	}
	put(8, 4.2, false, joined(l.Depot, l.Kit))
	if !l.Ends.IsZero() {
		put(9, 0, true, "Certified to "+day(l.Ends))
	}
	return nil
}

func joined(a, b string) string {
	if a == "" || b == "" {
		return cmp.Or(a, b)
	}
	return a + " · " + b
}

func day(d civil.Date) string {
	return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC).Format("2 Jan 2006")
}

// The fonts, for what is measured and what is drawn.
var (
	regular = parsed(goregular.TTF)
	strong  = parsed(gobold.TTF)
)

func parsed(ttf []byte) *sfnt.Font {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		panic("label: an embedded font cannot be read: " + err.Error())
	}
	return f
}

func fontOf(bold bool) *sfnt.Font {
	if bold {
		return strong
	}
	return regular
}

const (
	missing  = '\u25a1'
	ellipsis = "…"
	perPoint = 25.4 / 72 // millimetres
)

// known writes the text with the letters that the font has; each other one becomes an empty square. Nothing is lost by that: the
// QR code holds the whole tag.
func known(s string) string {
	var buf sfnt.Buffer
	return strings.Map(func(r rune) rune {
		if i, err := regular.GlyphIndex(&buf, r); err != nil || i == 0 {
			return missing
		}
		return r
	}, s)
}

// Readable reports whether the font of PDF and PNG has every letter of the text.
func Readable(s string) bool { return known(s) == s }

// width measures a text in millimetres.
func width(s string, points float64, bold bool) float64 {
	var buf sfnt.Buffer
	f := fontOf(bold)
	sum := fixed.Int26_6(0)
	for _, r := range known(s) {
		i, err := f.GlyphIndex(&buf, r)
		if err != nil {
			continue
		}
		a, err := f.GlyphAdvance(&buf, i, fixed.I(1000), font.HintingNone)
		if err == nil {
			sum += a
		}
	}
	return float64(sum) / 64 / 1000 * points * perPoint
}

// smallest is how small letters become before the text is cut, as a part of their size.
const smallest = 0.6

// fit makes the letters smaller where the text is too wide, and cuts it where that is not enough.
func fit(s string, points float64, bold bool, most float64) (float64, string) {
	w := width(s, points, bold)
	if w <= most {
		return points, s
	}
	if small := points * most / w; small >= points*smallest {
		return small, s
	}
	points *= smallest
	r := []rune(s)
	for len(r) > 1 && width(string(r)+ellipsis, points, bold) > most {
		r = r[:len(r)-1]
	}
	return points, string(r) + ellipsis
}

// scaled draws the layout into a rectangle of another size.
type scaled struct {
	canvas
	left, top, by float64
}

func (s scaled) black(x, y, w, h float64) {
	s.canvas.black(s.left+x*s.by, s.top+y*s.by, w*s.by, h*s.by)
}

func (s scaled) text(x, y, points float64, bold bool, text string) {
	s.canvas.text(s.left+x*s.by, s.top+y*s.by, points*s.by, bold, text)
}

// into places the layout in the middle of a rectangle, as large as it fits.
func into(c canvas, left, top, w, h float64) canvas {
	by := min(w/Width, h/Height)
	return scaled{c, left + (w-Width*by)/2, top + (h-Height*by)/2, by}
}

func mm(v float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.3f", v), "0"), ".")
}
