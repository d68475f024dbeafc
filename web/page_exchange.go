package web

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/exchange"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/web/look"
)

// Tables gives tables out and takes them in; exchange.Counter says what each does.
type Tables interface {
	Write(ctx context.Context, who access.Actor, n exchange.Noun, book bool, w io.Writer) error
	Try(ctx context.Context, who access.Actor, t *exchange.Table) (fleet.Report, error)
	Take(ctx context.Context, who access.Actor, t *exchange.Table, expect string) (fleet.Report, error)
}

var _ Tables = exchange.Counter{}

// What a table may take: the form with the file, the form that confirms it, and the time for either.
const (
	tableBody   = exchange.MaxFile + 1<<20
	confirmBody = 24 << 20
	tableWait   = 2 * time.Minute
	mostTold    = 200 // lines of what a table would do, and places that have to change
)

// exchangeRoutes give tables out and take them in, and print labels.
func exchangeRoutes() []Route {
	return []Route{
		{Method: "GET", Path: "/exchange", Need: FromCoordinator, Handle: (*Server).exchangePage},
		{Method: "POST", Path: "/exchange", Need: FromCoordinator, Handle: (*Server).tryTable, Body: tableBody, Wait: tableWait},
		{Method: "POST", Path: "/exchange/confirm", Need: FromCoordinator, Handle: (*Server).takeTable, Body: confirmBody, Wait: tableWait},
		{Method: "GET", Path: "/exchange/:file", Need: FromCoordinator, Handle: (*Server).giveTable, Wait: tableWait},
		{Method: "GET", Path: "/labels", Need: AnyAccount, Handle: (*Server).labelsPage},
		{Method: "GET", Path: "/units/:tag/label.svg", Need: AnyAccount, Handle: (*Server).labelDrawing},
		{Method: "GET", Path: "/units/:tag/label.png", Need: AnyAccount, Handle: (*Server).labelImage},
	}
}

// exchangePage is what can be had, the form for what comes in, and what a table would do.
type exchangePage struct {
	look.Frame
	Token   string
	Form    *form
	Tables  []tableRow
	Places  []fault.Field // what has to change in the table
	More    int
	Preview *tablePreview
}

// tableRow is one table that can be had.
type tableRow struct {
	Name, Text string
	CSV, Book  string
	Columns    []exchange.Column
	TakenIn    bool
}

// tablePreview is what a table would do, with the table itself for the form that confirms it.
type tablePreview struct {
	What, Table, Digest string
	Lead                string
	Lines               []string
	More                int
	Nothing             bool // the table says what is on record already
}

var tableTexts = map[exchange.Noun]string{
	exchange.Fleet:        "Every unit with its model, depot, kit and owner.",
	exchange.Certificates: "A row for each unit of each certificate that stands.",
	exchange.Bookings:     "A row for each visit of each booking.",
	exchange.Checks:       "Every field check, before and after.",
}

var tableChoices = []look.Option{{Value: string(exchange.Fleet), Text: "the fleet"}, {Value: string(exchange.Certificates), Text: "certificates"}}

func (s *Server) exchangePage(c echo.Context) error {
	f := newForm(nil)
	f.set("what", c.QueryParam("what"))
	return s.showExchange(c, http.StatusOK, exchangePage{Form: f})
}

func (s *Server) showExchange(c echo.Context, status int, p exchangePage) error {
	p.Frame, p.Token = s.frame(c, "In and out", "pool"), s.formToken(c)
	for _, n := range exchange.Nouns() {
		p.Tables = append(p.Tables, tableRow{Name: capital(string(n)), Text: tableTexts[n], CSV: "/exchange/" + string(n) + ".csv",
			Book: "/exchange/" + string(n) + ".xlsx", Columns: n.Columns(), TakenIn: n.TakenIn()})
	}
	return s.render(c, status, exchangeView(p))
}

// giveTable sends a table: "/exchange/fleet.csv", "/exchange/fleet.xlsx".
func (s *Server) giveTable(c echo.Context) error {
	name, kind, _ := strings.Cut(param(c, "file"), ".")
	types := map[string]string{"csv": "text/csv; charset=utf-8", "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
	if types[kind] == "" || !slices.Contains(exchange.Nouns(), exchange.Noun(name)) {
		return fault.New(fault.NotThere, "noun", "table")
	}
	var b bytes.Buffer
	if err := s.Tables.Write(ctx(c), actor(c), exchange.Noun(name), kind == "xlsx", &b); err != nil {
		return err
	}
	return download(c, types[kind], name+"-"+s.Now().In(account(c).Location()).Format(time.DateOnly)+"."+kind, b.Bytes())
}

// download sends a file to be kept, made to the end before anything is sent.
func download(c echo.Context, kind, name string, content []byte) error {
	h := c.Response().Header()
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	h.Set("Cache-Control", "no-store")
	return c.Blob(http.StatusOK, kind, content)
}

// tryTable reads a table and shows what it would do; nothing is stored.
func (s *Server) tryTable(c echo.Context) error {
	f := posted(c)
	header, err := c.FormFile("table")
	if err != nil || header.Filename == "" {
		f.fail("table", "Choose the file first.")
		return s.showExchange(c, again, exchangePage{Form: f})
	}
	file, err := header.Open()
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }() // read to its end or given up: nothing to lose
	table, err := exchange.Read(exchange.Noun(f.get("what")), file)
	if err != nil {
		return s.tableFailed(c, f, err)
	}
	return s.preview(c, http.StatusOK, f, table)
}

// preview tries the table and shows what it would do.
func (s *Server) preview(c echo.Context, status int, f *form, table *exchange.Table) error {
	report, err := s.Tables.Try(ctx(c), actor(c), table)
	if err != nil {
		return s.tableFailed(c, f, err)
	}
	packed, err := pack(table)
	if err != nil {
		return s.tableFailed(c, f, err)
	}
	p := tablePreview{What: string(table.Noun), Table: packed, Digest: report.Digest, Lines: exchange.Told(report)}
	p.Nothing = len(p.Lines) == 0
	p.Lead = itoa(len(report.Added)) + " to add, " + itoa(len(report.Changed)) + " to change, " + itoa(report.Unchanged) + " unchanged."
	if n := len(p.Lines); n > mostTold {
		p.Lines, p.More = p.Lines[:mostTold], n-mostTold
	}
	return s.showExchange(c, status, exchangePage{Form: f, Preview: &p})
}

// takeTable takes in the table that was shown, if it would still do what was shown.
func (s *Server) takeTable(c echo.Context) error {
	f := posted(c)
	table, err := unpack(exchange.Noun(f.get("what")), f.get("table"))
	if err != nil {
		return s.tableFailed(c, newForm(nil), err)
	}
	if f.get("digest") == "" {
		return s.preview(c, again, newForm(nil), table)
	}
	report, err := s.Tables.Take(ctx(c), actor(c), table, f.get("digest"))
	if fault.Is(err, fault.Changed) {
		now := newForm(nil)
		now.stop = "Something changed meanwhile, and nothing was stored. This is what the table would do now."
		return s.preview(c, http.StatusConflict, now, table)
	}
	if err != nil {
		return s.tableFailed(c, newForm(nil), err)
	}
	return s.see(c, "/exchange", capital(itoa(len(report.Added))+" added, "+itoa(len(report.Changed))+" changed, "+itoa(report.Unchanged)+" unchanged."))
}

// tableFailed shows the form again with every place that has to change, or passes on what no table can mend.
func (s *Server) tableFailed(c echo.Context, f *form, err error) error {
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict && e.Kind() != fault.NotFound {
		return err
	}
	p := exchangePage{Form: f, Places: e.Fields}
	if n := len(p.Places); n > mostTold {
		p.Places, p.More = p.Places[:mostTold], n-mostTold
	}
	if f.stop = e.Sentence(); len(e.Fields) > 0 {
		f.stop = "These places have to change first."
	}
	return s.showExchange(c, statusOf(e), p)
}

// pack writes a table into a form field, so that nothing is kept on the server between what is shown and what is confirmed.
func pack(t *exchange.Table) (string, error) {
	var text, b bytes.Buffer
	if err := t.Text(&text); err != nil {
		return "", err
	}
	z := gzip.NewWriter(&b)
	_, err := z.Write(text.Bytes())
	if err == nil {
		err = z.Close()
	}
	if packed := base64.StdEncoding.EncodeToString(b.Bytes()); err == nil && text.Len() <= exchange.MaxFile && len(packed) <= confirmBody/2 {
		return packed, nil
	}
	if err != nil {
		return "", err
	}
	return "", fault.New(fault.TooLarge, "noun", "table", "limit", "a page; split it, or use kitd import")
}

// unpack reads what pack wrote. Whatever it unpacks to, exchange.Read reads no more than its limit.
func unpack(n exchange.Noun, packed string) (*exchange.Table, error) {
	raw, err := base64.StdEncoding.DecodeString(packed)
	if err != nil {
		return nil, fault.New(fault.BadInput, "what", "the table did not come back whole; choose the file again").Because(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		return nil, fault.New(fault.BadInput, "what", "the table did not come back whole; choose the file again").Because(err)
	}
	return exchange.Read(n, z)
}
