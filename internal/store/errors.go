package store

import (
	"context"
	"database/sql/driver"
	"errors"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"

	"kitd/internal/fault"
)

var (
	errBadConn = driver.ErrBadConn
	errClosed  = errors.New("store: closed")
)

// breach is what kind of refusal a database error is.
type breach int

const (
	breachNone breach = iota
	breachUnique
	breachCheck
	breachNull
	breachLink
	breachOverlap
	breachRaised
	breachBusy   // the same work may pass when repeated
	breachFull   // no room left on the disk
	breachRead   // a write on a reading transaction
	breachDamage // not a database, or a torn one
	breachAway   // the server is gone
	breachText   // a text that cannot be stored
)

// violation is a database error that says which rule was broken. rule is a constraint's name on PostgreSQL and
// "table.column" or a name on SQLite; columns holds whatever names the columns.
type violation struct {
	breach  breach
	table   string
	columns string
	rule    string
	raised  string // the fault code of a raising trigger
	cause   error
}

func (v *violation) Error() string { return v.cause.Error() }
func (v *violation) Unwrap() error { return v.cause }

// translate turns a driver's error into a fault; faults pass unchanged.
func translate(err error) error {
	var known *fault.Error
	if err == nil || errors.As(err, &known) {
		return err
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return fault.New(fault.Busy).Because(err)
	}
	if v := classify(err); v != nil {
		return v.fault().Because(v)
	}
	return fault.New(fault.Unexpected).Because(err)
}

// fault picks the sentence. A constraint or trigger named like a fault's code speaks for itself.
func (v *violation) fault() *fault.Error {
	for _, name := range []string{v.raised, strings.ReplaceAll(v.rule, "_", "-")} {
		if code := fault.Code(name); name != "" && fault.New(code).Known() {
			return fault.New(code)
		}
	}
	switch v.breach {
	case breachUnique:
		return fault.New(fault.AlreadyUsed, "noun", v.table, "value", v.columns)
	case breachCheck, breachNull:
		return fault.New(fault.BreaksRule, "rule", v.rule)
	case breachLink:
		return fault.New(fault.StillLinked)
	case breachOverlap:
		return fault.New(fault.Overlaps, "rule", v.rule)
	case breachBusy:
		return fault.New(fault.Busy)
	case breachFull:
		return fault.New(fault.StorageFull)
	case breachRead:
		return fault.New(fault.ReadOnlyWork)
	case breachDamage:
		return fault.New(fault.StorageDamaged)
	case breachText:
		return fault.New(fault.BadText)
	case breachAway:
		return fault.New(fault.StorageAway, "where", "its address")
	}
	return fault.New(fault.Unexpected)
}

// violates reports whether err broke the uniqueness of a table's column, in either dialect.
func violates(err error, table, column string) bool {
	var v *violation
	return errors.As(err, &v) && v.breach == breachUnique && v.table == table && strings.Contains(v.columns, column)
}

// repeatable reports whether the same transaction may pass when run again.
func repeatable(err error) bool {
	var v *violation
	if !errors.As(err, &v) {
		v = classify(err)
	}
	return v != nil && v.breach == breachBusy
}

func classify(err error) *violation {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return fromPostgres(pg)
	}
	var connect *pgconn.ConnectError
	var network net.Error
	if errors.As(err, &connect) || errors.As(err, &network) {
		return &violation{breach: breachAway, cause: err}
	}
	return fromSQLite(err)
}

// sqlStates are the SQLSTATE codes that kitd tells apart (PostgreSQL 15, appendix A).
var sqlStates = map[string]breach{
	"23505": breachUnique, "23514": breachCheck, "23502": breachNull, "23503": breachLink, "23001": breachLink, "23P01": breachOverlap,
	"40001": breachBusy, "40P01": breachBusy, "55P03": breachBusy, "57014": breachBusy,
	"53100": breachFull, "25006": breachRead, "XX001": breachDamage, "XX002": breachDamage,
	"57P01": breachAway, "57P02": breachAway, "57P03": breachAway, "08000": breachAway, "08003": breachAway, "08006": breachAway,
	"22021": breachText, "22P05": breachText, "53300": breachAway, "3D000": breachAway,
}

func fromPostgres(pg *pgconn.PgError) *violation {
	v := &violation{breach: sqlStates[pg.Code], table: pg.TableName, rule: pg.ConstraintName, cause: pg}
	if code, ok := strings.CutPrefix(pg.Message, "kitd:"); ok && pg.Code == "P0001" {
		v.breach, v.raised = breachRaised, code
	}
	if v.breach == breachNone {
		return nil
	}
	if v.breach == breachNull {
		v.rule = pg.TableName + "." + pg.ColumnName
	}
	// Detail: Key (depot_id, tag)=(…) already exists. The values stay out: they may be private.
	if _, rest, ok := strings.Cut(pg.Detail, "Key ("); ok {
		v.columns, _, _ = strings.Cut(rest, ")=")
	}
	return v
}
