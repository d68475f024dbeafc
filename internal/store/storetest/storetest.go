// Package storetest runs tests of the store on both databases: SQLite in a real file, PostgreSQL on the server that
// KITD_TEST_POSTGRES names (.ci/postgres starts one). Each test gets a migrated database of its own.
package storetest

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/stdlib" // registers "pgx" and gives the test its own handle

	"github.com/jackc/pgx/v5"

	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/migrations"
)

// House is a migrated database with the clock it lives by.
type House struct {
	*store.DB
	Clock *kittest.Clock
}

// Each runs the test once on SQLite and once on PostgreSQL.
func Each(t *testing.T, test func(t *testing.T, h *House)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { test(t, SQLite(t)) })
	t.Run("postgres", func(t *testing.T) { test(t, Postgres(t)) })
}

// SQLite gives a database in a temporary file. Extra functions may change the configuration.
func SQLite(t testing.TB, change ...func(*store.Config)) *House {
	t.Helper()
	path := filepath.Join(t.TempDir(), "kitd.db")
	if err := os.WriteFile(path, sqliteTemplate(t), 0o600); err != nil {
		t.Fatal(err)
	}
	return open(t, "sqlite:"+path, change)
}

// Postgres gives a database on the test server; without a server the test is skipped.
func Postgres(t testing.TB, change ...func(*store.Config)) *House {
	t.Helper()
	return open(t, Database(t, postgresTemplate(t)), change)
}

// Server is the DSN of the PostgreSQL test server; without one the test is skipped.
func Server(t testing.TB) string {
	t.Helper()
	dsn := os.Getenv("KITD_TEST_POSTGRES")
	kittest.Peer(t, dsn != "", "PostgreSQL (KITD_TEST_POSTGRES is not set; .ci/postgres start DIR prints it)")
	return dsn
}

// SQL opens a plain handle on the same database, for tests that go behind the store's back.
func (h *House) SQL(t testing.TB) *sql.DB {
	t.Helper()
	driver, dsn := "pgx", h.DSN
	if h.Dialect() == "sqlite" {
		driver, dsn = "sqlite3", "file:"+(&url.URL{Path: h.Path()}).EscapedPath()+"?_busy_timeout=10000"
	}
	raw, err := sql.Open(driver, dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = raw.Close() })
	return raw
}

// Path is the file of a SQLite database.
func (h *House) Path() string { return h.DSN[len("sqlite:"):] }

func open(t testing.TB, dsn string, change []func(*store.Config)) *House {
	t.Helper()
	clock := kittest.NewClock()
	c := store.Config{DSN: dsn, Now: clock.Now, NewID: kittest.IDs(clock, 1), Random: kittest.Random(2)}
	for _, f := range change {
		f(&c)
	}
	db, err := store.Open(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return &House{DB: db, Clock: clock}
}

var sqliteOnce struct {
	sync.Once
	file []byte
	err  error
}

// sqliteTemplate migrates one database a process and gives its bytes.
func sqliteTemplate(t testing.TB) []byte {
	t.Helper()
	sqliteOnce.Do(func() {
		dir, err := os.MkdirTemp("", "kitd-template-")
		if err != nil {
			sqliteOnce.err = err
			return
		}
		defer func() { _ = os.RemoveAll(dir) }()
		path := filepath.Join(dir, "kitd.db")
		if sqliteOnce.err = migrate("sqlite:" + path); sqliteOnce.err == nil {
			sqliteOnce.file, sqliteOnce.err = os.ReadFile(path)
		}
	})
	if sqliteOnce.err != nil {
		t.Fatal(sqliteOnce.err)
	}
	return sqliteOnce.file
}

func migrate(dsn string) error {
	ctx := context.Background()
	db, err := store.Open(ctx, store.Config{DSN: dsn, Now: kittest.NewClock().Now})
	if err != nil {
		return err
	}
	if err := db.Migrate(ctx); err != nil {
		_ = db.Close()
		return err
	}
	return db.Close() // closing the last connection brings the log into the file
}

// postgresTemplate gives the name of a migrated database that others are copied from. Its name carries the hash of the
// migrations, so that every test process uses the same one; it stays on the server.
func postgresTemplate(t testing.TB) string {
	t.Helper()
	server := Server(t)
	name := "kitd_template_" + schemaHash(t)
	admin, ctx := adminOf(t, server), context.Background()
	defer func() { _ = admin.Close() }()
	conn, err := admin.Conn(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	var there bool
	steps := func() error {
		if _, err := conn.ExecContext(ctx, "SELECT pg_advisory_lock(5381)"); err != nil {
			return err
		}
		defer func() { _, _ = conn.ExecContext(ctx, "SELECT pg_advisory_unlock(5381)") }()
		if err := conn.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM pg_database WHERE datname = $1)", name).Scan(&there); err != nil || there {
			return err
		}
		if _, err := conn.ExecContext(ctx, "DROP DATABASE IF EXISTS "+name+"_half WITH (FORCE)"); err != nil {
			return err
		}
		if _, err := conn.ExecContext(ctx, "CREATE DATABASE "+name+"_half TEMPLATE template0"); err != nil {
			return err
		}
		if err := migrate(named(t, server, name+"_half")); err != nil {
			return err
		}
		_, err := conn.ExecContext(ctx, "ALTER DATABASE "+name+"_half RENAME TO "+name)
		return err
	}
	if err := steps(); err != nil {
		t.Fatal(err)
	}
	return name
}

// Database makes an empty or copied database on the test server, dropped when the test ends, and gives its DSN.
func Database(t testing.TB, template string) string {
	t.Helper()
	server := Server(t)
	admin, ctx := adminOf(t, server), context.Background()
	name := fmt.Sprintf("kitd_test_%d_%s", os.Getpid(), shortHash(t.Name()+t.TempDir()))
	if _, err := admin.ExecContext(ctx, "CREATE DATABASE "+name+" TEMPLATE "+template); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := admin.ExecContext(ctx, "DROP DATABASE "+name+" WITH (FORCE)"); err != nil {
			t.Error(err)
		}
		_ = admin.Close()
	})
	return named(t, server, name)
}

func adminOf(t testing.TB, server string) *sql.DB {
	t.Helper()
	config, err := pgx.ParseConfig(server)
	if err != nil {
		t.Fatal(err)
	}
	config.DefaultQueryExecMode = pgx.QueryExecModeExec
	return stdlib.OpenDB(*config)
}

func named(t testing.TB, server, name string) string {
	t.Helper()
	u, err := url.Parse(server)
	if err != nil {
		t.Fatal(err)
	}
	u.Path = "/" + name
	return u.String()
}

func schemaHash(t testing.TB) string {
	t.Helper()
	files, err := migrations.FS("postgres")
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	err = fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, path)
		_, _ = io.WriteString(h, path)
		_, _ = h.Write(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

func shortHash(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:6])
}
