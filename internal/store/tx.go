package store

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"strings"
	"time"

	"gorm.io/gorm"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Tx is one transaction. It satisfies the Store interface of every domain package and is valid only inside the function that
// Do or View runs, on one goroutine.
type Tx struct {
	q       *gorm.DB        // gorm inside the transaction; its errors go through translate
	ctx     context.Context // ends with the transaction's deadline
	who     access.Actor
	dialect string // "sqlite" or "postgres"

	db       *DB
	s        *session
	at       time.Time
	write    bool
	scanning bool
	over     bool
	broken   error         // fails the transaction even when fn returns nil
	first    *trail.Change // recorded first in this transaction
}

// now is the one instant of the transaction, in UTC and whole milliseconds.
func (tx *Tx) now() time.Time { return tx.at }

// newID makes an identifier.
func (tx *Tx) newID() ident.ID { return tx.db.NewID() }

// random fills b from the store's source of randomness.
func (tx *Tx) random(b []byte) error {
	_, err := io.ReadFull(tx.db.Random, b)
	return err
}

// guard refuses what would hang or be lost: statements between the rows of another, and after the end.
func (tx *Tx) guard(write bool) error {
	switch {
	case tx.scanning || tx.over:
		return fault.New(fault.NestedWork).Because(fmt.Errorf("store: statement while rows are open or after the end"))
	case write && !tx.write:
		return fault.New(fault.ReadOnlyWork)
	}
	return nil
}

// exec runs a statement with ? placeholders in either dialect and gives the number of rows it touched. Arguments may be
// ident.ID, time.Time, civil.Date (zero becomes NULL), column types and plain Go values.
func (tx *Tx) exec(query string, args ...any) (int64, error) {
	if err := tx.guard(true); err != nil {
		return 0, err
	}
	args, err := columns(args)
	if err != nil {
		return 0, err
	}
	res, err := tx.run(query, args)
	if err != nil {
		return 0, translate(err)
	}
	n, err := res.RowsAffected()
	return n, translate(err)
}

func (tx *Tx) run(query string, args []any) (sql.Result, error) {
	if tx.s.prepare != nil {
		stmt, err := tx.s.prepare(tx.ctx, query)
		if err != nil {
			return nil, err
		}
		return stmt.ExecContext(tx.ctx, args...)
	}
	return tx.s.pool.ExecContext(tx.ctx, tx.db.dialect.rebind(query), args...)
}

// execOne is exec for a change of one versioned row: no row touched is the fault "changed meanwhile" of the noun.
func (tx *Tx) execOne(noun, query string, args ...any) error {
	n, err := tx.exec(query, args...)
	if err == nil && n == 0 {
		err = fault.New(fault.Changed, "noun", noun)
	}
	return err
}

// scanner reads the row at hand into its destinations.
type scanner func(dest ...any) error

// each runs a query and calls row for each row; row only scans, it must not use tx. An INSERT with RETURNING
// is a query too.
func (tx *Tx) each(query string, args []any, row func(scan scanner) error) error {
	if err := tx.guard(false); err != nil {
		return err
	}
	args, err := columns(args)
	if err != nil {
		return err
	}
	rows, err := tx.open(query, args)
	if err != nil {
		return translate(err)
	}
	tx.scanning = true
	defer func() { tx.scanning = false; _ = rows.Close() }()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			return translate(err)
		}
	}
	return translate(rows.Err())
}

func (tx *Tx) open(query string, args []any) (*sql.Rows, error) {
	if tx.s.prepare != nil {
		stmt, err := tx.s.prepare(tx.ctx, query)
		if err != nil {
			return nil, err
		}
		return stmt.QueryContext(tx.ctx, args...)
	}
	return tx.s.pool.QueryContext(tx.ctx, tx.db.dialect.rebind(query), args...)
}

// row reads the first row of a query into dest and says whether there was one.
func (tx *Tx) row(query string, args []any, dest ...any) (bool, error) {
	found := false
	err := tx.each(query, args, func(scan scanner) error {
		if found {
			return nil
		}
		found = true
		return scan(dest...)
	})
	return found, err
}

// list reads every row of a query. scan fills one value.
func list[T any](tx *Tx, query string, args []any, scan func(scanner, *T) error) ([]T, error) {
	var all []T
	err := tx.each(query, args, func(s scanner) error {
		var v T
		err := scan(s, &v)
		all = append(all, v)
		return err
	})
	return all, err
}

// rows reads every row of a query into a slice of row structs through gorm.
func (tx *Tx) rows(dest any, query string, args ...any) error {
	if err := tx.guard(false); err != nil {
		return err
	}
	args, err := columns(args)
	if err != nil {
		return err
	}
	return translate(tx.q.Raw(query, args...).Scan(dest).Error)
}

// insert writes one row struct, or a slice of them, through gorm.
func (tx *Tx) insert(table string, row any) error {
	if err := tx.guard(true); err != nil {
		return err
	}
	return translate(tx.q.Table(table).Create(row).Error)
}

// lock makes transactions that name the same thing follow one another until they end. SQLite has one writer anyway; on
// PostgreSQL a check that no constraint repeats needs it.
func (tx *Tx) lock(name string) error {
	if tx.dialect != "postgres" {
		return tx.guard(true)
	}
	_, err := tx.exec("SELECT pg_advisory_xact_lock(hashtextextended(?, 0))", name)
	return err
}

// scope limits a query to what the actor sees: a condition on the column that holds the client, and its arguments. Rows of
// no client are seen by everybody.
func (tx *Tx) scope(column string) (condition string, args []any) {
	s := tx.who.Scope
	switch {
	case s.All:
		return "1=1", nil
	case len(s.Clients) == 0:
		return column + " IS NULL", nil
	}
	for _, c := range s.Clients {
		args = append(args, key(c))
	}
	return "(" + column + " IS NULL OR " + column + " IN (" + marks(len(args)) + "))", args
}

// marks gives n placeholders for an IN list.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?,", n), ",") }
