package caldav

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"kitd/internal/fault"
)

// Limits of a request body in XML.
const (
	maxXML      = 512 << 10
	maxXMLDepth = 16
	maxXMLNodes = 20000
)

// The namespaces.
const (
	nsDAV    = "DAV:"
	nsCalDAV = "urn:ietf:params:xml:ns:caldav"
	nsServer = "http://calendarserver.org/ns/"
	nsKitd   = "urn:x-kitd"
)

// node is an element of a request.
type node struct {
	name     xml.Name
	attr     []xml.Attr
	text     string
	raw      []byte // text while it is read
	children []*node
}

func (n *node) is(space, local string) bool { return n.name.Space == space && n.name.Local == local }

// child gives the first child of a name, or nil. It may be called on nil.
func (n *node) child(space, local string) *node {
	if n == nil {
		return nil
	}
	for _, c := range n.children {
		if c.is(space, local) {
			return c
		}
	}
	return nil
}

func (n *node) attribute(name string) string {
	for _, a := range n.attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// readXML reads a request body; nil without an error means there is none. A document type, an entity, an encoding other than
// UTF-8, or more than the limits is refused.
func readXML(r *http.Request) (*node, error) {
	body, err := io.ReadAll(io.LimitReader(r.Body, maxXML+1))
	if err != nil {
		return nil, fault.New(fault.BadInput, "what", "the request body broke off; send it again").Because(err)
	}
	if len(body) > maxXML {
		return nil, fault.New(fault.TooLarge, "noun", "request", "limit", fmt.Sprintf("%d kB", maxXML>>10))
	}
	if len(bytes.TrimSpace(body)) == 0 {
		return nil, nil
	}
	root, err := parseXML(body)
	if err != nil {
		return nil, fault.New(fault.XMLUnreadable, "what", err.Error())
	}
	return root, nil
}

func parseXML(body []byte) (*node, error) {
	d := xml.NewDecoder(bytes.NewReader(body))
	var open []*node
	var root *node
	for count := 0; ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, plain(err)
		}
		switch t := token.(type) {
		case xml.Directive:
			return nil, errors.New("a document type is not accepted")
		case xml.StartElement:
			if count++; count > maxXMLNodes || len(open) == maxXMLDepth {
				return nil, fmt.Errorf("it has more than %d elements, or more than %d inside one another", maxXMLNodes, maxXMLDepth)
			}
			n := &node{name: t.Name, attr: t.Attr}
			switch {
			case len(open) > 0:
				up := open[len(open)-1]
				up.children = append(up.children, n)
			case root != nil:
				return nil, errors.New("it has two documents")
			default:
				root = n
			}
			open = append(open, n)
		case xml.EndElement:
			last := open[len(open)-1]
			last.text, last.raw = string(last.raw), nil
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				last := open[len(open)-1]
				last.raw = append(last.raw, t...)
			}
		}
	}
	if root == nil {
		return nil, errors.New("it has no element")
	}
	return root, nil
}

// plain says a syntax error in one line.
func plain(err error) error {
	var syntax *xml.SyntaxError
	if errors.As(err, &syntax) {
		return fmt.Errorf("in line %d: %s", syntax.Line, syntax.Msg)
	}
	return errors.New("it is not XML in UTF-8")
}

// markup builds a response. Element names carry the prefixes of head.
type markup struct{ bytes.Buffer }

const xmlHead = `<?xml version="1.0" encoding="utf-8"?>` + "\n"

const xmlNames = ` xmlns:D="` + nsDAV + `" xmlns:C="` + nsCalDAV + `" xmlns:S="` + nsServer + `" xmlns:K="` + nsKitd + `"`

// element writes <name>text</name>.
func (m *markup) element(name, text string) {
	m.WriteString("<" + name + ">")
	m.text(text)
	m.WriteString("</" + name + ">")
}

// text writes character data. What XML cannot carry becomes U+FFFD.
func (m *markup) text(s string) {
	if err := xml.EscapeText(&m.Buffer, []byte(s)); err != nil {
		panic(err) // a buffer takes everything
	}
}

// empty writes an empty element of any namespace.
func (m *markup) empty(name xml.Name) { m.WriteString(m.open(name, "/")) }

// open gives the start tag of any name: a known prefix, or the namespace declared in place. Local names come from the XML
// parser, which lets only name characters through.
func (m *markup) open(name xml.Name, slash string) string {
	if p := prefix(name.Space); p != "" {
		return "<" + p + name.Local + slash + ">"
	}
	var space bytes.Buffer
	if err := xml.EscapeText(&space, []byte(name.Space)); err != nil {
		panic(err)
	}
	return "<" + name.Local + ` xmlns="` + space.String() + `"` + slash + ">"
}

func (m *markup) close(name xml.Name) { m.WriteString("</" + prefix(name.Space) + name.Local + ">") }

func prefix(space string) string {
	switch space {
	case nsDAV:
		return "D:"
	case nsCalDAV:
		return "C:"
	case nsServer:
		return "S:"
	case nsKitd:
		return "K:"
	}
	return ""
}

// escaped gives text for use inside markup.
func escaped(s string) string {
	var m markup
	m.text(s)
	return m.String()
}

func hrefElement(href string) string { return "<D:href>" + escaped(href) + "</D:href>" }

func send(w http.ResponseWriter, status int, m *markup) error {
	w.Header().Set("Content-Type", "application/xml; charset=utf-8")
	w.Header().Set("DAV", davClasses)
	w.WriteHeader(status)
	_, err := w.Write(m.Bytes())
	if err != nil {
		return nil // the client is gone; nobody is left to tell
	}
	return nil
}

func statusLine(code int) string {
	return fmt.Sprintf("HTTP/1.1 %d %s", code, http.StatusText(code))
}

// nameText is a request's text without the white space around it.
func (n *node) trimmed() string { return strings.TrimSpace(n.text) }
