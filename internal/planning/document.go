package planning

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"kitd/internal/fault"
)

// RunCharge reads one charge problem as JSON, plans, and gives the answer as JSON. Reading is strict: unknown or repeated keys,
// keys in the wrong case, null, wrong types and anything after the document are faults with the JSON pointer (RFC 6901) of the
// place. Instants are RFC 3339 with a zone; the answer's are UTC.
func RunCharge(doc []byte, l Limits) ([]byte, error) {
	p, err := ReadCharge(doc)
	if err != nil {
		return nil, err
	}
	a, err := Charge(p, l)
	if err != nil {
		return nil, err
	}
	return write(a)
}

// RunPlacement does for a placement problem what RunCharge does for a charge problem.
func RunPlacement(doc []byte, l Limits) ([]byte, error) {
	p, err := ReadPlacement(doc)
	if err != nil {
		return nil, err
	}
	a, err := Place(p, l)
	if err != nil {
		return nil, err
	}
	return write(a)
}

func write(answer any) ([]byte, error) {
	return json.Marshal(answer, json.Deterministic(true), jsontext.Multiline(true))
}

// ReadCharge reads a charge problem. Required: slot_minutes, positions, staffed, jobs with id, minutes, release and deadline;
// occupied may be missing. Rules between values are checked by Charge.
func ReadCharge(doc []byte) (ChargeProblem, error) {
	var f chargeForm
	r := &reader{}
	if err := decode(doc, &f); err != nil {
		return ChargeProblem{}, err
	}
	p := ChargeProblem{Slot: r.minutes("/slot_minutes", f.SlotMinutes), Positions: r.count("/positions", f.Positions)}
	for i, w := range need(r, "/staffed", f.Staffed) {
		p.Staffed = append(p.Staffed, r.window(fmt.Sprintf("/staffed/%d", i), w))
	}
	for i, j := range need(r, "/jobs", f.Jobs) {
		at := fmt.Sprintf("/jobs/%d", i)
		p.Jobs = append(p.Jobs, Job{need(r, at+"/id", j.ID), r.minutes(at+"/minutes", j.Minutes), r.instant(at+"/release", j.Release), r.instant(at+"/deadline", j.Deadline)})
	}
	for i, o := range f.Occupied {
		at := fmt.Sprintf("/occupied/%d", i)
		p.Occupied = append(p.Occupied, Occupied{r.count(at+"/position", o.Position), r.instant(at+"/until", o.Until)})
	}
	return p, r.err()
}

// ReadPlacement reads a placement problem. Required: units with id, bookings with id, from, to and count; depot, blackouts, held
// and pinned may be missing. Rules between values are checked by Place.
func ReadPlacement(doc []byte) (PlacementProblem, error) {
	var f placementForm
	r := &reader{}
	if err := decode(doc, &f); err != nil {
		return PlacementProblem{}, err
	}
	var p PlacementProblem
	for i, u := range need(r, "/units", f.Units) {
		at := fmt.Sprintf("/units/%d", i)
		unit := Unit{ID: need(r, at+"/id", u.ID), Depot: u.Depot}
		for k, w := range u.Blackouts {
			unit.Blackouts = append(unit.Blackouts, r.window(fmt.Sprintf("%s/blackouts/%d", at, k), w))
		}
		p.Units = append(p.Units, unit)
	}
	for i, h := range f.Held {
		at := fmt.Sprintf("/held/%d", i)
		p.Held = append(p.Held, Held{need(r, at+"/unit", h.Unit), r.window(at, windowForm{h.From, h.To})})
	}
	for i, b := range need(r, "/bookings", f.Bookings) {
		at := fmt.Sprintf("/bookings/%d", i)
		p.Bookings = append(p.Bookings, Booking{need(r, at+"/id", b.ID), r.window(at, windowForm{b.From, b.To}), r.count(at+"/count", b.Count), b.Depot, b.Pinned})
	}
	return p, r.err()
}

type chargeForm struct {
	SlotMinutes *float64       `json:"slot_minutes"`
	Positions   *float64       `json:"positions"`
	Staffed     *[]windowForm  `json:"staffed"`
	Jobs        *[]jobForm     `json:"jobs"`
	Occupied    []occupiedForm `json:"occupied"`
}

type windowForm struct {
	From *string `json:"from"`
	To   *string `json:"to"`
}

type jobForm struct {
	ID       *string  `json:"id"`
	Minutes  *float64 `json:"minutes"`
	Release  *string  `json:"release"`
	Deadline *string  `json:"deadline"`
}

type occupiedForm struct {
	Position *float64 `json:"position"`
	Until    *string  `json:"until"`
}

type placementForm struct {
	Units    *[]unitForm    `json:"units"`
	Held     []heldForm     `json:"held"`
	Bookings *[]bookingForm `json:"bookings"`
}

type unitForm struct {
	ID        *string      `json:"id"`
	Depot     string       `json:"depot"`
	Blackouts []windowForm `json:"blackouts"`
}

type heldForm struct {
	Unit *string `json:"unit"`
	From *string `json:"from"`
	To   *string `json:"to"`
}

type bookingForm struct {
	ID     *string  `json:"id"`
	From   *string  `json:"from"`
	To     *string  `json:"to"`
	Count  *float64 `json:"count"`
	Depot  string   `json:"depot"`
	Pinned []string `json:"pinned"`
}

// reader turns the values of a form into those of a problem and gathers what is wrong.
type reader struct{ wrong findings }

func (r *reader) err() error { return r.wrong.err() }

// need gives a required value.
func need[T any](r *reader, at string, v *T) T {
	if v == nil {
		var none T
		r.wrong.add(at, "the key is missing")
		return none
	}
	return *v
}

func (r *reader) instant(at string, text *string) time.Time {
	var t time.Time
	if text == nil {
		r.wrong.add(at, "the key is missing")
	} else if err := t.UnmarshalText([]byte(*text)); err != nil || !strict(*text) {
		r.wrong.add(at, fmt.Sprintf("%q is not an instant; write it as 2026-03-02T08:00:00Z, with the zone (RFC 3339)", short(*text)))
	}
	return t
}

// strict refuses what Go's parser takes beyond RFC 3339: an hour of one digit, a decimal comma, an offset of 24 hours or more.
func strict(text string) bool {
	if len(text) < len("2006-01-02T15:04:05Z") || text[len("2006-01-02T15")] != ':' || strings.Contains(text, ",") {
		return false
	}
	if strings.HasSuffix(text, "Z") {
		return true
	}
	offset := text[len(text)-len("15:04"):]
	return offset[:2] < "24" && offset[3:] < "60"
}

func (r *reader) window(at string, w windowForm) Window {
	return Window{r.instant(at+"/from", w.From), r.instant(at+"/to", w.To)}
}

// minutes reads a length in minutes, to the millisecond.
func (r *reader) minutes(at string, v *float64) time.Duration {
	m := need(r, at, v)
	if math.Abs(m) > 1e9 {
		r.wrong.add(at, "the number of minutes is too large")
		return 0
	}
	return time.Duration(math.Round(m*60_000)) * time.Millisecond
}

func (r *reader) count(at string, v *float64) int {
	n := need(r, at, v)
	if n != math.Trunc(n) || math.Abs(n) > 1e9 {
		r.wrong.add(at, strconv.FormatFloat(n, 'g', -1, 64)+" is not a whole number of use here")
		return 0
	}
	return int(n)
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// findings gathers what is wrong with a problem; the first is told in the sentence, the first ten as fields.
type findings struct{ list []fault.Field }

func (f *findings) add(at, what string) { f.list = append(f.list, fault.Field{Path: at, Text: what}) }

func (f *findings) err() error {
	if len(f.list) == 0 {
		return nil
	}
	e := fault.New(fault.PlanningProblem, "where", f.list[0].Path, "what", f.list[0].Text)
	for _, x := range f.list[:min(len(f.list), 10)] {
		e = e.At(x.Path, x.Text)
	}
	if more := len(f.list) - 10; more > 0 {
		e = e.At("further places", strconv.Itoa(more))
	}
	return e
}

// decode reads the whole document into a form.
func decode(doc []byte, form any) error {
	if err := scan(doc); err != nil {
		return err
	}
	if err := json.Unmarshal(doc, form, json.RejectUnknownMembers(true)); err != nil {
		return jsonFault(err)
	}
	return nil
}

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
			depth++
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

// docFault is a fault at a JSON pointer; the empty pointer is the whole document.
func docFault(pointer, what string) error {
	if pointer == "" {
		pointer = "the top level"
	}
	return fault.New(fault.PlanningProblem, "where", pointer, "what", what).At(pointer, what)
}

// jsonFault says in plain words what the JSON library found, and where.
func jsonFault(err error) error {
	var semantic *json.SemanticError
	if errors.As(err, &semantic) {
		return docFault(string(semantic.JSONPointer), semanticText(semantic))
	}
	var syntactic *jsontext.SyntacticError
	if !errors.As(err, &syntactic) {
		return fault.New(fault.PlanningProblem, "where", "the top level", "what", "it cannot be read as JSON").Because(err)
	}
	at := string(syntactic.JSONPointer)
	switch {
	case errors.Is(err, jsontext.ErrDuplicateName):
		return docFault(at, "the key stands here twice; keep one")
	case errors.Is(err, io.ErrUnexpectedEOF):
		return docFault(at, "the document ends too early; the rest is missing")
	}
	return docFault(at, fmt.Sprintf("not JSON at byte %d: %v", syntactic.ByteOffset, syntactic.Err))
}

func semanticText(e *json.SemanticError) string {
	kinds := map[jsontext.Kind]string{'t': "true", 'f': "false", '"': "a text", '0': "a number", '{': "an object", '[': "a list"}
	switch {
	case errors.Is(e.Err, json.ErrUnknownName):
		return "the key is not known; the keys here are " + strings.Join(keys(e.GoType), ", ")
	case e.GoType == nil:
		return "the value cannot be used here"
	case e.JSONKind == '0' && wanted(e.GoType) == "a number":
		return fmt.Sprintf("the number %s is too large", e.JSONValue)
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
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		return "a list"
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
