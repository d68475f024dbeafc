package web

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"mime"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// pageOf is one page of a list. Next goes into "after" to get the one behind it; it is empty on the last.
type pageOf[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitzero"`
}

// most rows a page of a list holds, and how many when the caller names no limit.
const (
	mostItems  = 500
	usualItems = 100
)

// answerJSON answers with a value as JSON.
func answerJSON(c echo.Context, status int, v any) error {
	body, err := json.Marshal(v, json.Deterministic(true))
	if err != nil {
		return err
	}
	return sendJSON(c, status, body)
}

func sendJSON(c echo.Context, status int, body []byte) error {
	c.Response().Header().Set("Content-Length", strconv.Itoa(len(body)))
	return c.Blob(status, "application/json", body)
}

// readJSON reads the whole body as one JSON document into v. It is strict: unknown and repeated keys, keys in the wrong case,
// null, wrong types and text behind the document are refused, each with its JSON pointer (RFC 6901).
func readJSON(c echo.Context, v any) ([]byte, error) {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || kind != "application/json" && kind != "application/merge-patch+json" {
		return nil, fault.New(fault.WrongMedia, "type", c.Request().Header.Get("Content-Type"), "wanted", "application/json")
	}
	doc, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return nil, unreadable(err)
	}
	if err := noNulls(doc); err != nil {
		return nil, err
	}
	return doc, decodeJSON(doc, "", v)
}

func decodeJSON(doc []byte, at string, v any) error {
	if err := json.Unmarshal(doc, v, json.RejectUnknownMembers(true)); err != nil {
		return jsonFault(err, at)
	}
	return nil
}

// noNulls refuses what decoding would pass over: null anywhere, and text behind the document.
func noNulls(doc []byte) error {
	dec := jsontext.NewDecoder(bytes.NewReader(doc))
	for depth, first := 0, true; first || depth > 0; first = false {
		token, err := dec.ReadToken()
		if err != nil {
			return jsonFault(err, "")
		}
		switch token.Kind() {
		case 'n':
			return badJSON(string(dec.StackPointer()), "null is not a value here; leave the key out or give a value")
		case '{', '[':
			depth++
		case '}', ']':
			depth--
		}
	}
	if len(bytes.TrimSpace(doc[dec.InputOffset():])) > 0 {
		return badJSON("", "there is text behind the document; send one JSON document")
	}
	return nil
}

func badJSON(pointer, text string) *fault.Error {
	if pointer == "" {
		pointer = "/"
	}
	pointer = clipped(pointer, 200) // a key may be as long as the document
	return fault.New(fault.BadInput, "what", "the JSON document at "+pointer).At(pointer, text)
}

// jsonFault says what is wrong with a document and where. at stands before the pointer of a part of a larger document.
func jsonFault(err error, at string) error {
	var semantic *json.SemanticError
	var syntactic *jsontext.SyntacticError
	switch {
	case errors.Is(err, json.ErrUnknownName) && errors.As(err, &semantic):
		return badJSON(at+string(semantic.JSONPointer), "there is no such key; leave it out").Because(err)
	case errors.As(err, &semantic):
		return badJSON(at+string(semantic.JSONPointer), "the value is not "+wanted(semantic.GoType)).Because(err)
	case errors.As(err, &syntactic):
		return badJSON(at+string(syntactic.JSONPointer), fmt.Sprintf("the JSON breaks off or breaks its rules at byte %d", syntactic.ByteOffset)).Because(err)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return badJSON("", "the body is empty or breaks off; send one JSON document").Because(err)
	}
	return badJSON(at, "the document cannot be read").Because(err)
}

// wanted says in words what a key takes.
func wanted(t reflect.Type) string {
	switch {
	case t == nil:
		return "of the right type"
	case t == reflect.TypeFor[ident.ID]():
		return "an identifier of the form xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx"
	case t == reflect.TypeFor[time.Time]():
		return "a moment of the form 2026-03-02T08:00:00Z (RFC 3339)"
	}
	switch t.Kind() {
	case reflect.String:
		return "a text"
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int64, reflect.Uint32:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		return "a list"
	case reflect.Pointer:
		return wanted(t.Elem())
	}
	return "an object with the right keys"
}

// listLimit reads "limit".
func listLimit(c echo.Context) (int, error) {
	text := c.QueryParam("limit")
	if text == "" {
		return usualItems, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > mostItems {
		return 0, badQuery("limit", fmt.Sprintf("Write a whole number from 1 to %d.", mostItems))
	}
	return n, nil
}

func badQuery(key, text string) error {
	return fault.New(fault.BadInput, "what", "the query parameter "+key).At(key, text)
}

// momentQuery reads a query parameter as a moment; absent gives the zero Time.
func momentQuery(c echo.Context, key string) (time.Time, error) {
	text := c.QueryParam(key)
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}, badQuery(key, "Write a moment such as 2026-03-02T08:00:00Z (RFC 3339).")
	}
	return t, nil
}

// idQuery reads a query parameter as an identifier; absent gives the zero ID.
func idQuery(c echo.Context, key string) (ident.ID, error) {
	text := c.QueryParam(key)
	if text == "" {
		return ident.ID{}, nil
	}
	id, err := ident.Parse(text)
	if err != nil {
		return ident.ID{}, badQuery(key, "Write an identifier of the form xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx.")
	}
	return id, nil
}

// knownQuery refuses query parameters that mean nothing here: a misspelt filter would otherwise answer with everything.
func knownQuery(c echo.Context, keys ...string) error {
	for key, values := range c.QueryParams() {
		known := false
		for _, k := range keys {
			known = known || k == key
		}
		if !known {
			return badQuery(key, "There is no such parameter here; the parameters are "+strings.Join(keys, ", ")+".")
		}
		if len(values) > 1 {
			return badQuery(key, "Give it once.")
		}
	}
	return nil
}

// etag is the strong validator of a version (RFC 9110, section 8.8.3).
func etag(version int) string { return `"` + strconv.Itoa(version) + `"` }

// sameETag reports whether If-None-Match names the version: nothing has to be sent then.
func sameETag(c echo.Context, version int) bool {
	for _, tag := range strings.Split(c.Request().Header.Get("If-None-Match"), ",") {
		if tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/"); tag == etag(version) || tag == "*" {
			return true
		}
	}
	return false
}

// ifMatch checks If-Match against the present version (RFC 9110, section 13.1.1). A change without it is refused, so that nobody
// overwrites what they have not seen.
func ifMatch(c echo.Context, noun string, version int) error {
	header := strings.TrimSpace(c.Request().Header.Get("If-Match"))
	if header == "" {
		return fault.New(fault.VersionNeeded)
	}
	for _, tag := range strings.Split(header, ",") {
		if tag = strings.TrimSpace(tag); tag == etag(version) || tag == "*" {
			return nil
		}
	}
	return fault.New(fault.VersionStale, "noun", noun, "version", version)
}

// raced turns "changed meanwhile" into the precondition that failed: between looking at the version and changing it somebody
// else did.
func raced(err error, noun string) error {
	if fault.Is(err, fault.Changed) {
		return fault.New(fault.VersionStale, "noun", noun, "version", "another number").Because(err)
	}
	return err
}

// keyHeader is how a caller says that a POST is the same call again.
const keyHeader = "Idempotency-Key"

// once does a call and answers with what it gives; a call with the same key gets the same answer again and nothing is done. Only
// what succeeded is kept. work has to act as the actor it is given: the mark of the call is then stored with what it changes.
// tell gives the answer to a call that was done and never answered, from what it changed first.
func (s *Server) once(c echo.Context, doc []byte, work func(access.Actor) (int, any, error), tell func(access.Done) (int, any, error)) error {
	key, who := c.Request().Header.Get(keyHeader), actor(c)
	if len(key) > 200 || strings.ContainsFunc(key, func(r rune) bool { return r < '!' || r > '~' }) {
		return badQuery(keyHeader, "Send 1 to 200 printable characters without spaces, new for each call.")
	}
	if key == "" {
		status, answer, err := work(who)
		if err != nil {
			return err
		}
		return answerJSON(c, status, answer)
	}
	request := sha256.Sum256(append([]byte(c.Request().Method+" "+c.Request().URL.EscapedPath()+"\n"), doc...))
	status, body, found, err := s.Repeats.Answered(ctx(c), who, key, request)
	if found {
		return replay(c, status, body)
	}
	var answer any
	if err == nil {
		who.Once = &access.Once{Key: key, Request: request}
		status, answer, err = work(who)
	}
	var before *access.Done
	if errors.As(err, &before) {
		if before.Status != 0 {
			return replay(c, before.Status, before.Body)
		}
		c.Response().Header().Set(replayHeader, "true")
		status, answer, err = tell(*before)
	}
	if err != nil {
		c.Response().Header().Del(replayHeader)
		return err
	}
	if body, err = json.Marshal(answer, json.Deterministic(true)); err != nil {
		return err
	}
	if err := s.Repeats.Answer(ctx(c), who, key, request, status, body); err != nil {
		return err
	}
	return sendJSON(c, status, body)
}

// replayHeader marks the answer to a call that was done before.
const replayHeader = "Idempotent-Replay"

func replay(c echo.Context, status int, body []byte) error {
	c.Response().Header().Set(replayHeader, "true")
	return sendJSON(c, status, body)
}

// doneBefore is the answer to a call that was done before when more cannot be told.
func doneBefore(d access.Done) error {
	return fault.New(fault.DoneBefore, "noun", d.Noun, "id", d.ID)
}
