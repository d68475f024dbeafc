package fleet

import (
	"fmt"
	"slices"
	"strconv"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// document is what makes rows lines of one certificate.
type document struct {
	lab, number string // folded
	calibrated  civil.Date
}

// certRow is a row with what it was found to speak of.
type certRow struct {
	CertificateRow
	key  document
	lab  Laboratory
	unit Unit
	old  *Line // the line on record that it corrects; nil: it is new, or says the same
}

// certificates takes the rows of certificates.
func (im *intake) certificates(rows []CertificateRow) error {
	if len(rows) == 0 {
		return nil
	}
	found, err := im.spokenOf(rows)
	if err == nil {
		err = im.wrong()
	}
	if err != nil {
		return err
	}
	lines, err := im.standing(found)
	if err != nil {
		return err
	}
	b := binder{intake: im, kept: map[ident.ID]Certificate{}, fresh: map[document][]certRow{}, wrongs: map[ident.ID][]certRow{}, same: map[ident.ID][]certRow{}}
	for _, r := range found {
		if err := b.sort(r, lines[r.unit.ID]); err != nil {
			return err
		}
	}
	return b.store()
}

// spokenOf finds the laboratory and the unit of each row.
func (im *intake) spokenOf(rows []CertificateRow) ([]certRow, error) {
	all := make([]certRow, 0, len(rows))
	for _, r := range rows {
		x := certRow{CertificateRow: r, key: document{FoldTag(r.Laboratory), FoldTag(r.Number), r.Calibrated}}
		lab, there := im.labs[x.key.lab]
		if !there {
			im.bad(r.Row, "laboratory", "is %q, and there is no such laboratory; enter it first", r.Laboratory)
		}
		unit, err := im.s.UnitByTag(r.Tag)
		if fault.Is(err, fault.NotThere) {
			im.bad(r.Row, "tag", "is %q, and there is no such unit; enter the unit first", r.Tag)
			continue
		}
		if err != nil {
			return nil, err
		}
		x.lab, x.unit = lab, unit
		all = append(all, x)
	}
	return all, nil
}

// standing gives the lines on record of the units, those that were corrected left out.
func (im *intake) standing(rows []certRow) (map[ident.ID][]Line, error) {
	var ids []ident.ID
	for _, r := range rows {
		ids = append(ids, r.unit.ID)
	}
	slices.SortFunc(ids, func(a, b ident.ID) int { return slices.Compare(a[:], b[:]) })
	lines := map[ident.ID][]Line{}
	for part := range slices.Chunk(slices.Compact(ids), 500) {
		ds, err := im.s.Dossiers(part, im.now)
		if err != nil {
			return nil, err
		}
		for _, d := range ds {
			lines[d.Unit.ID] = slices.DeleteFunc(slices.Clone(d.Lines), func(l Line) bool { return !l.Superseded.IsZero() })
		}
	}
	return lines, nil
}

// binder puts rows together into certificates.
type binder struct {
	*intake
	kept   map[ident.ID]Certificate // on record, as read
	order  []any                    // document or certificate id, in the order of the rows
	fresh  map[document][]certRow
	wrongs map[ident.ID][]certRow // by the certificate they correct
	same   map[ident.ID][]certRow // rows that say what is on record, by the certificate that does
}

// sort puts a row where it belongs: nothing to do, a correction, or a new certificate.
func (b *binder) sort(r certRow, lines []Line) error {
	for i := range lines {
		l := lines[i]
		if (document{FoldTag(l.LabName), FoldTag(l.Number), l.Calibrated}) != r.key {
			continue
		}
		x, err := b.certificate(l.Certificate)
		if err != nil {
			return err
		}
		r.old = &lines[i]
		if len(r.differences(x, l)) == 0 {
			b.same[l.Certificate] = append(b.same[l.Certificate], r)
			b.report.Unchanged++
			return nil
		}
	}
	if r.old != nil {
		id := r.old.Certificate
		if len(b.wrongs[id]) == 0 {
			b.order = append(b.order, id)
		}
		b.wrongs[id] = append(b.wrongs[id], r)
		return nil
	}
	if len(b.fresh[r.key]) == 0 {
		b.order = append(b.order, r.key)
	}
	b.fresh[r.key] = append(b.fresh[r.key], r)
	return nil
}

func (b *binder) certificate(id ident.ID) (Certificate, error) {
	if x, read := b.kept[id]; read {
		return x, nil
	}
	x, err := b.s.Certificate(id)
	if err == nil {
		b.kept[id] = x
	}
	return x, err
}

// differences lists where a row reads otherwise than the line on record.
func (r certRow) differences(x Certificate, l Line) []Difference {
	var out []Difference
	add := func(field string, told bool, before, after string) {
		if told && before != after {
			out = append(out, Difference{field, before, after})
		}
	}
	add("issued", r.Issued.Told, x.Issued.String(), r.Issued.Value.String())
	add("verdict", true, string(l.Verdict), string(r.Verdict))
	add("as_found_db", r.AsFoundDB.Told, decimal(l.AsFoundDB), decimal(r.AsFoundDB.Value))
	add("as_left_db", r.AsLeftDB.Told, decimal(l.AsLeftDB), decimal(r.AsLeftDB.Value))
	add("level_db", r.LevelDB.Told, decimal(l.LevelDB), decimal(r.LevelDB.Value))
	add("expanded_u_db", r.ExpandedDB.Told, decimal(l.ExpandedDB), decimal(r.ExpandedDB.Value))
	k := r.CoverageK.Value
	if k == 0 {
		k = 2
	}
	add("coverage_k", r.CoverageK.Told, decimal(&l.CoverageK), decimal(&k))
	add("microphone", r.Microphone.Told, l.Microphone, r.Microphone.Value)
	add("due", r.Due.Told && !r.Due.Value.IsZero(), l.Due.String(), r.Due.Value.String())
	add("note", r.Note.Told, x.Note, r.Note.Value)
	return out
}

func decimal(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// store enters the new certificates and the corrections.
func (b *binder) store() error {
	for _, what := range b.order {
		var err error
		if key, fresh := what.(document); fresh {
			err = b.add(b.fresh[key])
		} else {
			err = b.correct(what.(ident.ID))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// agreed looks for rows of one certificate that contradict each other, and for a unit named twice.
func (b *binder) agreed(rows []certRow) bool {
	noted := len(b.c.fields)
	seen := map[ident.ID]int{}
	for _, r := range rows {
		if first, twice := seen[r.unit.ID]; twice {
			b.bad(r.Row, "tag", "is %s, which row %d names for the same certificate; keep one row", r.unit.Tag, first)
		}
		seen[r.unit.ID] = r.Row
		if r.Issued.Value != rows[0].Issued.Value {
			b.bad(r.Row, "issued", "differs from row %d of the same certificate; write the same day in both", rows[0].Row)
		}
		if r.Note.Value != rows[0].Note.Value {
			b.bad(r.Row, "note", "differs from row %d of the same certificate; write the same note in both", rows[0].Row)
		}
	}
	return noted == len(b.c.fields)
}

func (b *binder) add(rows []certRow) error {
	if !b.agreed(rows) {
		return nil
	}
	first := rows[0]
	x := Certificate{Number: first.Number, Laboratory: first.lab.ID, Calibrated: first.Calibrated, Issued: first.Issued.Value, Note: first.Note.Value}
	for _, r := range rows {
		x.Lines = append(x.Lines, r.line(Line{Unit: r.unit.ID}))
	}
	stored, err := b.enter(x, rows)
	if err == nil && stored {
		b.report.Added = append(b.report.Added, b.planned(rows, Certificate{}))
	}
	return err
}

// line gives the line as the row has it, on top of the one on record.
func (r certRow) line(l Line) Line {
	l.Verdict = r.Verdict
	set(&l.AsFoundDB, r.AsFoundDB)
	set(&l.AsLeftDB, r.AsLeftDB)
	set(&l.LevelDB, r.LevelDB)
	set(&l.ExpandedDB, r.ExpandedDB)
	set(&l.CoverageK, r.CoverageK)
	set(&l.Microphone, r.Microphone)
	if r.Due.Told && !r.Due.Value.IsZero() {
		l.Due = r.Due.Value
	}
	return l
}

// correct enters a certificate anew with the lines that read otherwise. Extensions belong to a line and would be lost: that is
// refused here. Lines that the account does not see would be missing from the correction: that the store refuses.
func (b *binder) correct(id ident.ID) error {
	rows, x := b.wrongs[id], b.kept[id]
	if !b.agreed(slices.Concat(rows, b.same[id])) {
		return nil
	}
	if extended, err := b.extended(x); err != nil || extended != "" {
		if err == nil {
			b.bad(rows[0].Row, "number", "is of a certificate with an extension of %s, which a correction would drop; correct it on the page of the unit", extended)
		}
		return err
	}
	before := x
	x.Supersedes, x.Lines = id, slices.Clone(x.Lines)
	set(&x.Issued, rows[0].Issued)
	set(&x.Note, rows[0].Note)
	for i, l := range x.Lines {
		if at := slices.IndexFunc(rows, func(r certRow) bool { return r.old.ID == l.ID }); at >= 0 {
			x.Lines[i] = rows[at].line(l)
		}
	}
	stored, err := b.enter(x, rows)
	if err == nil && stored {
		b.report.Changed = append(b.report.Changed, b.planned(rows, before))
	}
	return err
}

// extended names a unit whose line of the certificate was extended, empty when there is none.
func (b *binder) extended(x Certificate) (tag string, err error) {
	var ids []ident.ID
	for _, l := range x.Lines {
		ids = append(ids, l.Unit)
	}
	ds, err := b.s.Dossiers(ids, b.now)
	for _, d := range ds {
		for _, f := range d.Facts {
			if e, ok := f.Body.(Extended); ok && slices.ContainsFunc(x.Lines, func(l Line) bool { return l.ID == e.Line }) {
				return d.Unit.Tag, err
			}
		}
	}
	return "", err
}

// enter checks and stores one certificate; what is wrong is noted at the rows, and then it was not stored.
func (b *binder) enter(x Certificate, rows []certRow) (stored bool, err error) {
	x.ID, x.Entered, x.By = b.k.NewID(), b.now, b.who.Name
	noted := len(b.c.fields)
	if err := x.check(b.now); err != nil {
		for _, f := range fault.Of(err).Fields {
			var i int
			var field string
			if n, _ := fmt.Sscanf(f.Path, "lines/%d/%s", &i, &field); n != 2 || i >= len(rows) || !x.Supersedes.IsZero() {
				i, field = 0, f.Path
			}
			b.bad(rows[i].Row, field, "%s", f.Text)
		}
		return false, nil
	}
	for i := range x.Lines {
		x.Lines[i].ID = b.k.NewID()
	}
	if err := enter(b.s, &x); err != nil {
		if fault.Is(err, fault.NotAllowed) {
			b.bad(rows[0].Row, "number", "is of a certificate that covers units of clients you do not see, and reads otherwise here; somebody who sees them has to correct it")
			return false, b.wrong()
		}
		if bad := b.badAs(rows[0].Row, "number", err); bad != nil {
			return false, bad
		}
		if !fault.Is(err, fault.BadInput) {
			return false, b.wrong() // the store refused: nothing more can be tried in this transaction
		}
	}
	return noted == len(b.c.fields), nil
}

func (b *binder) planned(rows []certRow, before Certificate) Planned {
	p := Planned{Row: rows[0].Row, Noun: "certificate", Name: rows[0].Number}
	for _, r := range rows {
		if r.old == nil {
			p.Differences = append(p.Differences, Difference{"tag", "", r.unit.Tag})
			continue
		}
		for _, d := range r.differences(before, *r.old) {
			d.Field = r.unit.Tag + ", " + d.Field
			p.Differences = append(p.Differences, d)
		}
	}
	return p
}
