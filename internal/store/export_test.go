package store

// What the external tests of the store reach of its inside.

type (
	Key     = key
	Instant = instant
	Day     = day
	Text    = text
)

func (tx *Tx) Exec(q string, args ...any) (int64, error) { return tx.exec(q, args...) }

func (tx *Tx) Row(q string, args []any, dest ...any) (bool, error) { return tx.row(q, args, dest...) }

func (tx *Tx) Each(q string, args []any, f func(func(...any) error) error) error {
	return tx.each(q, args, func(s scanner) error { return f(s) })
}

func (tx *Tx) Rows(dest any, q string, args ...any) error { return tx.rows(dest, q, args...) }

func (tx *Tx) Insert(table string, row any) error { return tx.insert(table, row) }

func (tx *Tx) ScopeOf(column string) (string, []any) { return tx.scope(column) }

func (tx *Tx) Context() any { return tx.ctx }

var (
	Dollars   = dollars
	Translate = translate
	Violates  = violates
)
