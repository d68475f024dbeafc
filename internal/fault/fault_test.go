package fault

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var hole = regexp.MustCompile(`\{(\w+)\}`)

func holes(text string) []string {
	var keys []string
	for _, m := range hole.FindAllStringSubmatch(text, -1) {
		keys = append(keys, m[1])
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}

func TestCatalogueSpeaksPlainly(t *testing.T) {
	form := regexp.MustCompile(`^[a-z]+(-[a-z0-9]+)*$`)
	for _, code := range Codes() {
		e := catalogue[code]
		if !form.MatchString(string(code)) {
			t.Errorf("%s: a code is lower-case words with hyphens", code)
		}
		if e.kind < Internal || e.kind > Unavailable {
			t.Errorf("%s: kind %d", code, e.kind)
		}
		if last := e.text[len(e.text)-1]; last != '.' && last != '}' { // an argument may be a sentence
			t.Errorf("%s: %q is no sentence", code, e.text)
		}
		for _, word := range []string{"invalid", "oops", "please", "successful"} {
			if strings.Contains(strings.ToLower(e.text), word) {
				t.Errorf("%s: %q says %q", code, e.text, word)
			}
		}
		if rest := hole.ReplaceAllString(e.text, ""); strings.ContainsAny(rest, "{}") {
			t.Errorf("%s: %q has a brace that opens no argument", code, e.text)
		}
	}
}

// Every call of New in the code names a catalogued constant and gives exactly the arguments of its sentence.
func TestCallsFillTheirSentence(t *testing.T) {
	names := constants(t)
	calls := 0
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || call.Ellipsis.IsValid() {
				return true
			}
			code, given, ok := reading(call)
			if !ok {
				return true
			}
			calls++
			entry, known := catalogue[names[code]]
			switch want := holes(entry.text); {
			case !known:
				t.Errorf("%s: fault.%s is not in the catalogue", fset.Position(call.Pos()), code)
			case !slices.Equal(given, want):
				t.Errorf("%s: fault.%s is given %v, its sentence needs %v", fset.Position(call.Pos()), code, given, want)
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if calls < 20 {
		t.Errorf("only %d calls were found", calls)
	}
}

// reading takes the code and the argument keys out of fault.New(fault.Code, "key", value, …).
func reading(call *ast.CallExpr) (code string, keys []string, ok bool) {
	f, isSel := call.Fun.(*ast.SelectorExpr)
	if !isSel || !isFault(f.X) || f.Sel.Name != "New" || len(call.Args) == 0 {
		return "", nil, false
	}
	c, isSel := call.Args[0].(*ast.SelectorExpr)
	if !isSel || !isFault(c.X) {
		return "", nil, false // a code in a variable
	}
	for i := 1; i < len(call.Args); i += 2 {
		key, isLit := call.Args[i].(*ast.BasicLit)
		if !isLit {
			return "", nil, false
		}
		text, err := strconv.Unquote(key.Value)
		if err != nil {
			return "", nil, false
		}
		keys = append(keys, text)
	}
	slices.Sort(keys)
	return c.Sel.Name, keys, true
}

func isFault(e ast.Expr) bool {
	x, ok := e.(*ast.Ident)
	return ok && x.Name == "fault"
}

// constants reads the names of the codes out of this package's source.
func constants(t *testing.T) map[string]Code {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "catalogue.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]Code{}
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || len(v.Values) != 1 {
			return true
		}
		if lit, ok := v.Values[0].(*ast.BasicLit); ok {
			text, err := strconv.Unquote(lit.Value)
			if err != nil {
				t.Fatal(err)
			}
			names[v.Names[0].Name] = Code(text)
		}
		return true
	})
	for name, code := range names {
		if _, ok := catalogue[code]; !ok {
			t.Errorf("%s (%s) has no sentence", name, code)
		}
	}
	if len(names) != len(catalogue) {
		t.Errorf("%d names for %d sentences", len(names), len(catalogue))
	}
	return names
}

func TestSentenceIsFilledOnce(t *testing.T) {
	e := New(AlreadyUsed, "noun", "{value}", "value", "{noun}")
	if got := e.Sentence(); got != "The {value} {noun} is already in use; choose another." {
		t.Errorf("an argument was read as a place: %s", got)
	}
	if got := New(Code("no-such")).Sentence(); got != catalogue[Unexpected].text {
		t.Errorf("an unknown code says %q", got)
	}
}

func TestFaultsAreFoundInChains(t *testing.T) {
	cause := errors.New("cause")
	e := New(NotThere, "noun", "kit").Because(cause).At("/kit", "name another")
	wrapped := fmt.Errorf("while booking: %w", e)
	if !Is(wrapped, NotThere) || Is(wrapped, Busy) || Of(wrapped) != e || KindOf(wrapped) != NotFound || !errors.Is(wrapped, cause) {
		t.Errorf("%v was misread", wrapped)
	}
	if got := e.Error(); got != "There is no such kit here. [/kit: name another]: cause" {
		t.Errorf("the log gets %q", got)
	}
	if Of(nil) != nil || KindOf(cause) != Internal || !Is(Of(cause), Unexpected) || !errors.Is(Of(cause), cause) {
		t.Error("an error without a fault was misread")
	}
}
