package fleet

import (
	"slices"

	"kitd/internal/ident"
)

// Behind gives the dossier as an account sees it: promises and hand-outs of clients it does not see lose their names, so that
// a reason across the wall says "promised until" and nothing else. The rules answer alike on both.
func (d Dossier) Behind(sees func(client ident.ID) bool) Dossier {
	if i := slices.IndexFunc(d.Promises, func(p Promise) bool { return !sees(p.Client) }); i >= 0 {
		d.Promises = slices.Clone(d.Promises)
		for j := range d.Promises {
			if p := &d.Promises[j]; !sees(p.Client) {
				p.Label, p.Client, p.Booking = "", ident.ID{}, ident.ID{}
			}
		}
	}
	if slices.ContainsFunc(d.Facts, func(f Fact) bool { return !sees(f.Client()) }) {
		d.Facts = slices.Clone(d.Facts)
		for j := range d.Facts {
			d.Facts[j] = d.Facts[j].behind(sees)
		}
	}
	return d
}

// Client is whose data a fact speaks of, zero for none.
func (f Fact) Client() ident.ID {
	switch b := f.Body.(type) {
	case Custody:
		return b.Client
	case Worn:
		return b.Client
	}
	return ident.ID{}
}

// behind takes out of a fact what only the client's own people may know. The wear's identifier stays: a return is matched by it.
func (f Fact) behind(sees func(client ident.ID) bool) Fact {
	if sees(f.Client()) {
		return f
	}
	f.Note, f.By = "", ""
	switch b := f.Body.(type) {
	case Custody:
		b.Booking, b.Client, b.Holder = ident.ID{}, ident.ID{}, ""
		f.Body = b
	case Worn:
		b.Client = ident.ID{}
		f.Body = b
	}
	return f
}
