package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

// entryPage is a form that enters or changes one noun of the pool.
type entryPage struct {
	look.Frame
	Token        string
	Head, Lead   string
	Action       string
	Button       string
	Links        []look.Count // other forms of the same noun
	Form         *form
	Groups       []fieldGroup
	Differs      []differs // what somebody else wrote meanwhile
	Version      bool      // the form carries the version that was looked at
	Back, BackTo string
	Upload       bool // the form carries a file
	Missing      *look.Link
	MissingWhy   string
	Lines        []certRow
}

// fieldGroup is fields under a heading.
type fieldGroup struct {
	Head, Text string
	Fields     []look.Field
}

// differs is a field that reads otherwise by now.
type differs struct{ Label, Now, Yours string }

// showEntry answers with the form.
func (s *Server) showEntry(c echo.Context, status int, p entryPage) error {
	p.Frame, p.Token = s.frame(c, p.Head, "pool"), s.formToken(c)
	if p.Back == "" {
		p.Back, p.BackTo = "Back to the pool", "/pool"
	}
	return s.render(c, status, entryView(p))
}

// usedFields names the field in which a tag, code or name stands that is taken.
var usedFields = map[string]string{"model": "name", "laboratory": "name", "depot code": "code", "kit code": "code", "tag": "tag"}

// entryFailed shows the form again with why nothing was stored, or passes on what no form can mend. fresh fills a form with what
// is stored by now; nil for things that are new.
func (s *Server) entryFailed(c echo.Context, p entryPage, err error, fields map[string]string, fresh func(*form) error) error {
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	p.Form.take(err, fields)
	if e.Code == fault.AlreadyUsed && len(e.Fields) == 0 {
		p.Form.fail(usedFields[e.Args["noun"]], "This one is taken; choose another.")
	}
	if e.Code == fault.BadInput && p.tells() {
		p.Form.stop = "" // its sentence names the place as programs do; the fields say it to people
	}
	if e.Code == fault.Changed && fresh != nil {
		now := newForm(nil)
		if err := fresh(now); err != nil {
			return err
		}
		p.Differs = compared(p.Groups, now, p.Form)
		p.Form.set("version", now.get("version"))
	}
	return s.showEntry(c, statusOf(e), p)
}

// tells reports whether a field of the page says what is wrong.
func (p entryPage) tells() bool {
	for _, g := range p.Groups {
		if slices.ContainsFunc(g.Fields, func(x look.Field) bool { return p.Form.errs[x.ID] != "" }) {
			return true
		}
	}
	return slices.ContainsFunc(p.Lines, func(r certRow) bool {
		return slices.ContainsFunc(r.Cells, func(x certCell) bool { return x.Err != "" })
	})
}

// compared lists the fields that read otherwise in the two forms.
func compared(groups []fieldGroup, now, yours *form) []differs {
	var out []differs
	for _, g := range groups {
		for _, x := range g.Fields {
			if a, b := now.get(x.ID), yours.get(x.ID); a != b {
				out = append(out, differs{x.Label, readsAs(x, a), readsAs(x, b)})
			}
		}
	}
	return out
}

// readsAs is how a field's value reads.
func readsAs(x look.Field, value string) string {
	if i := slices.IndexFunc(x.Options, func(o look.Option) bool { return o.Value == value }); i >= 0 {
		return x.Options[i].Text
	}
	if value == "" {
		return "nothing"
	}
	return value
}

// posted is what a form of the pool was sent with.
func posted(c echo.Context) *form { return newForm(c.Request().PostForm) }

// version is the version that was looked at; one that is no number is none.
func (f *form) version() int { return max(f.whole("version", 0, 1<<30), 0) }

// lower lowers the first letter.
func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// unitsNow asks the shelf about this moment, for any filters.
func (s *Server) unitsNow(c echo.Context, q fleet.ShelfQuery) (fleet.ShelfPage, error) {
	q.Span = moment(s.Now())
	return s.Pool.Shelf(ctx(c), actor(c), q)
}

// tagged resolves a field of tags into units. What is wrong with it is noted beside the field.
func (s *Server) tagged(c echo.Context, f *form, name string) ([]fleet.Unit, error) {
	tags, faults := readTags(f.get(name))
	if len(faults) > 0 {
		f.fail(name, strings.Join(faults, " "))
		return nil, nil
	}
	if len(tags) == 0 {
		return nil, nil
	}
	units, err := s.Stock.Tagged(ctx(c), actor(c), tags)
	if e := fault.Of(err); err != nil && e.Kind() == fault.Invalid {
		f.fail(name, firstFew(texts(e)))
		return nil, nil
	}
	return units, err
}

func texts(e *fault.Error) []string {
	var out []string
	for _, f := range e.Fields {
		out = append(out, ended(f.Text))
	}
	return out
}

// firstFew joins sentences and counts those that are too many to read.
func firstFew(all []string) string {
	if len(all) > 5 {
		return strings.Join(all[:5], " ") + " And " + itoa(len(all)-5) + " more like this."
	}
	return strings.Join(all, " ")
}

func idsOf(units []fleet.Unit) []ident.ID {
	ids := make([]ident.ID, len(units))
	for i, u := range units {
		ids[i] = u.ID
	}
	return ids
}

// done sends on to the pool with what was stored.
func (s *Server) done(c echo.Context, told string) error { return s.see(c, "/pool", told) }

const again = http.StatusUnprocessableEntity
