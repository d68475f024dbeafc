package store_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"kitd/internal/fault"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

func furnish(t *testing.T, h *storetest.House) {
	t.Helper()
	record(t, h, h.NewID(), 3)
	seal(t, h, 3)
	keep(t, h, some(300_000, 1))
}

func restoreTo(h *storetest.House, backup, target string, replace bool) error {
	return store.Restore(ctx, backup, store.Config{DSN: "sqlite:" + target, Now: h.Clock.Now}, replace)
}

func mustBackup(t *testing.T, h *storetest.House) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "backup.kitd")
	if err := h.Backup(ctx, path); err != nil {
		t.Fatal(err)
	}
	return path
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		all = append(all, e.Name())
	}
	return all
}

func TestBackupUnderLoadRestores(t *testing.T) {
	h := storetest.SQLite(t)
	furnish(t, h)
	stop := make(chan struct{})
	var group sync.WaitGroup
	group.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			// State and trail are written together: a backup that tears a transaction apart shows different counts.
			err := h.Do(ctx, who, func(tx *store.Tx) error {
				if err := put(tx, fmt.Sprint(i)); err != nil {
					return err
				}
				return tx.Record(trail.Change{Noun: "unit", Verb: "enter"})
			})
			if err != nil {
				t.Error(err)
			}
		}
	})
	backup := filepath.Join(t.TempDir(), "backup.kitd")
	for count(t, h, "counter") < 20 { // the load is on
	}
	if err := h.Backup(ctx, backup); err != nil {
		t.Error(err)
	}
	close(stop)
	group.Wait()
	if info, err := os.Stat(backup); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the backup is %v, %v; only its owner may read it", info, err)
	}
	target := filepath.Join(t.TempDir(), "restored.db")
	if err := restoreTo(h, backup, target, false); err != nil {
		t.Fatal(err)
	}
	db := openAt(t, "sqlite:"+target)
	findings, err := db.Check(ctx)
	if err != nil || len(findings) != 0 {
		t.Errorf("the restored database: %v, %v", findings, err)
	}
	got := &storetest.House{DB: db, Clock: h.Clock}
	state, changes := count(t, got, "counter"), count(t, got, "audit")
	if state < 20 || changes != state+3 {
		t.Errorf("the backup holds %d rows and %d changes", state, changes)
	}
	if left := names(t, filepath.Dir(backup)); len(left) != 1 {
		t.Errorf("beside the backup: %v", left)
	}
}

func TestBackupLeavesFilesAlone(t *testing.T) {
	h := storetest.SQLite(t)
	path := filepath.Join(t.TempDir(), "backup.kitd")
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := h.Backup(ctx, path); !fault.Is(err, fault.BackupInWay) {
		t.Errorf("got %v", err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "mine" {
		t.Errorf("the file now holds %q, %v", b, err)
	}
	if err := h.Backup(ctx, filepath.Join(t.TempDir(), "none", "backup.kitd")); !fault.Is(err, fault.BadInput) {
		t.Errorf("a missing folder: %v", err)
	}
	// What a backup that broke off left behind is no obstacle.
	half := filepath.Join(t.TempDir(), "again.kitd")
	if err := os.WriteFile(half+".part", []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := h.Backup(ctx, half); err != nil {
		t.Error(err)
	}
}

func TestPostgresNamesItsTool(t *testing.T) {
	h := storetest.Postgres(t)
	if err := h.Backup(ctx, filepath.Join(t.TempDir(), "x")); !fault.Is(err, fault.BackupByTool) || !strings.Contains(err.Error(), "pg_dump") {
		t.Errorf("got %v", err)
	}
	err := store.Restore(ctx, "x", store.Config{DSN: h.DSN, Now: h.Clock.Now}, false)
	if !fault.Is(err, fault.BackupByTool) || !strings.Contains(err.Error(), "pg_restore") {
		t.Errorf("got %v", err)
	}
}

func TestRestoreAsksBeforeItReplaces(t *testing.T) {
	h := storetest.SQLite(t)
	furnish(t, h)
	backup := mustBackup(t, h)
	if err := tryDo(h, "INSERT INTO counter VALUES ('later', 1)"); err != nil {
		t.Fatal(err)
	}
	if err := restoreTo(h, backup, h.Path(), false); !fault.Is(err, fault.BackupInWay) {
		t.Errorf("without leave: %v", err)
	}
	if err := restoreTo(h, backup, h.Path(), true); !fault.Is(err, fault.DatabaseInUse) {
		t.Errorf("while in use: %v", err)
	}
	if n := count(t, h, "counter"); n != 1 {
		t.Fatalf("the database in use was touched: %d rows", n)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	if err := restoreTo(h, backup, h.Path(), true); err != nil {
		t.Fatal(err)
	}
	old := h.Path() + ".before-restore-" + h.Clock.Now().Format("20060102T150405Z")
	for path, want := range map[string]int{h.Path(): 0, old: 1} {
		db := openAt(t, "sqlite:"+path)
		if n := count(t, &storetest.House{DB: db}, "counter"); n != want {
			t.Errorf("%s has %d rows, want %d", path, n, want)
		}
	}
}

func TestRestoreRefusesBadBackups(t *testing.T) {
	h := storetest.SQLite(t)
	furnish(t, h)
	good, err := os.ReadFile(mustBackup(t, h))
	if err != nil {
		t.Fatal(err)
	}
	bad := map[string]func() []byte{
		"not a database": func() []byte { return bytes.Repeat([]byte("nothing "), 2000) },
		"empty file":     func() []byte { return nil },
		"cut short":      func() []byte { return good[:len(good)/2] },
		"torn page": func() []byte {
			b := bytes.Clone(good)
			copy(b[4096:], bytes.Repeat([]byte{0xff}, 4096))
			return b
		},
		"tampered trail": func() []byte {
			return altered(t, good, "DROP TRIGGER audit_frozen", `UPDATE audit SET after_state = '{"n":5}' WHERE seq = 2`)
		},
		"changed file": func() []byte {
			return altered(t, good, "DROP TRIGGER file_chunk_frozen", "UPDATE file_chunk SET data = zeroblob(length(data)) WHERE n = 1")
		},
		"loose row":      func() []byte { return altered(t, good, "INSERT INTO file_chunk VALUES (x'00', 1, x'00')") },
		"newer schema":   func() []byte { return altered(t, good, "UPDATE meta SET value = '9999' WHERE name = 'min_binary'") },
		"something else": func() []byte { return altered(t, good, "UPDATE meta SET value = 'other' WHERE name = 'product'") },
	}
	for name, make := range bad {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			backup, target := filepath.Join(t.TempDir(), "backup.kitd"), filepath.Join(dir, "kitd.db")
			if err := os.WriteFile(backup, make(), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(target, []byte("what was there"), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := restoreTo(h, backup, target, true); err == nil || fault.KindOf(err) == fault.Internal {
				t.Errorf("got %v", err)
			}
			if b, err := os.ReadFile(target); err != nil || string(b) != "what was there" {
				t.Errorf("what was there is now %d bytes, %v", len(b), err)
			}
			if left := names(t, dir); len(left) != 1 {
				t.Errorf("left beside it: %v", left)
			}
		})
	}
	if err := restoreTo(h, filepath.Join(t.TempDir(), "none"), filepath.Join(t.TempDir(), "x.db"), false); !fault.Is(err, fault.BadInput) {
		t.Errorf("a missing backup: %v", err)
	}
}

// altered gives the bytes of a database after statements that go behind the store's back.
func altered(t *testing.T, file []byte, statements ...string) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "altered.db")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	db := openAt(t, "sqlite:"+path)
	h := &storetest.House{DB: db}
	raw := h.SQL(t)
	for _, s := range statements {
		if _, err := raw.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	if err := raw.Close(); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A damaged database is a reason to restore, not an obstacle.
func TestRestoreOverDamage(t *testing.T) {
	h := storetest.SQLite(t)
	furnish(t, h)
	backup := mustBackup(t, h)
	target := filepath.Join(t.TempDir(), "kitd.db")
	for name, data := range map[string][]byte{target: bytes.Repeat([]byte("rubbish "), 1000), target + "-wal": []byte("more rubbish")} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := restoreTo(h, backup, target, true); err != nil {
		t.Fatal(err)
	}
	db := openAt(t, "sqlite:"+target)
	if findings, err := db.Check(ctx); err != nil || len(findings) != 0 {
		t.Errorf("got %v, %v", findings, err)
	}
}

func TestCheckFindsLooseRows(t *testing.T) {
	h := storetest.SQLite(t)
	behind(t, h, "INSERT INTO file_chunk VALUES (x'00112233445566778899aabbccddeeff', 1, x'00')")
	findings, err := h.Check(ctx)
	if err != nil || len(findings) != 1 || findings[0].Check != "links" || !strings.Contains(findings[0].Text, "file_chunk") {
		t.Errorf("got %v, %v", findings, err)
	}
}
