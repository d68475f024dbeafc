package store_test

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"

	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// BenchmarkDo writes one row and its change in a transaction; the reference runs the same statements on database/sql with
// the same pragmas.
func BenchmarkDo(b *testing.B) {
	h := storetest.SQLite(b)
	n := 0
	b.Run("store", func(b *testing.B) {
		for b.Loop() {
			n++
			err := h.Do(ctx, who, func(tx *store.Tx) error {
				if err := put(tx, fmt.Sprint(n)); err != nil {
					return err
				}
				return tx.Record(trail.Change{Noun: "row", Verb: "enter"})
			})
			if err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("reference-database-sql", func(b *testing.B) {
		db, err := sql.Open("sqlite3", "file:"+filepath.Join(b.TempDir(), "r.db")+"?_journal_mode=WAL&_synchronous=FULL&_foreign_keys=1&_txlock=immediate&_secure_delete=true")
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = db.Close() }()
		db.SetMaxOpenConns(1)
		for _, s := range []string{"CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT",
			`CREATE TABLE audit (id BLOB PRIMARY KEY, seq INTEGER UNIQUE, account_id BLOB, job TEXT, role TEXT, via TEXT, request TEXT, noun TEXT, noun_id BLOB, verb TEXT,
				client_id BLOB, occurred INTEGER, entered INTEGER, before_state TEXT, after_state TEXT, private TEXT, salt BLOB, private_hash BLOB) STRICT`,
			"CREATE INDEX audit_unsealed ON audit (id) WHERE seq IS NULL", "CREATE INDEX audit_noun ON audit (noun_id, entered)"} {
			if _, err := db.Exec(s); err != nil {
				b.Fatal(err)
			}
		}
		for b.Loop() {
			n++
			if err := reference(db, h, fmt.Sprint(n)); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func reference(db *sql.DB, h *storetest.House, name string) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	if _, err := tx.Exec("INSERT INTO counter (name, value) VALUES (?, ?)", name, 1); err != nil {
		return err
	}
	id, now := h.NewID(), h.Clock.Now().UnixMilli()
	_, err = tx.Exec(`INSERT INTO audit (id, account_id, job, role, via, request, noun, noun_id, verb, client_id, occurred, entered,
		before_state, after_state, private, salt, private_hash) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		id[:], nil, "test", "administrator", "job", "", "row", nil, "enter", nil, now, now, nil, nil, nil, nil, nil)
	if err != nil {
		return err
	}
	return tx.Commit()
}
