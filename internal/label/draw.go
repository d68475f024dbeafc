package label

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"kitd/internal/fault"
)

// SVG writes one label as a drawing of 62 × 29 mm.
func SVG(w io.Writer, l Label) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s"><title>`, mm(Width), mm(Height), mm(Width), mm(Height))
	if err := xml.EscapeText(&b, []byte(l.Tag)); err != nil {
		return err
	}
	fmt.Fprintf(&b, `</title><rect width="%s" height="%s" fill="#fff"/><g fill="#000" shape-rendering="crispEdges" font-family="Go, Arial, Helvetica, sans-serif">`, mm(Width), mm(Height))
	if err := draw(l, svgCanvas{&b}); err != nil {
		return err
	}
	b.WriteString("</g></svg>\n")
	_, err := w.Write(b.Bytes())
	return err
}

type svgCanvas struct{ b *bytes.Buffer }

func (c svgCanvas) black(x, y, w, h float64) {
	fmt.Fprintf(c.b, `<rect x="%s" y="%s" width="%s" height="%s"/>`, mm(x), mm(y), mm(w), mm(h))
}

func (c svgCanvas) text(x, y, points float64, bold bool, s string) {
	weight := ""
	if bold {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(c.b, `<text x="%s" y="%s" font-size="%s"%s>`, mm(x), mm(y), mm(points*perPoint), weight)
	_ = xml.EscapeText(c.b, []byte(s)) // a bytes.Buffer takes everything
	c.b.WriteString("</text>")
}

// dots is the resolution of a PNG, in dots an inch.
const dots = 600

// PNG writes one label as an image of 62 × 29 mm at 600 dots an inch.
func PNG(w io.Writer, l Label) error {
	c := pngCanvas{image.NewGray(image.Rect(0, 0, px(Width), px(Height)))}
	for i := range c.img.Pix {
		c.img.Pix[i] = 0xff
	}
	if err := draw(l, c); err != nil {
		return err
	}
	return png.Encode(w, c.img)
}

func px(v float64) int { return int(math.Round(v / 25.4 * dots)) }

type pngCanvas struct{ img *image.Gray }

func (c pngCanvas) black(x, y, w, h float64) {
	for py := px(y); py < px(y+h); py++ {
		for p := px(x); p < px(x+w); p++ {
			c.img.SetGray(p, py, color.Gray{})
		}
	}
}

func (c pngCanvas) text(x, y, points float64, bold bool, s string) {
	face, err := opentype.NewFace(fontOf(bold), &opentype.FaceOptions{Size: points, DPI: dots})
	if err != nil {
		return // only for options out of range, which these are not
	}
	d := font.Drawer{Dst: c.img, Src: image.Black, Face: face, Dot: fixed.P(px(x), px(y))}
	d.DrawString(known(s))
}

// MaxLabels is how many labels are printed at once.
const MaxLabels = 500

// PDF writes labels on a stock. The first `skip` places of the first page stay empty, for sheets that were begun. made is the
// moment written into the file.
func PDF(w io.Writer, labels []Label, s Stock, skip int, made time.Time) error {
	if len(labels) == 0 || len(labels) > MaxLabels {
		return fault.New(fault.BadInput, "what", fmt.Sprintf("these are %d labels; from 1 to %d are printed at once", len(labels), MaxLabels))
	}
	if skip < 0 || skip >= s.PerPage() {
		return fault.New(fault.BadInput, "what", fmt.Sprintf("%d places are to stay empty, and a page has %d; leave fewer empty", skip, s.PerPage()))
	}
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: s.PageWidth, Ht: s.PageHeight}})
	f.SetCatalogSort(true)
	f.SetCreationDate(made.UTC())
	f.SetModificationDate(made.UTC())
	f.SetTitle("Labels", true)
	f.SetAutoPageBreak(false, 0)
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	for i, l := range labels {
		at := (i + skip) % s.PerPage()
		if i == 0 || at == 0 {
			f.AddPage()
		}
		left, top := s.Left+float64(at%s.Columns)*s.ColumnPitch, s.Top+float64(at/s.Columns)*s.RowPitch
		if err := draw(l, into(pdfCanvas{f}, left, top, s.LabelWidth, s.LabelHeight)); err != nil {
			return err
		}
	}
	return f.Output(w)
}

type pdfCanvas struct{ f *fpdf.Fpdf }

func (c pdfCanvas) black(x, y, w, h float64) { c.f.Rect(x, y, w, h, "F") }

func (c pdfCanvas) text(x, y, points float64, bold bool, s string) {
	style := ""
	if bold {
		style = "B"
	}
	c.f.SetFont("go", style, points)
	c.f.Text(x, y, known(s))
}
