package web

import (
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// document is a parsed page.
type document struct {
	t    *testing.T
	root *html.Node
}

func parsed(t *testing.T, body string) document {
	t.Helper()
	root, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	return document{t, root}
}

// all finds the elements a selector names: simple selectors (tag, .class, #id, [attr], [attr=value]) joined by spaces, each
// inside the one before.
func (d document) all(selector string) []*html.Node {
	found := []*html.Node{d.root}
	for _, simple := range strings.Fields(selector) {
		want := readSimple(d.t, simple)
		var next []*html.Node
		for _, n := range found {
			for c := range n.Descendants() {
				if c.Type == html.ElementNode && want.fits(c) && !slices.Contains(next, c) {
					next = append(next, c)
				}
			}
		}
		found = next
	}
	return found
}

// one finds exactly one element.
func (d document) one(selector string) *html.Node {
	d.t.Helper()
	found := d.all(selector)
	if len(found) != 1 {
		d.t.Fatalf("%d elements fit %q, want 1", len(found), selector)
	}
	return found[0]
}

// text is what a reader sees of the one element, white space folded.
func (d document) text(selector string) string {
	d.t.Helper()
	return textOf(d.one(selector))
}

// texts is what a reader sees of each element.
func (d document) texts(selector string) []string {
	var out []string
	for _, n := range d.all(selector) {
		out = append(out, textOf(n))
	}
	return out
}

// has fails the test when no element fits or none of them contains the text.
func (d document) has(selector, text string) {
	d.t.Helper()
	if !slices.ContainsFunc(d.texts(selector), func(s string) bool { return strings.Contains(s, text) }) {
		d.t.Errorf("no %q contains %q; found %q", selector, text, d.texts(selector))
	}
}

// hasNot fails the test when an element fits.
func (d document) hasNot(selector string) {
	d.t.Helper()
	if found := d.all(selector); len(found) > 0 {
		d.t.Errorf("%d elements fit %q, want none; the first says %q", len(found), selector, textOf(found[0]))
	}
}

// attr is an attribute of the one element.
func (d document) attr(selector, name string) string {
	d.t.Helper()
	v, _ := attrOf(d.one(selector), name)
	return v
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func attrOf(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

// simple is one simple selector.
type simple struct {
	tag     string
	id      string
	classes []string
	attrs   [][2]string // value "\x00": any
}

func readSimple(t *testing.T, s string) simple {
	t.Helper()
	var out simple
	for s != "" {
		end := strings.IndexAny(s[1:], ".#[") + 1
		if s[0] == '[' {
			end = strings.IndexByte(s, ']') + 1
		}
		if end <= 0 {
			end = len(s)
		}
		part := s[:end]
		s = s[end:]
		switch part[0] {
		case '.':
			out.classes = append(out.classes, part[1:])
		case '#':
			out.id = part[1:]
		case '[':
			name, value, given := strings.Cut(strings.Trim(part, "[]"), "=")
			if !given {
				value = "\x00"
			}
			out.attrs = append(out.attrs, [2]string{name, strings.Trim(value, `"`)})
		default:
			out.tag = part
		}
	}
	return out
}

func (s simple) fits(n *html.Node) bool {
	if s.tag != "" && n.Data != s.tag {
		return false
	}
	if id, _ := attrOf(n, "id"); s.id != "" && id != s.id {
		return false
	}
	classes, _ := attrOf(n, "class")
	for _, c := range s.classes {
		if !slices.Contains(strings.Fields(classes), c) {
			return false
		}
	}
	for _, a := range s.attrs {
		v, given := attrOf(n, a[0])
		if !given || a[1] != "\x00" && v != a[1] {
			return false
		}
	}
	return true
}

func TestSelectors(t *testing.T) {
	d := parsed(t, `<main id=m><p class="a b">one <b>two</b></p><p class=a title=x>three</p><input required></main>`)
	for sel, want := range map[string]int{"p": 2, "p.a": 2, "p.a.b": 1, "#m .a": 2, "p b": 1, "[title]": 1, "p[title=x]": 1, "p[title=y]": 0, "b p": 0, "main input[required]": 1} {
		if got := len(d.all(sel)); got != want {
			t.Errorf("%q finds %d, want %d", sel, got, want)
		}
	}
	if got := d.text("p.b"); got != "one two" {
		t.Errorf("text is %q", got)
	}
}
