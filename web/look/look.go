// Package look holds the parts every page is made of: the surroundings, words with marks, buttons, fields, tables and drawings.
// It knows nothing of the trade: pages hand it words and numbers.
package look

import (
	"strconv"

	"github.com/a-h/templ"
)

// Frame is what surrounds a page.
type Frame struct {
	Title   string   // of the window, without the product's name
	Screen  string   // key of the lit screen
	Screens []Screen // those the account may open
	Who     string   // name and role; empty when nobody has signed in
	Place   string   // where the page speaks of
	Now     string   // date and time with zone
	Find    string   // what the search field holds
	Theme   string   // "light", "dark" or empty for the device's own
	Told    string   // what has just been done, in one sentence
}

// Screen is one name on the shelf line.
type Screen struct{ Key, Name, Href string }

// Count is one entry of a tally.
type Count struct {
	Mark, Word, Href string
	N                int
	Counted          bool // N is shown even when it is 0
	Chosen           bool
}

// Option is one choice of a field.
type Option struct{ Value, Text string }

// Field is one thing to fill in: label above, rule and error beside.
type Field struct {
	ID, Label, Value string
	Name             string // under which it is sent; empty: the ID
	Type             string // of the input; empty for text
	Rule, Err        string
	Class            string // width: short, day, long
	Mode             string // inputmode
	Fill             string // autocomplete
	Options          []Option
	Rows             int // above 0: several lines of text
	Max              int // most characters; 0 for 200
	Required, Wide   bool
}

// Link is an address with its words.
type Link struct{ Href, Text string }

// Step is one link of a chain of evidence.
type Step struct {
	Head, Href, Text string
	Look             bool // needs a person
}

func (f Field) kind() string {
	if f.Type == "" {
		return "text"
	}
	return f.Type
}

func (f Field) sent() string {
	if f.Name == "" {
		return f.ID
	}
	return f.Name
}

func (f Field) limit() string {
	if f.Max > 0 {
		return strconv.Itoa(f.Max)
	}
	return "200"
}

func (f Field) describedBy() string {
	switch {
	case f.Err != "" && f.Rule != "":
		return f.ID + "-error " + f.ID + "-rule"
	case f.Err != "":
		return f.ID + "-error"
	case f.Rule != "":
		return f.ID + "-rule"
	}
	return ""
}

func (f Field) box() string {
	if f.Wide {
		return "field wide"
	}
	if f.Class == "short" || f.Class == "day" {
		return "field half"
	}
	return "field"
}

// StateMark is the mark that goes with a word of state.
func StateMark(word string) string {
	switch word {
	case "fit", "back", "accepted", "complete":
		return "fit"
	case "not fit", "rejected", "cut short", "refused", "lost", "cleared", "swapped":
		return "notfit"
	case "held back", "at risk":
		return "held"
	case "unread data":
		return "unread"
	case "due soon":
		return "soon"
	case "out", "promised", "running", "worn", "linked":
		return "out"
	}
	return "unknown"
}

func stateClass(word string) string {
	switch StateMark(word) {
	case "fit":
		return "state quiet"
	case "out":
		return "state away"
	}
	if word == "cancelled" {
		return "state quiet"
	}
	return "state look"
}

// state gives the attributes that say whether the field must be filled, is wrong, and what explains it.
func (f Field) state() templ.Attributes {
	a := templ.Attributes{}
	if f.Required {
		a["required"] = true
	}
	if f.Err != "" {
		a["aria-invalid"] = "true"
	}
	if by := f.describedBy(); by != "" {
		a["aria-describedby"] = by
	}
	if f.Mode != "" {
		a["inputmode"] = f.Mode
	}
	if f.Fill != "" {
		a["autocomplete"] = f.Fill
	}
	return a
}
