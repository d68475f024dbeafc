package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
	"github.com/pressly/goose/v3/lock"

	"kitd/internal/fault"
	"kitd/migrations"
)

const migrationTable = "migration"

// Migrate brings the schema to this binary's. On SQLite a backup is made beside the database before each step that finds
// data there, named PATH.before-NUMBER-TIME. A database of something else, or one that needs a newer kitd, is left alone.
func (db *DB) Migrate(ctx context.Context) error {
	h, err := db.dialect.maintain()
	if err != nil {
		return translate(err)
	}
	defer func() { _ = h.Close() }()
	found, err := db.recognise(ctx, h)
	if err != nil {
		return err
	}
	p, err := db.provider(h)
	if err != nil {
		return translate(err)
	}
	if db.Dialect() == "postgres" { // one call, so that the session lock spans all steps
		_, err = p.Up(ctx)
		return translate(err)
	}
	return db.stepwise(ctx, p, found > 0)
}

// stepwise takes one migration after the other. Another process may do the same at the same moment: a step that failed is
// fine when the schema moved on all the same, and the first look may meet the other one's table half made.
func (db *DB) stepwise(ctx context.Context, p *goose.Provider, hasData bool) error {
	failedAt, looks := int64(-1), 0
	for {
		at, target, err := p.GetVersions(ctx)
		if looks++; err != nil && looks > 20 {
			return translate(err)
		}
		if err != nil {
			pause(ctx, looks)
			continue
		}
		if at >= target {
			return nil
		}
		if hasData && at != failedAt {
			stamp := db.Now().UTC().Format("20060102T150405Z")
			err := db.Backup(ctx, fmt.Sprintf("%s.before-%05d-%s", db.dialect.where(), at+1, stamp))
			if err != nil && !fault.Is(err, fault.BackupInWay) { // in the way is the one the other process just made
				return err
			}
		}
		_, err = p.UpByOne(ctx)
		if err != nil && !errors.Is(err, goose.ErrNoNextVersion) && at == failedAt {
			return translate(err)
		}
		failedAt = at
	}
}

func (db *DB) provider(h *sql.DB) (*goose.Provider, error) {
	files, err := migrations.FS(db.Dialect())
	if err != nil {
		return nil, err
	}
	dialect := database.DialectSQLite3
	options := []goose.ProviderOption{goose.WithTableName(migrationTable), goose.WithDisableGlobalRegistry(true), goose.WithSlog(db.Log)}
	if db.Dialect() == "postgres" {
		dialect = database.DialectPostgres
		locker, err := lock.NewPostgresSessionLocker()
		if err != nil {
			return nil, err
		}
		options = append(options, goose.WithSessionLocker(locker))
	}
	return goose.NewProvider(dialect, h, files, options...)
}

// Ready reports nil when the schema is the one this binary needs, and otherwise the fault that says what to do.
func (db *DB) Ready(ctx context.Context) error {
	h, err := db.dialect.maintain()
	if err != nil {
		return translate(err)
	}
	defer func() { _ = h.Close() }()
	found, err := db.recognise(ctx, h)
	if err != nil {
		return err
	}
	if own := migrations.Latest(db.Dialect()); found < own {
		return fault.New(fault.SchemaBehind, "found", found, "own", own)
	}
	return nil
}

// recognise gives the schema's number, zero for an empty database. A newer schema passes as long as it says that this
// binary may work on it.
func (db *DB) recognise(ctx context.Context, h *sql.DB) (int64, error) {
	names, err := tables(ctx, h, db.Dialect())
	if err != nil {
		return 0, translate(err)
	}
	if len(names) == 0 {
		return 0, nil
	}
	if !names["meta"] || !names[migrationTable] {
		return 0, fault.New(fault.ForeignData, "where", filepath.Base(db.dialect.where()))
	}
	var product, needs string
	var found int64
	err = h.QueryRowContext(ctx, "SELECT (SELECT value FROM meta WHERE name = 'product'), (SELECT value FROM meta WHERE name = 'min_binary'), (SELECT MAX(version_id) FROM "+migrationTable+")").
		Scan(&product, &needs, &found)
	if err != nil || product != "kitd" {
		return 0, fault.New(fault.ForeignData, "where", filepath.Base(db.dialect.where())).Because(err)
	}
	least, err := strconv.ParseInt(needs, 10, 64)
	if err != nil {
		return 0, fault.New(fault.StorageDamaged).Because(err)
	}
	if own := migrations.Latest(db.Dialect()); least > own {
		return 0, fault.New(fault.SchemaTooNew, "needed", least, "own", own)
	}
	return found, nil
}

// tables lists the tables a database holds, SQLite's own and goose's lonely one (left by a first start that broke off) apart.
func tables(ctx context.Context, h *sql.DB, dialect string) (map[string]bool, error) {
	query := "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%'"
	if dialect == "postgres" {
		query = "SELECT c.relname FROM pg_class c WHERE c.relkind IN ('r', 'p', 'v') AND c.relnamespace = current_schema()::regnamespace"
	}
	rows, err := h.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	names := map[string]bool{}
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		names[name] = true
	}
	if len(names) == 1 && names[migrationTable] {
		clear(names)
	}
	return names, rows.Err()
}
