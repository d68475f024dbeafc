package store_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"kitd/internal/fault"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

func tryDo(h *storetest.House, statements ...string) error {
	return h.Do(ctx, who, func(tx *store.Tx) error {
		for _, s := range statements {
			if _, err := tx.Exec(s); err != nil {
				return err
			}
		}
		return nil
	})
}

func TestDatabaseErrorsBecomeFaults(t *testing.T) {
	tables := []string{
		"CREATE TABLE parent (id bigint PRIMARY KEY)",
		`CREATE TABLE child (id bigint PRIMARY KEY, parent bigint REFERENCES parent (id), tag text NOT NULL, n bigint,
			CONSTRAINT child_small CHECK (n < 10), CONSTRAINT too_large CHECK (n <> 5), UNIQUE (tag, n))`,
		"CREATE UNIQUE INDEX child_tag_folded ON child (lower(tag)) WHERE n IS NULL",
		"INSERT INTO parent VALUES (1)", "INSERT INTO child VALUES (1, 1, 'K1', NULL), (2, 1, 'secret', 2)",
	}
	raising := map[string]string{
		"sqlite":   "CREATE TRIGGER parent_kept BEFORE UPDATE ON parent BEGIN SELECT RAISE(ABORT, 'kitd:changed-meanwhile'); END",
		"postgres": "CREATE FUNCTION say() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'kitd:changed-meanwhile'; END $$; CREATE TRIGGER parent_kept BEFORE UPDATE ON parent FOR EACH ROW EXECUTE FUNCTION say()",
	}
	cases := []struct {
		name, statement string
		code            fault.Code
		kind            fault.Kind
		text            string
	}{
		{"primary key", "INSERT INTO parent VALUES (1)", fault.AlreadyUsed, fault.Conflict, "parent"},
		{"unique", "INSERT INTO child VALUES (3, 1, 'secret', 2)", fault.AlreadyUsed, fault.Conflict, "tag"},
		{"unique expression", "INSERT INTO child VALUES (3, 1, 'k1', NULL)", fault.AlreadyUsed, fault.Conflict, "tag"},
		{"check", "INSERT INTO child VALUES (3, 1, 'x', 11)", fault.BreaksRule, fault.Invalid, "child_small"},
		{"check named like a fault", "INSERT INTO child VALUES (3, 1, 'x', 5)", fault.TooLarge, fault.Invalid, ""},
		{"not null", "INSERT INTO child VALUES (3, 1, NULL, 1)", fault.BreaksRule, fault.Invalid, "child.tag"},
		{"no parent", "INSERT INTO child VALUES (3, 7, 'x', 1)", fault.StillLinked, fault.Conflict, ""},
		{"parent in use", "DELETE FROM parent", fault.StillLinked, fault.Conflict, ""},
		{"raised", "UPDATE parent SET id = 2", fault.Changed, fault.Conflict, ""},
		{"no such table", "DELETE FROM nowhere", fault.Unexpected, fault.Internal, ""},
		{"nonsense", "NONSENSE", fault.Unexpected, fault.Internal, ""},
	}
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		behind(t, h, append(tables, raising[h.Dialect()])...)
		for _, c := range cases {
			err := tryDo(h, c.statement)
			f := fault.Of(err)
			if f == nil || f.Code != c.code || f.Kind() != c.kind || !strings.Contains(f.Sentence(), c.text) {
				t.Errorf("%s: got %v, want %s with %q", c.name, err, c.code, c.text)
				continue
			}
			if f.Cause == nil {
				t.Errorf("%s: the cause is lost", c.name)
			}
			if strings.Contains(f.Sentence(), "secret") {
				t.Errorf("%s: the sentence shows a stored value: %s", c.name, f.Sentence())
			}
		}
		err := tryDo(h, "INSERT INTO child VALUES (3, 1, 'k1', NULL)")
		if !store.Violates(err, "child", "tag") || store.Violates(err, "child", "parent") || store.Violates(err, "parent", "tag") || store.Violates(nil, "child", "tag") {
			t.Errorf("violates misreads %v", err)
		}
	})
}

// A deferred exclusion lets a swap pass and speaks at COMMIT, and still as a conflict.
func TestDeferredExclusionIsAConflict(t *testing.T) {
	h := storetest.Postgres(t)
	behind(t, h, `CREATE TABLE span (id bigint PRIMARY KEY, unit bigint, a bigint, b bigint,
		CONSTRAINT span_apart EXCLUDE USING gist (unit WITH =, int8range(a, b) WITH &&) DEFERRABLE INITIALLY DEFERRED)`)
	if err := tryDo(h, "INSERT INTO span VALUES (1, 1, 0, 10), (2, 2, 0, 10)"); err != nil {
		t.Fatal(err)
	}
	if err := tryDo(h, "UPDATE span SET unit = 2 WHERE id = 1", "UPDATE span SET unit = 1 WHERE id = 2"); err != nil {
		t.Errorf("a swap: %v", err)
	}
	err := tryDo(h, "INSERT INTO span VALUES (3, 1, 9, 12)")
	if !fault.Is(err, fault.Overlaps) || fault.KindOf(err) != fault.Conflict {
		t.Errorf("an overlap: %v", err)
	}
	if err := tryDo(h, "INSERT INTO span VALUES (3, 1, 10, 12)"); err != nil {
		t.Errorf("a neighbour: %v", err)
	}
}

// Two transactions that take two rows in opposite order: PostgreSQL ends one of them, and Do runs it again.
func TestDeadlockIsRunAgain(t *testing.T) {
	h := storetest.Postgres(t)
	if err := tryDo(h, "INSERT INTO counter VALUES ('a', 0), ('b', 0)"); err != nil {
		t.Fatal(err)
	}
	var met [2]chan struct{}
	for i := range met {
		met[i] = make(chan struct{})
	}
	failed := make(chan error, 2)
	runs := make(chan int, 16)
	for i, order := range [][2]string{{"a", "b"}, {"b", "a"}} {
		go func() {
			first := true
			failed <- h.Do(ctx, who, func(tx *store.Tx) error {
				runs <- i
				if _, err := tx.Next(order[0]); err != nil {
					return err
				}
				if first {
					first = false
					close(met[i])
					<-met[1-i]
				}
				_, err := tx.Next(order[1])
				return err
			})
		}()
	}
	for range 2 {
		if err := <-failed; err != nil {
			t.Error(err)
		}
	}
	if n := len(runs); n < 3 {
		t.Errorf("%d runs: no deadlock came about", n)
	}
	err := h.View(ctx, who, func(tx *store.Tx) error {
		a, err := tx.Counter("a")
		b, err2 := tx.Counter("b")
		if a != 2 || b != 2 {
			t.Errorf("counters at %d and %d, want 2 and 2", a, b)
		}
		return errors.Join(err, err2)
	})
	if err != nil {
		t.Error(err)
	}
}

// Another process holds the write lock: the answer is "busy", within the deadline, and nothing is stored.
func TestLockedDatabaseIsBusy(t *testing.T) {
	h := storetest.SQLite(t, func(c *store.Config) { c.WriteTimeout = 200 * time.Millisecond })
	raw := h.SQL(t)
	raw.SetMaxOpenConns(1)
	if _, err := raw.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	if err := h.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "a") }); !fault.Is(err, fault.Busy) {
		t.Errorf("got %v", err)
	}
	if _, err := raw.Exec("ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := h.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "b") }); err != nil {
		t.Errorf("afterwards: %v", err)
	}
	if n := count(t, h, "counter"); n != 1 {
		t.Errorf("%d rows", n)
	}
}

// A statement that outlives the deadline is broken off, and the lane is usable again.
func TestDeadlineBreaksOff(t *testing.T) {
	slow := map[string]string{
		"sqlite":   "INSERT INTO counter WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT 'x' || i, i FROM n",
		"postgres": "INSERT INTO counter SELECT 'x' || i, i FROM generate_series(1, 1000000000000) i",
	}
	short := func(c *store.Config) { c.WriteTimeout = 300 * time.Millisecond }
	breaksOff := func(t *testing.T, h *storetest.House) {
		if err := tryDo(h, slow[h.Dialect()]); !fault.Is(err, fault.Busy) {
			t.Errorf("got %v", err)
		}
		if err := tryDo(h, "INSERT INTO counter VALUES ('after', 1)"); err != nil {
			t.Errorf("afterwards: %v", err)
		}
		if n := count(t, h, "counter"); n != 1 {
			t.Errorf("%d rows", n)
		}
	}
	t.Run("sqlite", func(t *testing.T) { breaksOff(t, storetest.SQLite(t, short)) })
	t.Run("postgres", func(t *testing.T) { breaksOff(t, storetest.Postgres(t, short)) })
}

func TestFullDiskSaysSo(t *testing.T) {
	h := storetest.SQLite(t)
	var pages int
	if err := h.SQL(t).QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	err := h.Do(ctx, who, func(tx *store.Tx) error {
		var got int
		if _, err := tx.Row(fmt.Sprintf("PRAGMA max_page_count = %d", pages+4), nil, &got); err != nil {
			return err
		}
		_, err := tx.Exec("INSERT INTO answer VALUES ('a', 'k', zeroblob(32), 1, zeroblob(1000000), '', NULL, 1)")
		return err
	})
	if !fault.Is(err, fault.StorageFull) || fault.KindOf(err) != fault.Unavailable {
		t.Errorf("got %v", err)
	}
}

func TestTranslateKeepsFaultsAndCauses(t *testing.T) {
	mine := fault.New(fault.NotThere, "noun", "kit")
	if got := store.Translate(fmt.Errorf("wrapped: %w", mine)); !fault.Is(got, fault.NotThere) {
		t.Errorf("got %v", got)
	}
	plain := errors.New("plain")
	if got := store.Translate(plain); !fault.Is(got, fault.Unexpected) || !errors.Is(got, plain) {
		t.Errorf("got %v", got)
	}
	if got := store.Translate(context.DeadlineExceeded); !fault.Is(got, fault.Busy) {
		t.Errorf("got %v", got)
	}
	if store.Translate(nil) != nil {
		t.Error("nil became an error")
	}
}

func TestDollars(t *testing.T) {
	for in, want := range map[string]string{
		"a = ? AND b = ?":              "a = $1 AND b = $2",
		"a = '?' AND b = ?":            "a = '?' AND b = $1",
		"a = 'it''s ?' AND \"b?\" = ?": "a = 'it''s ?' AND \"b?\" = $1",
		"a = ? -- why?\nAND b = ?":     "a = $1 -- why?\nAND b = $2",
		"a - ? --":                     "a - $1 --",
		"'open ?":                      "'open ?",
		strings.Repeat("?,", 10) + "?": "$1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11",
	} {
		if got := store.Dollars(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}
