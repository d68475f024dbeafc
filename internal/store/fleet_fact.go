package store

import (
	"encoding/hex"
	"fmt"
	"slices"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// AppendFacts implements fleet.Store. Each fact has its entry in the audit trail; what it says in words, and names in it, are
// private there. A unit behind a wall is as absent as one that was never there.
func (tx *Tx) AppendFacts(facts []fleet.Fact) error {
	units := make([]ident.ID, len(facts))
	for i, f := range facts {
		units[i] = f.Unit
	}
	if err := tx.LockUnits(units); err != nil {
		return err
	}
	cond, scope := tx.scope("client_id")
	there, err := inLists(sortedIDs(units), func(in string, args []any) ([]ident.ID, error) {
		return list(tx, "SELECT id FROM unit WHERE id IN "+in+" AND "+cond, append(args, scope...), scanID)
	})
	if err != nil {
		return err
	}
	for _, f := range facts {
		if !slices.Contains(there, f.Unit) {
			return fault.New(fault.NotThere, "noun", "unit")
		}
		if err := tx.appendFact(f); err != nil {
			return err
		}
	}
	return tx.touchUnits(units...)
}

func (tx *Tx) appendFact(f fleet.Fact) error {
	body, err := fleet.EncodeBody(f.Body)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	_, err = tx.exec("INSERT INTO fact (id, unit_id, kind, occurred, entered, by_name, note, body) VALUES (?,?,?,?,?,?,?,?)",
		f.ID, f.Unit, f.Body.FactKind(), f.Occurred, f.Entered, f.By, f.Note, string(body))
	if err != nil {
		return err
	}
	type said struct {
		Body fleet.Body `json:"body"`
		Note string     `json:"note,omitempty"`
	}
	type told struct {
		Fact ident.ID `json:"fact"`
		Kind string   `json:"kind"`
		Late bool     `json:"late,omitempty"`
	}
	return tx.Record(trail.Change{Noun: "unit", ID: f.Unit, Verb: "record " + f.Body.FactKind(), Client: f.Client(), Occurred: f.Occurred,
		After: told{f.ID, f.Body.FactKind(), f.Late(fleet.LateAfter)}, Private: said{f.Body, f.Note}})
}

const factColumns = "f.id, f.unit_id, f.kind, f.occurred, f.entered, f.by_name, f.note, f.body"

func scanFact(s scanner, f *fleet.Fact) error {
	var kind string
	var body []byte
	var occurred, entered instant
	if err := s((*key)(&f.ID), (*key)(&f.Unit), &kind, &occurred, &entered, &f.By, &f.Note, &body); err != nil {
		return err
	}
	f.Occurred, f.Entered = occurred.time(), entered.time()
	var err error
	f.Body, err = fleet.DecodeBody(kind, body)
	return err
}

// SaveCertificate implements fleet.Store.
func (tx *Tx) SaveCertificate(x fleet.Certificate) error {
	file, err := hex.DecodeString(x.File)
	if err != nil {
		return fault.New(fault.BadInput, "what", "the file's hash is not hexadecimal").Because(err)
	}
	if len(file) == 0 {
		file = nil
	}
	if err := tx.coversUnseen(x.Supersedes); err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO certificate (id, number, laboratory_id, calibrated, issued, file, entered, by_name, note, supersedes_id)
		VALUES (`+marks(10)+`)`, x.ID, x.Number, x.Laboratory, x.Calibrated, x.Issued, file, x.Entered, x.By, x.Note, x.Supersedes)
	if violates(err, "certificate", "supersedes_id") || fault.Is(err, fault.Frozen) {
		return fault.New(fault.Changed, "noun", "certificate").Because(err)
	}
	if err != nil {
		return err
	}
	touched, err := list(tx, "SELECT unit_id FROM certificate_line WHERE certificate_id = ?", []any{x.Supersedes}, scanID)
	if err != nil {
		return err
	}
	for _, l := range x.Lines {
		_, err := tx.exec(`INSERT INTO certificate_line (id, certificate_id, unit_id, verdict, as_found_db, as_left_db, level_db, expanded_u_db,
			coverage_k, microphone, due) VALUES (`+marks(11)+`)`, l.ID, x.ID, l.Unit, l.Verdict, optional(l.AsFoundDB), optional(l.AsLeftDB), optional(l.LevelDB),
			optional(l.ExpandedDB), l.CoverageK, l.Microphone, l.Due)
		if err != nil {
			return err
		}
		touched = append(touched, l.Unit)
	}
	return tx.touchUnits(touched...)
}

// coversUnseen refuses to correct a certificate that is the ground of units behind a wall: they would lose it unseen.
func (tx *Tx) coversUnseen(certificate ident.ID) error {
	cond, args := tx.scope("u.client_id")
	var n int
	_, err := tx.row("SELECT COUNT(*) FROM certificate_line l JOIN unit u ON u.id = l.unit_id WHERE l.certificate_id = ? AND NOT "+cond,
		append([]any{certificate}, args...), &n)
	if err == nil && n > 0 {
		err = fault.New(fault.NotAllowed, "what", "correct a certificate that covers units of other clients as well; somebody who sees every client can")
	}
	return err
}

// optional is a value that may be absent.
func optional(v *float64) any {
	if v == nil {
		return nil
	}
	return *v
}

const lineColumns = `l.id, l.certificate_id, l.unit_id, l.verdict, l.as_found_db, l.as_left_db, l.level_db, l.expanded_u_db, l.coverage_k, l.microphone,
	l.due, c.number, c.calibrated, c.entered, b.name, (SELECT s.entered FROM certificate s WHERE s.supersedes_id = c.id)`

const lineTables = " FROM certificate_line l JOIN certificate c ON c.id = l.certificate_id JOIN laboratory b ON b.id = c.laboratory_id"

func scanLine(s scanner, l *fleet.Line) error {
	var entered, superseded instant
	err := s((*key)(&l.ID), (*key)(&l.Certificate), (*key)(&l.Unit), (*string)(&l.Verdict), &l.AsFoundDB, &l.AsLeftDB, &l.LevelDB, &l.ExpandedDB, &l.CoverageK,
		&l.Microphone, (*day)(&l.Due), &l.Number, (*day)(&l.Calibrated), &entered, &l.LabName, &superseded)
	l.Entered, l.Superseded = entered.time(), superseded.time()
	return err
}

// Certificate implements fleet.Store: lines of units behind a wall are left out, and a certificate of none but those is absent.
func (tx *Tx) Certificate(id ident.ID) (fleet.Certificate, error) {
	var file []byte
	found, err := list(tx, `SELECT c.id, c.number, c.laboratory_id, c.calibrated, c.issued, c.file, c.entered, c.by_name, c.note, c.supersedes_id,
		(SELECT s.entered FROM certificate s WHERE s.supersedes_id = c.id) FROM certificate c WHERE c.id = ?`, []any{id},
		func(s scanner, x *fleet.Certificate) error {
			var entered, superseded instant
			err := s((*key)(&x.ID), &x.Number, (*key)(&x.Laboratory), (*day)(&x.Calibrated), (*day)(&x.Issued), &file, &entered, &x.By, &x.Note,
				(*key)(&x.Supersedes), &superseded)
			x.File, x.Entered, x.Superseded = hex.EncodeToString(file), entered.time(), superseded.time()
			return err
		})
	x, err := one(found, err, "certificate")
	if err != nil {
		return x, err
	}
	cond, scope := tx.scope("u.client_id")
	x.Lines, err = list(tx, "SELECT "+lineColumns+lineTables+" JOIN unit u ON u.id = l.unit_id WHERE l.certificate_id = ? AND "+cond+" ORDER BY u.folded",
		append([]any{id}, scope...), scanLine)
	if err == nil && len(x.Lines) == 0 {
		err = fault.New(fault.NotThere, "noun", "certificate")
	}
	if err != nil {
		return fleet.Certificate{}, err
	}
	return x, nil
}

// HasFile implements fleet.Store.
func (tx *Tx) HasFile(hash string) (bool, error) {
	raw, err := hex.DecodeString(hash)
	if err != nil {
		return false, nil
	}
	var n int
	return tx.row("SELECT 1 FROM file WHERE hash = ? AND erased IS NULL", []any{raw}, &n)
}

// checkPool reads every fact and looks for units in two kits at a time.
func (tx *Tx) checkPool() (found []string, err error) {
	err = tx.each("SELECT f.id, f.kind, f.body FROM fact f", nil, func(s scanner) error {
		var id key
		var kind string
		var body []byte
		if err := s(&id, &kind, &body); err != nil {
			return err
		}
		if _, err := fleet.DecodeBody(kind, body); err != nil {
			found = append(found, fmt.Sprintf("fact %s cannot be read: %v", ident.ID(id), err))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	twice, err := list(tx, `SELECT DISTINCT u.tag FROM kit_member a JOIN kit_member b ON b.unit_id = a.unit_id AND (b.kit_id <> a.kit_id OR b.starts <> a.starts)
		AND a.starts < COALESCE(b.ends, 9223372036854775807) AND b.starts < COALESCE(a.ends, 9223372036854775807)
		AND a.starts < COALESCE(a.ends, 9223372036854775807) AND b.starts < COALESCE(b.ends, 9223372036854775807)
		JOIN unit u ON u.id = a.unit_id`, nil, func(s scanner, tag *string) error { return s(tag) })
	for _, tag := range twice {
		found = append(found, "unit "+tag+" is in two kits at a time")
	}
	return found, err
}
