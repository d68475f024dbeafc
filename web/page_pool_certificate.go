package web

import (
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// What a certificate with its original may take.
const (
	mostOriginal    = 32 << 20 // bytes of an original
	certificateBody = mostOriginal + 1<<20
	certificateWait = 10 * time.Minute
	mostCertLines   = 200
)

// certRow is one unit on the form of a certificate; its fields are named by the place of the row.
type certRow struct {
	N          int
	Tag, Model string
	Level      bool // a calibrator: its level is certified
	Cells      []certCell
}

// certCell is one field of a row.
type certCell struct {
	Name, Label, Value, Err string
	Options                 []look.Option
	Decimal                 bool
	Max                     int
}

var verdictChoices = []look.Option{{Value: string(fleet.Pass), Text: "pass"}, {Value: string(fleet.Fail), Text: "fail"}, {Value: string(fleet.NotStated), Text: "not stated"}}

// certLinePaths joins the fleet's names of a line with the fields of a row.
var certLinePaths = map[string]string{"unit": "verdict", "verdict": "verdict", "as_found_db": "found", "as_left_db": "left", "level_db": "level",
	"expanded_u_db": "expanded", "coverage_k": "k", "microphone": "microphone", "due": "due"}

func rowField(name string, n int) string { return name + "-" + itoa(n) }

// certificateEntry is the form for the units; without any it asks for them only.
func certificateEntry(f *form, labs []fleet.Laboratory, units []fleet.Unit, models []fleet.Model, upload bool) entryPage {
	p := entryPage{Form: f, Head: "Enter a certificate", Action: "/pool/certificates", Button: "Enter the certificate", Upload: upload,
		Lead: "One document of a laboratory, with a line for each unit it speaks of."}
	if len(labs) == 0 {
		p.Missing, p.MissingWhy = &look.Link{Href: "/pool/laboratories/new", Text: "Enter a laboratory"}, "A certificate is a laboratory’s, and there is none yet."
	}
	first := []look.Field{
		{ID: "number", Label: "Number", Required: true, Max: fleet.MaxName},
		{ID: "laboratory", Label: "Laboratory", Options: options("", labs, func(l fleet.Laboratory) look.Option { return look.Option{Value: l.ID.String(), Text: l.Name} })},
		{ID: "calibrated", Label: "Calibrated on", Class: "day", Required: true, Rule: "Due dates count from this day."},
		{ID: "issued", Label: "Issued on", Class: "day"},
	}
	second := []look.Field{{ID: "note", Label: "Note", Wide: true, Rows: 2, Max: fleet.MaxNote}}
	if upload {
		second = append(second, look.Field{ID: "original", Label: "Original", Type: "file", Rule: "The document as it came, at most " + sizeWords(mostOriginal) + ". It is kept unchanged, by its SHA-256."})
	}
	p.Groups = []fieldGroup{{Fields: first}, {Fields: second}}
	for i, u := range units {
		p.Lines = append(p.Lines, certRowOf(f, i, u, models[i]))
	}
	return p
}

func certRowOf(f *form, n int, u fleet.Unit, m fleet.Model) certRow {
	row := certRow{N: n, Tag: u.Tag, Model: m.Name, Level: m.Kind == fleet.Calibrator}
	cell := func(name, label string, decimal bool) {
		id := rowField(name, n)
		row.Cells = append(row.Cells, certCell{Name: id, Label: label + " of " + u.Tag, Value: f.values.Get(id), Err: f.errs[id], Decimal: decimal, Max: 60})
	}
	cell("verdict", "Verdict", false)
	row.Cells[0].Options = verdictChoices
	cell("found", "As found, dB,", true)
	cell("left", "As left, dB,", true)
	cell("expanded", "Expanded uncertainty, dB,", true)
	cell("k", "Coverage factor", true)
	cell("level", "Certified level, dB,", true)
	if !row.Level {
		row.Cells[5].Name = ""
	}
	cell("microphone", "Microphone", false)
	cell("due", "Last covered day", false)
	return row
}

func (s *Server) newCertificatePage(c echo.Context) error {
	f := newForm(c.QueryParams())
	if !f.values.Has("units") {
		h, err := s.holdings(c)
		if err != nil {
			return err
		}
		f.set("units", ranges(h.bare()))
		return s.showCertificate(c, http.StatusOK, f, nil)
	}
	units, err := s.tagged(c, f, "units")
	if err != nil {
		return err
	}
	if f.ok() && len(units) == 0 {
		f.fail("units", "Name the units that the certificate speaks of.")
	}
	if len(units) > mostCertLines {
		f.fail("units", fmt.Sprintf("These are %d units; at most %d are entered with one form.", len(units), mostCertLines))
	}
	if !f.ok() {
		return s.showCertificate(c, again, f, nil)
	}
	return s.showCertificate(c, http.StatusOK, f, units)
}

// showCertificate shows the question for the units, or the form for them.
func (s *Server) showCertificate(c echo.Context, status int, f *form, units []fleet.Unit) error {
	p, err := s.certificateForm(c, f, units)
	if err != nil {
		return err
	}
	if len(units) == 0 {
		p.Frame = s.frame(c, p.Head, "pool")
		return s.render(c, status, certUnitsView(p))
	}
	return s.showEntry(c, status, p)
}

func (s *Server) certificateForm(c echo.Context, f *form, units []fleet.Unit) (entryPage, error) {
	labs, err := s.Pool.Laboratories(ctx(c), actor(c))
	if err != nil {
		return entryPage{}, err
	}
	models, err := s.modelsOf(c, units)
	return certificateEntry(f, labs, units, models, s.Originals != nil), err
}

// postedUnits are the units of the rows that were sent.
func (s *Server) postedUnits(c echo.Context, f *form) ([]fleet.Unit, error) {
	var tags []string
	for n := range mostCertLines {
		if tag := f.get(rowField("unit", n)); tag != "" {
			tags = append(tags, tag)
		}
	}
	if len(tags) == 0 {
		return nil, nil
	}
	units, err := s.Stock.Tagged(ctx(c), actor(c), tags)
	if e := fault.Of(err); err != nil && e.Kind() == fault.Invalid {
		f.set("units", strings.Join(tags, ", "))
		f.fail("units", firstFew(texts(e)))
		return nil, nil
	}
	return units, err
}

func (s *Server) addCertificate(c echo.Context) error {
	f := posted(c)
	units, err := s.postedUnits(c, f)
	if err != nil {
		return err
	}
	if len(units) == 0 {
		f.fail("units", "Name the units that the certificate speaks of.")
		return s.showCertificate(c, again, f, nil)
	}
	x, err := s.readCertificate(c, f, units)
	if err != nil {
		return err
	}
	if f.ok() {
		x.File = s.putOriginal(c, f)
	}
	if !f.ok() {
		return s.showCertificate(c, again, f, units)
	}
	x, err = s.Pool.EnterCertificate(ctx(c), actor(c), x)
	if err == nil {
		return s.see(c, certificatePath(x.ID), "Certificate "+x.Number+" is entered for "+count(len(x.Lines), "unit", "units")+".")
	}
	p, failed := s.certificateForm(c, f, units)
	if failed != nil {
		return failed
	}
	return s.certificateFailed(c, p, err, units)
}

// certificateFailed shows the form again with the faults of lines in their rows.
func (s *Server) certificateFailed(c echo.Context, p entryPage, err error, units []fleet.Unit) error {
	paths := map[string]string{}
	for n := range units {
		for from, to := range certLinePaths {
			paths[fmt.Sprintf("lines/%d/%s", n, from)] = rowField(to, n)
		}
	}
	for _, at := range fault.Of(err).Fields {
		for n := range p.Lines {
			for i, cell := range p.Lines[n].Cells {
				if cell.Name != "" && mapped(paths, at.Path) == cell.Name && cell.Err == "" {
					p.Lines[n].Cells[i].Err = ended(at.Text)
				}
			}
		}
	}
	return s.entryFailed(c, p, err, paths, nil)
}

func (s *Server) readCertificate(c echo.Context, f *form, units []fleet.Unit) (fleet.Certificate, error) {
	at, err := s.places(c)
	today := s.today(at.zone(units[0].Depot))
	x := fleet.Certificate{Number: f.need("number", "Write the number of the certificate."), Laboratory: f.id("laboratory"),
		Calibrated: f.day("calibrated", today, when.Behind, true), Issued: f.day("issued", today, when.Behind, false), Note: f.get("note")}
	for n, u := range units {
		l := fleet.Line{Unit: u.ID, Verdict: fleet.LabVerdict(f.get(rowField("verdict", n))), AsFoundDB: f.decimal(rowField("found", n)),
			AsLeftDB: f.decimal(rowField("left", n)), LevelDB: f.decimal(rowField("level", n)), ExpandedDB: f.decimal(rowField("expanded", n)),
			Microphone: f.get(rowField("microphone", n)), Due: f.day(rowField("due", n), today, when.Ahead, false)}
		if k := f.decimal(rowField("k", n)); k != nil {
			l.CoverageK = *k
		}
		x.Lines = append(x.Lines, l)
	}
	return x, err
}

// putOriginal stores the document that came along, if any, and gives its hash.
func (s *Server) putOriginal(c echo.Context, f *form) string {
	file := original(c.Request())
	if file == nil || s.Originals == nil {
		return ""
	}
	if file.Size == 0 {
		f.fail("original", "The file is empty; choose the document again.")
		return ""
	}
	r, err := file.Open()
	if err != nil {
		f.fail("original", "The file could not be read; choose it again.")
		return ""
	}
	defer func() { _ = r.Close() }() // read to its end or given up: nothing to lose
	kept, err := s.Originals.Put(ctx(c), actor(c), r, mostOriginal)
	if err != nil {
		f.fail("original", fault.Of(err).Sentence())
		return ""
	}
	return kept.Hash.String()
}

// original is the document of a form, nil when none was chosen.
func original(r *http.Request) *multipart.FileHeader {
	if r.MultipartForm == nil {
		return nil
	}
	for _, file := range r.MultipartForm.File["original"] {
		if file.Filename != "" {
			return file
		}
	}
	return nil
}

// certificatePage shows one certificate with the lines of the units that the account sees.
func (s *Server) certificatePage(c echo.Context) error {
	x, err := s.oneCertificate(c)
	if err != nil {
		return err
	}
	at, err := s.places(c)
	if err != nil {
		return err
	}
	t := teller{at, s.Now(), at.zone(ident.ID{})}
	lab := x.Lines[0].LabName
	p := certPage{Frame: s.frame(c, x.Number, "pool"), Number: x.Number, Properties: []pair{{Key: "Laboratory", Value: lab},
		{Key: "Calibrated", Value: when.Full(x.Calibrated)}}}
	p.Properties = append(p.Properties, given("Issued", when.Full(x.Issued))...)
	p.Properties = append(p.Properties, pair{Key: "Entered", Value: t.moment(x.Entered) + ", " + x.By})
	p.Properties = append(p.Properties, given("Note", x.Note)...)
	p.Lead = "Calibrated on " + when.Full(x.Calibrated) + " by " + lab + "."
	if !x.Superseded.IsZero() {
		p.Wrong = "A later entry corrected this one on " + t.moment(x.Superseded) + "; it counts no longer."
	}
	if x.File != "" && s.Originals != nil && actor(c).Scope.All {
		p.Original, p.Hash = certificatePath(x.ID)+"/original", x.File
	}
	return s.withLines(c, p, x)
}

func (s *Server) withLines(c echo.Context, p certPage, x fleet.Certificate) error {
	for _, l := range x.Lines {
		u, err := s.Stock.UnitOf(ctx(c), actor(c), l.Unit)
		if err != nil {
			return err
		}
		p.Lines = append(p.Lines, certPageLine{Tag: u.Tag, Href: unitPath(u.Tag), certLine: certLine{Due: when.Short(l.Due), Verdict: string(l.Verdict),
			Found: signed(l.AsFoundDB, 2), Left: signed(l.AsLeftDB, 2), Uncertainty: uncertaintyText(l)}, Level: number(l.LevelDB, 2), Microphone: l.Microphone})
	}
	slices.SortFunc(p.Lines, func(a, b certPageLine) int { return fleet.CompareTags(a.Tag, b.Tag) })
	return s.render(c, http.StatusOK, certView(p))
}

func (s *Server) oneCertificate(c echo.Context) (fleet.Certificate, error) {
	id, err := idParam(c, "id", "certificate")
	if err != nil {
		return fleet.Certificate{}, err
	}
	return s.Stock.Certificate(ctx(c), actor(c), id)
}

// certificateOriginal hands out the document as it came, always as a download. It may speak of units of several clients, so
// that only accounts that see every client get it.
func (s *Server) certificateOriginal(c echo.Context) error {
	x, err := s.oneCertificate(c)
	if err != nil {
		return err
	}
	if x.File == "" || s.Originals == nil || !actor(c).Scope.All {
		return fault.New(fault.NotThere, "noun", "original of this certificate")
	}
	hash, err := archive.ParseHash(x.File)
	if err != nil {
		return err
	}
	r, file, err := s.Originals.Get(ctx(c), actor(c), hash)
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }() // only read
	h := c.Response().Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", `attachment; filename="certificate-`+x.ID.String()+`"`)
	h.Set("Content-Length", fmt.Sprint(file.Size))
	c.Response().WriteHeader(http.StatusOK)
	_, err = io.Copy(c.Response(), r)
	return err
}
