package store

import (
	"context"
	"errors"
	"fmt"
	"io"

	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/trail"
)

// Finding is something that should not be, found by Check.
type Finding struct {
	Check string // which check found it: "schema", "audit chain" …
	Text  string // what is wrong and where
}

// check is one thing that Check looks at. It gives a text for each thing that is wrong.
type check struct {
	name string
	run  func(*DB, context.Context) ([]string, error)
}

// checks lists what is looked at, in order. These belong to the house; each noun adds its own below them.
var checks = []check{
	{"schema", (*DB).checkSchema},
	{"integrity", (*DB).checkIntegrity},
	{"links", (*DB).checkLinks},
	{"audit chain", (*DB).checkTrail},
	{"file hashes", (*DB).checkFiles},
	{"pool", inView((*Tx).checkPool)},

	{"accounts", inView((*Tx).checkAccounts)},
	{"promises", (*DB).checkPromises},
	{"calendar", inView((*Tx).checkCalendar)},
	{"results", inView((*Tx).checkResults)},
	{"mail", inView((*Tx).checkMail)},
}

// houseChecks is how many of the checks hold for a schema of any age; a backup is looked at with them before it is restored.
const houseChecks = 5

// inView makes a check of a function that only reads one state.
func inView(look func(*Tx) ([]string, error)) func(*DB, context.Context) ([]string, error) {
	return func(db *DB, ctx context.Context) (found []string, err error) {
		err = db.look(ctx, house("check"), func(tx *Tx) (err error) {
			found, err = look(tx)
			return err
		})
		return found, err
	}
}

// Checks names what Check looks at.
func Checks() []string {
	var names []string
	for _, c := range checks {
		names = append(names, c.name)
	}
	return names
}

// Check looks at everything that must hold in the database and gives what does not. The error says that a check could not
// be made.
func (db *DB) Check(ctx context.Context) ([]Finding, error) {
	findings := []Finding{}
	for _, c := range checks {
		texts, err := c.run(db, ctx)
		if err != nil {
			return findings, fmt.Errorf("check of %s: %w", c.name, translate(err))
		}
		for _, t := range texts {
			findings = append(findings, Finding{c.name, t})
		}
		if c.name == "schema" && len(texts) > 0 {
			return findings, nil // nothing else can be read reliably
		}
	}
	return findings, nil
}

func (db *DB) checkSchema(ctx context.Context) ([]string, error) {
	err := db.Ready(ctx)
	if err == nil {
		return nil, nil
	}
	switch f := fault.Of(err); f.Code {
	case fault.SchemaBehind, fault.SchemaTooNew, fault.ForeignData, fault.StorageDamaged:
		return []string{f.Sentence()}, nil
	}
	return nil, err
}

// checkIntegrity lets SQLite look at its file. PostgreSQL looks after its own pages.
func (db *DB) checkIntegrity(ctx context.Context) ([]string, error) {
	if db.Dialect() == "postgres" {
		return nil, nil
	}
	texts, err := db.strings(ctx, "SELECT integrity_check FROM pragma_integrity_check")
	if f := fault.Of(err); f != nil && f.Code == fault.StorageDamaged {
		return []string{f.Sentence()}, nil
	}
	if len(texts) == 1 && texts[0] == "ok" {
		texts = nil
	}
	return texts, err
}

func (db *DB) checkLinks(ctx context.Context) ([]string, error) {
	if db.Dialect() == "postgres" {
		return nil, nil
	}
	return db.strings(ctx, `SELECT 'row ' || COALESCE(rowid, '') || ' of ' || "table" || ' names a row of ' || parent || ' that is not there'
		FROM pragma_foreign_key_check`)
}

// strings runs a query of one text column.
func (db *DB) strings(ctx context.Context, query string) ([]string, error) {
	return inView(func(tx *Tx) ([]string, error) {
		return list(tx, query, nil, func(s scanner, v *string) error { return s(v) })
	})(db, ctx)
}

func (db *DB) checkTrail(ctx context.Context) ([]string, error) {
	_, err := db.VerifyTrail(ctx)
	var b *trail.Break
	if errors.As(err, &b) {
		return []string{b.Error()}, nil
	}
	return nil, err
}

// checkFiles reads every file and compares its hash.
func (db *DB) checkFiles(ctx context.Context) ([]string, error) {
	var hashes []archive.Hash
	err := db.look(ctx, house("check"), func(tx *Tx) (err error) {
		hashes, err = list(tx, "SELECT hash FROM file WHERE hash IS NOT NULL AND erased IS NULL ORDER BY id", nil, func(s scanner, h *archive.Hash) error {
			var b []byte
			err := s(&b)
			copy(h[:], b)
			return err
		})
		return err
	})
	var texts []string
	for _, h := range hashes {
		r, _, openErr := db.Get(ctx, house("check"), h)
		if openErr != nil {
			return texts, openErr
		}
		if _, readErr := io.Copy(io.Discard, r); fault.Is(readErr, fault.FileDamaged) {
			texts = append(texts, fault.Of(readErr).Sentence())
		} else if readErr != nil {
			return texts, readErr
		}
	}
	return texts, err
}
