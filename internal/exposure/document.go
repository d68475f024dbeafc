package exposure

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"kitd/internal/fault"
)

// Caution stands with every result that people read.
const Caution = "Noise harms hearing for good, and computed values are no judgement of a workplace: local law, the standard itself and a competent person come first."

// answer is the document Run gives: the method, what it computed, and the caution.
type answer struct {
	Method  string         `json:"method"`
	Result  jsontext.Value `json:",embed"`
	Caution string         `json:"caution"`
}

// Options are what a document may reach besides itself.
type Options struct {
	// Open opens a return file named in a document ("csv"). nil refuses such documents: a server opens no files by name.
	Open func(path string) (io.ReadCloser, error)
	// Profiles are those a document can name; the built-in ones when nil.
	Profiles []Profile
	// Limits bound a return file; the zero value means DefaultLimits.
	Limits Limits
}

func (o Options) profiles() []Profile {
	if o.Profiles != nil {
		return o.Profiles
	}
	return Profiles()
}

// method is one computation that a document can ask for.
type method struct {
	name string
	run  func(doc []byte, o Options) (any, error)
}

// methods is the register: a new computation is one more line.
func methods() []method {
	return []method{
		{"task-based", runTasks},
		{"job-based", runJob},
		{"full-day", runFullDay},
		{"criteria", runCriteria},
		{"history", runHistory},
		{"worker-day", runWorkerDay},
		{"weekly", runWeekly},
		{"group", runGroup},
		{"protector", runProtector},
		{"hearing-risk", runHearing},
		{"sizing", runSizing},
	}
}

// Methods lists the names of the computations a document can ask for.
func Methods() []string {
	var names []string
	for _, m := range methods() {
		names = append(names, m.name)
	}
	return names
}

// Run reads one JSON document, computes what its "method" asks for, and gives one JSON document. Reading is strict: unknown
// or repeated keys, keys in the wrong case, null, wrong types and anything after the document are refused. Faults carry the
// JSON pointer (RFC 6901) of the place in Fields, and have the code exposure-document or exposure-method; a return file that
// cannot be read gives return-file.
func Run(doc []byte, o Options) ([]byte, error) {
	if err := scan(doc); err != nil {
		return nil, err
	}
	var head struct {
		Method *string `json:"method"`
	}
	if err := json.Unmarshal(doc, &head); err != nil {
		return nil, jsonFault(err)
	}
	if head.Method == nil {
		return nil, docFault("/method", "the key is missing; it is one of "+strings.Join(Methods(), ", "))
	}
	for _, m := range methods() {
		if m.name != *head.Method {
			continue
		}
		result, err := m.run(doc, o)
		if err != nil {
			return nil, err
		}
		body, err := json.Marshal(result, json.Deterministic(true))
		if err != nil {
			return nil, err
		}
		return json.Marshal(answer{m.name, body, Caution}, json.Deterministic(true), jsontext.Multiline(true))
	}
	list := strings.Join(Methods(), ", ")
	return nil, fault.New(fault.ExposureMethod, "method", *head.Method, "methods", list).At("/method", "choose one of "+list)
}

// ProfilesJSON lists the built-in profiles with their parameters and sources.
func ProfilesJSON() ([]byte, error) {
	return json.Marshal(Profiles(), json.Deterministic(true), jsontext.Multiline(true))
}

// deepest is more levels of objects and lists than any method has; a place beyond it would be longer than anybody reads.
const deepest = 16

// scan refuses what decoding would pass over or report without a place: null anywhere, repeated keys, text after the document.
func scan(doc []byte) error {
	dec := jsontext.NewDecoder(bytes.NewReader(doc))
	for depth := 0; ; {
		token, err := dec.ReadToken()
		if err != nil {
			if errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
				return docFault("", "the document is empty; it is one JSON object")
			}
			return jsonFault(err)
		}
		switch token.Kind() {
		case 'n':
			return docFault(string(dec.StackPointer()), "null is not a value here; leave the key out or give a value")
		case '{', '[':
			if depth++; depth > deepest {
				return docFault(string(dec.StackPointer()), "the document is nested deeper here than any method asks for")
			}
		case '}', ']':
			depth--
		}
		if depth == 0 {
			break
		}
	}
	if rest := bytes.TrimLeft(doc[dec.InputOffset():], " \t\r\n"); len(rest) > 0 {
		return docFault("", "there is text after the end of the document; give one document")
	}
	return nil
}

// decode reads the whole document into the form of a method.
func decode[T any](doc []byte) (T, error) {
	var form T
	if err := json.Unmarshal(doc, &form, json.RejectUnknownMembers(true)); err != nil {
		return form, jsonFault(err)
	}
	return form, nil
}

// docFault is a fault at a JSON pointer; the empty pointer is the whole document.
func docFault(pointer, what string) error {
	where := pointer
	if where == "" {
		where = "the top level"
	}
	return fault.New(fault.ExposureDocument, "where", where, "what", what).At(where, what)
}

// placed turns a fault of the computation into one at a place of the document.
func placed(pointer string, err error) error {
	var f *fault.Error
	if errors.As(err, &f) && f.Code == fault.ExposureInput {
		return docFault(pointer, f.Args["what"])
	}
	return err
}

// jsonFault says in plain words what the JSON library found, and where.
func jsonFault(err error) error {
	var semantic *json.SemanticError
	if errors.As(err, &semantic) {
		return docFault(string(semantic.JSONPointer), semanticText(semantic))
	}
	var syntactic *jsontext.SyntacticError
	if errors.As(err, &syntactic) {
		if errors.Is(err, jsontext.ErrDuplicateName) {
			return docFault(string(syntactic.JSONPointer), "the key stands here twice; keep one")
		}
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return docFault(string(syntactic.JSONPointer), "the document ends too early; the rest is missing")
		}
		return docFault(string(syntactic.JSONPointer), fmt.Sprintf("not JSON at byte %d: %v; numbers are plain decimals, without NaN or Infinity", syntactic.ByteOffset, syntactic.Err))
	}
	return fault.New(fault.ExposureDocument, "where", "the top level", "what", "it cannot be read as JSON").Because(err)
}

func semanticText(e *json.SemanticError) string {
	kinds := map[jsontext.Kind]string{'t': "true", 'f': "false", '"': "a text", '0': "a number", '{': "an object", '[': "a list"}
	switch {
	case errors.Is(e.Err, json.ErrUnknownName):
		return "the key is not known; the keys here are " + strings.Join(keys(e.GoType), ", ")
	case e.GoType == nil:
		return "the value cannot be used here"
	case e.JSONKind == '0' && wanted(e.GoType) == "a number":
		return fmt.Sprintf("the number %s is too large or not of the right kind", e.JSONValue)
	}
	return fmt.Sprintf("%s stands here, where %s belongs", kinds[e.JSONKind], wanted(e.GoType))
}

func wanted(t reflect.Type) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.Kind() {
	case reflect.String:
		return "a text"
	case reflect.Float64, reflect.Int:
		return "a number"
	case reflect.Slice:
		return "a list"
	case reflect.Bool:
		return "true or false"
	}
	return "an object"
}

// keys lists the JSON names of a form, in their order.
func keys(t reflect.Type) []string {
	var names []string
	if t == nil || t.Kind() != reflect.Struct {
		return names
	}
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}
