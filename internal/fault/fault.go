// Package fault is the one form in which kitd says that something did not happen: a kind that every outside interface maps
// once, a stable code with arguments, a sentence that is safe to show, and the cause for the log.
package fault

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Kind sorts faults by what the caller can do about them.
type Kind int

// The kinds. Internal is the kind of every error that carries no fault.
const (
	Internal    Kind = iota // nothing the caller can mend
	Invalid                 // the input must change
	NotFound                // absent, or not for this account: the two answer alike
	Conflict                // the state of things does not allow it now
	Forbidden               // the account's role does not allow it
	Unavailable             // the same call may succeed later
)

// String names the kind as logs and problem documents do.
func (k Kind) String() string {
	return [...]string{"internal", "invalid", "not found", "conflict", "forbidden", "unavailable"}[k]
}

// Field says where in the input something is wrong: a JSON path, a form field, a column or a line.
type Field struct {
	Path string // "/tasks/1/hours", "line 7, column 3", "start"
	Text string // what is wrong and what to do
}

// Error is a fault. It is safe to show except for Cause.
type Error struct {
	Code   Code
	Args   map[string]string
	Fields []Field
	Cause  error
}

// New makes a fault of a catalogued code. args are key, value pairs that fill the sentence. An unknown code or a missing
// argument is a programming mistake, found by the catalogue's test; the sentence then shows the key.
func New(code Code, args ...any) *Error {
	e := &Error{Code: code}
	if len(args) > 0 {
		e.Args = make(map[string]string, len(args)/2)
	}
	for i := 0; i+1 < len(args); i += 2 {
		e.Args[fmt.Sprint(args[i])] = fmt.Sprint(args[i+1])
	}
	return e
}

// At adds the place in the input that the fault speaks of.
func (e *Error) At(path, text string) *Error {
	e.Fields = append(e.Fields, Field{path, text})
	return e
}

// Because keeps the cause for the log.
func (e *Error) Because(cause error) *Error {
	e.Cause = cause
	return e
}

// Known reports whether the catalogue has the code.
func (e *Error) Known() bool {
	_, ok := catalogue[e.Code]
	return ok
}

// Kind is the catalogue's kind of the code.
func (e *Error) Kind() Kind { return catalogue[e.Code].kind }

// Sentence is the catalogued text with the arguments filled in: one sentence that people can read and act on.
func (e *Error) Sentence() string {
	entry, ok := catalogue[e.Code]
	if !ok {
		return catalogue[Unexpected].text
	}
	pairs := make([]string, 0, 2*len(e.Args))
	for k, v := range e.Args {
		pairs = append(pairs, "{"+k+"}", v)
	}
	return strings.NewReplacer(pairs...).Replace(entry.text)
}

// Error gives the sentence, the places and the cause, for logs and tests.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Sentence())
	for _, f := range e.Fields {
		fmt.Fprintf(&b, " [%s: %s]", f.Path, f.Text)
	}
	if e.Cause != nil {
		fmt.Fprintf(&b, ": %v", e.Cause)
	}
	return b.String()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Of finds the fault in an error, or wraps it as an unexpected one. It returns nil for nil.
func Of(err error) *Error {
	if err == nil {
		return nil
	}
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return New(Unexpected).Because(err)
}

// Is reports whether err is a fault of the code.
func Is(err error, code Code) bool {
	var e *Error
	return errors.As(err, &e) && e.Code == code
}

// KindOf gives the kind of any error; an error without a fault is Internal, and so is none at all.
func KindOf(err error) Kind {
	if err == nil {
		return Internal
	}
	return Of(err).Kind()
}

// Codes lists every catalogued code in order, for tests that cover each in each outside form.
func Codes() []Code {
	codes := make([]Code, 0, len(catalogue))
	for c := range catalogue {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	return codes
}
