//go:build cgo

package store

import (
	"errors"
	"strings"

	"github.com/mattn/go-sqlite3"
)

const sqliteBuilt = true

var sqliteCodes = map[sqlite3.ErrNo]breach{
	sqlite3.ErrBusy: breachBusy, sqlite3.ErrLocked: breachBusy, sqlite3.ErrFull: breachFull, sqlite3.ErrReadonly: breachRead,
	sqlite3.ErrNotADB: breachDamage, sqlite3.ErrCorrupt: breachDamage, sqlite3.ErrInterrupt: breachBusy,
}

var sqliteConstraints = map[sqlite3.ErrNoExtended]breach{
	sqlite3.ErrConstraintUnique: breachUnique, sqlite3.ErrConstraintPrimaryKey: breachUnique, sqlite3.ErrConstraintRowID: breachUnique,
	sqlite3.ErrConstraintCheck: breachCheck, sqlite3.ErrConstraintNotNull: breachNull,
	sqlite3.ErrConstraintForeignKey: breachLink, sqlite3.ErrConstraintTrigger: breachRaised,
}

// fromSQLite reads SQLite's result codes and the texts that name what was broken ("UNIQUE constraint failed: unit.tag").
func fromSQLite(err error) *violation {
	var e sqlite3.Error
	if !errors.As(err, &e) {
		return nil
	}
	v := &violation{breach: sqliteCodes[e.Code], cause: err}
	if e.Code == sqlite3.ErrConstraint {
		v.breach = sqliteConstraints[e.ExtendedCode]
	}
	if v.breach == breachNone {
		return nil
	}
	message := e.Error()
	if code, ok := strings.CutPrefix(message, "kitd:"); ok {
		v.raised = code
	}
	_, v.rule, _ = strings.Cut(message, "constraint failed: ")
	switch v.breach {
	case breachUnique:
		v.table, v.columns = tableAndColumns(v.rule)
	case breachNull:
		v.table, _, _ = strings.Cut(v.rule, ".")
	}
	return v
}

// tableAndColumns reads "unit.depot_id, unit.tag", or "index 'unit_tag'" for an index over expressions, whose table is then
// the name's part before the first "_".
func tableAndColumns(rule string) (table, columns string) {
	if name, ok := strings.CutPrefix(rule, "index '"); ok {
		name = strings.TrimSuffix(name, "'")
		table, _, _ = strings.Cut(name, "_")
		return table, name
	}
	table, _, _ = strings.Cut(rule, ".")
	return table, strings.ReplaceAll(rule, table+".", "")
}

// noTransaction recognises a ROLLBACK with nothing to undo: SQLite undid the transaction itself.
func noTransaction(err error) bool {
	var e sqlite3.Error
	return errors.As(err, &e) && strings.Contains(e.Error(), "no transaction is active")
}
