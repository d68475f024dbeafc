package web

import (
	"bytes"
	"io"
	"net/http"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/label"
	"kitd/web/look"
)

// labelsPage is the form for a sheet of labels.
type labelsPage struct {
	look.Frame
	Form   *form
	Exact  []string // tags that are no list: each names one unit, whatever characters it holds
	Stocks []look.Option
	Units  []labelRow
	Unread []string // tags with letters that the font of a sheet lacks
}

// labelRow is one unit with its label alone.
type labelRow struct{ Tag, Path, SVG, PNG string }

// labelsPage shows the form, or with a stock sends the sheet: "/labels?tags=D-001..D-010&stock=a4-70x37".
func (s *Server) labelsPage(c echo.Context) error {
	f := newForm(c.QueryParams())
	units, err := s.labelled(c, f)
	if err != nil {
		return err
	}
	stock, known := label.StockOf(f.get("stock"))
	if f.get("stock") != "" && !known {
		f.fail("stock", "Choose one from the list.")
	}
	skip := f.whole("skip", 0, max(stock.PerPage()-1, 0))
	if f.get("stock") != "" && len(units) == 0 {
		f.fail("tags", "Name at least one unit by its tag.")
	}
	if f.ok() && known {
		return s.sendSheet(c, units, stock, skip)
	}
	return s.showLabels(c, f, units)
}

// labelled finds the units of the field of tags, and those that are named one by one.
func (s *Server) labelled(c echo.Context, f *form) ([]fleet.Unit, error) {
	units, err := s.tagged(c, f, "tags")
	exact := f.values["tag"]
	if err != nil || len(exact) == 0 {
		return units, err
	}
	more, err := s.Stock.Tagged(ctx(c), actor(c), exact[:min(len(exact), label.MaxLabels)])
	if e := fault.Of(err); err != nil && e.Kind() == fault.Invalid {
		f.fail("tags", firstFew(texts(e)))
		return units, nil
	}
	return append(units, more...), err
}

// labelsHref is where the label of a unit is printed.
func labelsHref(tag string) string { return "/labels?tag=" + url.QueryEscape(tag) }

func (s *Server) showLabels(c echo.Context, f *form, units []fleet.Unit) error {
	p := labelsPage{Frame: s.frame(c, "Labels", "shelf"), Form: f, Exact: f.values["tag"]}
	for _, x := range label.Stocks() {
		p.Stocks = append(p.Stocks, look.Option{Value: x.Key, Text: x.Name})
	}
	for _, u := range units {
		path := "/units/" + url.PathEscape(u.Tag)
		p.Units = append(p.Units, labelRow{u.Tag, path, path + "/label.svg", path + "/label.png"})
		if !label.Readable(u.Tag) {
			p.Unread = append(p.Unread, u.Tag)
		}
	}
	status := http.StatusOK
	if !f.ok() {
		status = again
	}
	return s.render(c, status, labelsView(p))
}

func (s *Server) sendSheet(c echo.Context, units []fleet.Unit, stock label.Stock, skip int) error {
	labels := make([]label.Label, 0, len(units))
	for _, u := range units {
		l, err := s.labelOf(c, u.Tag)
		if err != nil {
			return err
		}
		labels = append(labels, l)
	}
	var b bytes.Buffer
	if err := label.PDF(&b, labels, stock, skip, s.Now()); err != nil {
		return err
	}
	return download(c, "application/pdf", "labels-"+strconv.Itoa(len(labels))+".pdf", b.Bytes())
}

// labelOf is what stands on the label of a unit: nothing of people, clients or sites.
func (s *Server) labelOf(c echo.Context, tag string) (label.Label, error) {
	span := moment(s.Now())
	v, err := s.Pool.Unit(ctx(c), actor(c), tag, span, span.From)
	if err != nil {
		return label.Label{}, err
	}
	d := v.Dossier
	return label.Label{Tag: d.Unit.Tag, URL: s.absolute(c.Request(), label.Path(d.Unit.Tag)), Model: d.Model.Name, Serial: d.Unit.Serial, Depot: d.Depot.Name,
		Kit: d.KitCode, Ends: v.Verdict.CertEnds}, nil
}

func (s *Server) labelDrawing(c echo.Context) error {
	return s.single(c, "image/svg+xml", "label.svg", label.SVG)
}

func (s *Server) labelImage(c echo.Context) error {
	return s.single(c, "image/png", "label.png", label.PNG)
}

func (s *Server) single(c echo.Context, kind, name string, draw func(io.Writer, label.Label) error) error {
	l, err := s.labelOf(c, param(c, "tag"))
	if fault.Is(err, fault.NotThere) {
		return fault.New(fault.NotThere, "noun", "unit")
	}
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := draw(&b, l); err != nil {
		return err
	}
	return download(c, kind, name, b.Bytes())
}
