package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

// problemDoc is a problem document: RFC 9457, section 3.1, with the extension members code, fields and details.
type problemDoc struct {
	Type     string            `json:"type"`
	Title    string            `json:"title"`
	Status   int               `json:"status"`
	Detail   string            `json:"detail"`
	Instance string            `json:"instance"` // the request id, as a URN where it is a UUID
	Code     fault.Code        `json:"code"`
	Args     map[string]string `json:"args,omitempty"`
	Fields   []problemField    `json:"fields,omitempty"`
	Details  any               `json:"details,omitempty"` // what an error has to say beyond its sentence
}

type problemField struct {
	Path string `json:"path"`
	Text string `json:"text"`
}

// detailed is an error that says more than a sentence to programs: reasons and ways out of a refusal.
type detailed interface{ Details() any }

// titles are the same for every problem of a kind, as RFC 9457, section 3.1.3 wants it.
var titles = map[fault.Kind]string{
	fault.Internal: "Something went wrong inside", fault.Invalid: "The input has to change", fault.NotFound: "Not there",
	fault.Conflict: "The present state does not allow it", fault.Forbidden: "Not allowed", fault.Unavailable: "Not now",
}

// problem answers with a problem document.
func (s *Server) problem(w http.ResponseWriter, r *http.Request, f *fault.Error, err error) {
	doc := problemDoc{Type: s.absolute(r, "/problems/"+url.PathEscape(string(f.Code))), Title: titles[f.Kind()], Status: statusOf(f),
		Detail: f.Sentence(), Instance: instance(visitOf(r).id), Code: f.Code, Args: f.Args}
	for _, field := range f.Fields {
		doc.Fields = append(doc.Fields, problemField(field))
	}
	var more detailed
	if errors.As(err, &more) {
		doc.Details = more.Details()
	}
	body, jsonErr := json.Marshal(doc)
	if jsonErr != nil {
		s.Log.ErrorContext(r.Context(), "problem document", "request", visitOf(r).id, "cause", jsonErr.Error())
		doc.Details = nil
		body, _ = json.Marshal(doc)
	}
	s.answerHeaders(w.Header(), f)
	if doc.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="kitd"`)
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(doc.Status)
	_, _ = w.Write(body)
}

// instance writes a request id as a URI reference: ids that a proxy gave are not always UUIDs.
func instance(id string) string {
	if _, err := ident.Parse(id); err != nil {
		return "#" + id
	}
	return "urn:uuid:" + id
}

// problemPage says to people what a code means: the type of a problem document leads here.
func (s *Server) problemPage(c echo.Context) error {
	code := fault.Code(param(c, "code"))
	if !slices.Contains(fault.Codes(), code) {
		return fault.New(fault.NoSuchPage)
	}
	f := fault.New(code)
	return s.page(c, http.StatusOK, s.frame(c, string(code), ""), codePage(f, titles[f.Kind()], statusOf(f)))
}
