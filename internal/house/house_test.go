// Package house holds the tests that keep the plan of the house: who may import whom, what storage code must not use, and how
// large functions and files may grow.
package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const root = "../.."

type source struct {
	path    string // slash-separated, from the root of the module
	pkg     string // directory of path
	file    *ast.File
	fset    *token.FileSet
	text    []byte
	imports []string
}

func (s source) test() bool      { return strings.HasSuffix(s.path, "_test.go") }
func (s source) generated() bool { return strings.HasSuffix(s.path, "_templ.go") }

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == ".git" || d.Name() == ".ci" || d.Name() == "node_modules") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") {
			return nil
		}
		all = append(all, parse(t, path))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 20 {
		t.Fatalf("found only %d Go files: the walk starts in the wrong place", len(all))
	}
	return all
}

func parse(t *testing.T, path string) source {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, path, text, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	rel, err := filepath.Rel(root, path)
	if err != nil {
		t.Fatal(err)
	}
	s := source{path: filepath.ToSlash(rel), file: file, fset: fset, text: text}
	s.pkg = filepath.ToSlash(filepath.Dir(rel))
	for _, im := range file.Imports {
		name, err := strconv.Unquote(im.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		s.imports = append(s.imports, name)
	}
	return s
}

// pure lists the domain packages and what they stand on, with the kitd packages each may import.
var pure = map[string][]string{
	"internal/ident":    {},
	"internal/civil":    {},
	"internal/fault":    {},
	"internal/access":   {"ident", "fault", "civil", "trail"},
	"internal/trail":    {"ident", "fault"},
	"internal/archive":  {"ident", "fault", "access"},
	"internal/fleet":    {"ident", "civil", "fault", "access", "trail"},
	"internal/schedule": {"ident", "civil", "fault", "access", "trail", "fleet"},
	"internal/agenda":   {"ident", "civil", "fault", "access", "trail", "fleet", "schedule"},
	"internal/exposure": {"ident", "civil", "fault", "access", "trail"},
	"internal/planning": {"fault"},
	"internal/survey":   {"ident", "civil", "fault", "access", "trail", "fleet", "schedule", "exposure", "archive"},
	"internal/notify":   {"ident", "civil", "fault", "access", "trail", "fleet", "schedule", "exposure", "survey"},
	"internal/itip":     {"ident", "civil", "fault", "access", "trail", "fleet", "schedule", "notify", "archive", "ical"},
}

// heavy names the libraries that the domain never touches.
var heavy = []string{"gorm.io/", "github.com/labstack/", "github.com/emersion/go-ical", "github.com/robfig/", "database/sql", "net/http"}

func TestDomainImportsOnlyDomain(t *testing.T) {
	for _, s := range sources(t) {
		allowed, ok := pure[s.pkg]
		if !ok || s.test() {
			continue
		}
		for _, im := range s.imports {
			if rest, own := strings.CutPrefix(im, "kitd/"); own && !slices.Contains(allowed, strings.TrimPrefix(rest, "internal/")) {
				t.Errorf("%s imports %s: %s may import only %v of kitd", s.path, im, s.pkg, allowed)
			}
			for _, h := range heavy {
				if strings.HasPrefix(im, h) {
					t.Errorf("%s imports %s: the domain knows nothing of storage, web or calendars", s.path, im)
				}
			}
		}
	}
}

func TestInputsNeverImportStoreNorEachOther(t *testing.T) {
	inputs := []string{"web", "internal/caldav", "internal/mailin"}
	for _, s := range sources(t) {
		if s.test() {
			continue
		}
		for _, in := range inputs {
			if s.pkg != in && !strings.HasPrefix(s.pkg, in+"/") {
				continue
			}
			for _, im := range s.imports {
				own := strings.TrimPrefix(im, "kitd/")
				forbidden := own == "internal/store" || strings.HasPrefix(im, "gorm.io/") || im == "kitd/migrations"
				for _, other := range inputs {
					forbidden = forbidden || other != in && (own == other || strings.HasPrefix(own, other+"/"))
				}
				if forbidden {
					t.Errorf("%s imports %s", s.path, im)
				}
			}
		}
	}
}

func TestOnlyTheirHomesTouchLibraries(t *testing.T) {
	homes := map[string][]string{
		"gorm.io/":                       {"internal/store"},
		"github.com/labstack/":           {"web", "cmd/kitd"},
		"github.com/emersion/go-ical":    {"internal/ical"},
		"github.com/teambition/rrule-go": {"internal/ical"},
		"github.com/robfig/cron":         {"cmd/kitd"},
		"kitd/internal/kittest":          {},
	}
	for _, s := range sources(t) {
		if s.test() {
			continue
		}
		for _, im := range s.imports {
			for lib, allowed := range homes {
				if strings.HasPrefix(im, lib) && !within(s.pkg, allowed) && s.pkg != "internal/store/storetest" {
					t.Errorf("%s imports %s, which belongs to %v", s.path, im, allowed)
				}
			}
		}
	}
}

func within(pkg string, homes []string) bool {
	return slices.ContainsFunc(homes, func(h string) bool { return pkg == h || strings.HasPrefix(pkg, h+"/") })
}

func TestDomainIsPure(t *testing.T) {
	clock := regexp.MustCompile(`\btime\.(Now|Since|Until|Sleep|After|Tick|NewTimer|NewTicker)\(`)
	chance := regexp.MustCompile(`^(math/rand|math/rand/v2|crypto/rand)$`)
	for _, s := range sources(t) {
		if _, ok := pure[s.pkg]; !ok || s.test() {
			continue
		}
		if at := clock.FindIndex(s.text); at != nil {
			t.Errorf("%s reads the clock: %s", s.path, line(s.text, at[0]))
		}
		for _, im := range s.imports {
			if chance.MatchString(im) {
				t.Errorf("%s imports %s: randomness is passed in", s.path, im)
			}
		}
	}
}

func line(text []byte, at int) string {
	start := strings.LastIndexByte(string(text[:at]), '\n') + 1
	end := strings.IndexByte(string(text[at:]), '\n')
	return strings.TrimSpace(string(text[start : at+end]))
}

// TestStoreKeepsOffGormTraps bans what was found to lose or resurrect data: migrations from structs, hooks, associations, soft
// deletion, and Save, which writes back deleted rows.
func TestStoreKeepsOffGormTraps(t *testing.T) {
	banned := regexp.MustCompile(`\.(AutoMigrate|Save|Association|Preload|FirstOrCreate|FirstOrInit)\(|gorm\.(DeletedAt|Model)\b|\) (Before|After)(Save|Create|Update|Delete|Find)\(`)
	seen := 0
	for _, s := range sources(t) {
		if !within(s.pkg, []string{"internal/store"}) {
			continue
		}
		seen++
		if at := banned.FindIndex(s.text); at != nil {
			t.Errorf("%s: %s", s.path, line(s.text, at[0]))
		}
	}
	if seen == 0 {
		t.Error("no storage code was looked at")
	}
}

func TestSizes(t *testing.T) {
	var lengths []int
	for _, s := range sources(t) {
		if s.generated() {
			continue
		}
		if n := strings.Count(string(s.text), "\n"); n > 800 {
			t.Errorf("%s has %d lines, limit 800", s.path, n)
		}
		if s.test() {
			continue
		}
		for _, d := range s.file.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Body == nil {
				continue
			}
			n := s.fset.Position(fn.End()).Line - s.fset.Position(fn.Pos()).Line + 1
			lengths = append(lengths, n)
			if n > 80 {
				t.Errorf("%s: %s has %d lines, limit 80", s.path, fn.Name.Name, n)
			}
		}
	}
	slices.Sort(lengths)
	median, p90 := lengths[len(lengths)/2], lengths[len(lengths)*9/10]
	t.Logf("%d functions, median %d lines, 90th percentile %d, longest %d", len(lengths), median, p90, lengths[len(lengths)-1])
	if median > 12 || p90 > 45 {
		t.Errorf("functions have a median of %d lines (limit 12) and a 90th percentile of %d (limit 45)", median, p90)
	}
}

func TestExportedNamesAreDocumented(t *testing.T) {
	total, bare := 0, []string{}
	for _, s := range sources(t) {
		if s.test() || s.generated() || s.file.Name.Name == "main" {
			continue
		}
		for _, d := range s.file.Decls {
			for name, documented := range exported(d) {
				total++
				if !documented {
					bare = append(bare, s.path+": "+name)
				}
			}
		}
	}
	if len(bare)*100 > total*5 {
		t.Errorf("%d of %d exported names have no comment (limit 5 %%): %v", len(bare), total, bare)
	}
}

func exported(d ast.Decl) map[string]bool {
	names := map[string]bool{}
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() {
			names[d.Name.Name] = d.Doc != nil
		}
	case *ast.GenDecl:
		for _, spec := range d.Specs {
			switch spec := spec.(type) {
			case *ast.TypeSpec:
				if spec.Name.IsExported() {
					names[spec.Name.Name] = d.Doc != nil || spec.Doc != nil || spec.Comment != nil
				}
			case *ast.ValueSpec:
				for _, n := range spec.Names {
					if n.IsExported() {
						names[n.Name] = d.Doc != nil || spec.Doc != nil || spec.Comment != nil
					}
				}
			}
		}
	}
	return names
}

func TestNoHouseholdDrawers(t *testing.T) {
	for _, s := range sources(t) {
		switch filepath.Base(s.pkg) {
		case "utils", "util", "models", "services", "helpers", "common", "misc":
			t.Errorf("%s lives in a drawer without a name of its own", s.path)
		}
	}
}
