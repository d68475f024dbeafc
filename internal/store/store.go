// Package store keeps everything kitd knows in one database, SQLite or PostgreSQL. It is the only package that knows gorm and
// SQL. Domain packages state what they need as small interfaces; *Tx implements them, one file a noun.
package store

import (
	"context"
	"crypto/rand"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

// Config says where the data are and what the store must not take from its surroundings by itself.
type Config struct {
	DSN    string           // "sqlite:PATH" or "postgres://…"
	Now    func() time.Time // required
	NewID  ident.Source     // default: over Now and Random
	Random io.Reader        // default: crypto/rand
	Log    *slog.Logger     // default: silent

	WriteTimeout time.Duration // a Do, retries included; default 30 s
	ReadTimeout  time.Duration // a View; default 30 s
	Readers      int           // connections for View; default 4 (SQLite), 8 more on PostgreSQL
	MustExist    bool          // a missing SQLite file is a fault instead of being made
}

// DB is an open database. It is safe for concurrent use.
type DB struct {
	Config
	dialect dialect
	inside  sync.Map // goroutine numbers that are inside Do or View
	pool    poolCache
}

// Open connects and makes an empty SQLite file when there is none; it changes no schema. Call Migrate or Ready next.
func Open(ctx context.Context, c Config) (*DB, error) {
	c.defaults()
	db := &DB{Config: c}
	scheme, rest, _ := strings.Cut(c.DSN, ":")
	var err error
	switch scheme {
	case "sqlite":
		db.dialect, err = openSQLite(ctx, rest, c)
	case "postgres", "postgresql":
		db.dialect, err = openPostgres(ctx, c)
	default:
		err = fault.New(fault.BadInput, "what", `the database must be given as "sqlite:PATH" or "postgres://…"`).At("database", "starts with neither")
	}
	if err != nil {
		return nil, err
	}
	return db, nil
}

func (c *Config) defaults() {
	if c.Random == nil {
		c.Random = rand.Reader
	}
	if c.NewID == nil {
		c.NewID = ident.NewSource(c.Now, c.Random)
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.WriteTimeout == 0 {
		c.WriteTimeout = 30 * time.Second
	}
	if c.ReadTimeout == 0 {
		c.ReadTimeout = 30 * time.Second
	}
	if c.Readers == 0 {
		c.Readers = 4
	}
}

// Close waits for the work under way, whose deadlines bound it, and ends every connection. Later work is refused as "busy".
func (db *DB) Close() error { return db.dialect.close() }

// Dialect is "sqlite" or "postgres".
func (db *DB) Dialect() string { return db.dialect.name() }
