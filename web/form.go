package web

import (
	"net/url"
	"strconv"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// form is what was typed, and what has to change about it. Reading a value that cannot be read notes the fault beside its field
// and gives the zero value; ok tells whether anything was noted.
type form struct {
	values  url.Values
	errs    map[string]string
	stop    string // a fault that belongs to no field
	guarded bool   // a guard said no; a reason may override it
	part    string // of a page with several forms: keeps the ids of their fields apart
}

func newForm(values url.Values) *form {
	if values == nil {
		values = url.Values{}
	}
	return &form{values: values, errs: map[string]string{}}
}

// ok reports whether everything read so far could be read.
func (f *form) ok() bool { return len(f.errs) == 0 && f.stop == "" }

// get is the trimmed value of a field.
func (f *form) get(name string) string { return strings.TrimSpace(f.values.Get(name)) }

// set puts a value in place of what was typed, for forms that open filled in.
func (f *form) set(name, value string) { f.values.Set(name, value) }

// or puts a value where nothing was typed.
func (f *form) or(name, value string) {
	if !f.values.Has(name) {
		f.values.Set(name, value)
	}
}

// fail notes what is wrong with a field; the first word on a field stands.
func (f *form) fail(name, text string) {
	if _, noted := f.errs[name]; !noted {
		f.errs[name] = text
	}
}

// take notes a fault of the domain: beside the fields it names, or as a whole.
func (f *form) take(err error, fields map[string]string) {
	e := fault.Of(err)
	for _, at := range e.Fields {
		name, known := fields[at.Path]
		if !known {
			name = at.Path
		}
		f.fail(name, ended(at.Text))
	}
	f.stop = e.Sentence()
}

// need gives a value that has to be there.
func (f *form) need(name, what string) string {
	v := f.get(name)
	if v == "" {
		f.fail(name, what)
	}
	return v
}

// day reads a date; an empty field gives the zero date and is a fault only when it is needed.
func (f *form) day(name string, today civil.Date, lean when.Lean, needed bool) civil.Date {
	if f.get(name) == "" && !needed {
		return civil.Date{}
	}
	d, err := when.ReadDay(f.get(name), today, lean)
	if err != nil {
		f.fail(name, sentence(err))
		return civil.Date{}
	}
	f.set(name, when.Full(d)) // echoed with its weekday
	return d
}

// moment reads a day and a time of day in loc. Both empty give the zero time unless needed.
func (f *form) moment(day, clock string, now time.Time, loc *time.Location, lean when.Lean, needed bool) time.Time {
	if f.get(day) == "" && f.get(clock) == "" && !needed {
		return time.Time{}
	}
	d := f.day(day, civil.Of(now.In(loc)), lean, true)
	minutes, err := when.ReadClock(f.get(clock))
	if err != nil {
		f.fail(clock, sentence(err))
		return time.Time{}
	}
	if d.IsZero() {
		return time.Time{}
	}
	at, err := when.At(d, minutes, loc)
	if err != nil {
		f.fail(clock, sentence(err))
	}
	return at
}

// whole reads a whole number from lo to hi; an empty field gives 0.
func (f *form) whole(name string, lo, hi int) int {
	if f.get(name) == "" {
		return 0
	}
	n, err := strconv.Atoi(f.get(name))
	if err != nil || n < lo || n > hi {
		f.fail(name, "A whole number from "+strconv.Itoa(lo)+" to "+strconv.Itoa(hi)+" is wanted here.")
		return 0
	}
	return n
}

// decimal reads a number with a point or a comma; an empty field gives nil.
func (f *form) decimal(name string) *float64 {
	text := strings.ReplaceAll(strings.Replace(f.get(name), ",", ".", 1), "−", "-")
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v != v || v > 1e6 || v < -1e6 {
		f.fail(name, "A number such as 0.2 is wanted here.")
		return nil
	}
	return &v
}

// id reads an identifier chosen from a list; an empty field gives the zero ID.
func (f *form) id(name string) ident.ID {
	if f.get(name) == "" {
		return ident.ID{}
	}
	id, err := ident.Parse(f.get(name))
	if err != nil {
		f.fail(name, "Choose one from the list.")
	}
	return id
}

// on reports whether a tick is set.
func (f *form) on(name string) bool { return f.get(name) != "" }

// needsOverride reports whether a guard has stopped the form, so that it offers to go on with a reason.
func (f *form) needsOverride() bool { return f.guarded || f.get("override") != "" }

// field fills in what was typed and what is wrong with it.
func (f *form) field(x look.Field) look.Field {
	x.Value, x.Err = f.values.Get(x.ID), f.errs[x.ID]
	if f.part != "" {
		x.Name, x.ID = x.ID, f.part+"-"+x.ID
	}
	return x
}

// part gives the form of one part of a page: what was sent back from it, or an empty one opened with a day and a time.
func part(sent *form, what, day, clock string) *form {
	f := newForm(nil)
	if sent != nil && sent.get("what") == what {
		*f = *sent
	} else {
		f.set("day", day)
		f.set("clock", clock)
	}
	f.part = what
	return f
}

// sentence turns an error's text into one: a capital at the front, a full stop at the end.
func sentence(err error) string {
	s := err.Error()
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// isMissing reports whether something is absent or behind a wall.
func isMissing(err error) bool { return err != nil && fault.KindOf(err) == fault.NotFound }
