package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"kitd/internal/fault"
)

// Restore puts a backup in the place of a SQLite database after it has looked at a copy of it: the file's integrity, its
// schema, its links, the audit chain and the files. A database that is there is left alone unless replace is set, and then
// kept beside under the name PATH.before-restore-TIME. c names the database to write; it must not be in use.
func Restore(ctx context.Context, backup string, c Config, replace bool) error {
	c.defaults()
	target, err := sqlitePath(c.DSN)
	if err != nil {
		return err
	}
	if _, err := os.Lstat(target); err == nil && !replace {
		return fault.New(fault.BackupInWay, "path", target)
	}
	half := target + ".restore"
	defer func() { discard(half) }()
	discard(half)
	if err := copyFile(backup, half); err != nil {
		return err
	}
	if err := vouch(ctx, backup, half, c); err != nil {
		return err
	}
	if err := setAside(ctx, target, target+".before-restore-"+c.Now().UTC().Format("20060102T150405Z")); err != nil {
		return err
	}
	return publish(half, target)
}

func sqlitePath(dsn string) (string, error) {
	const scheme = "sqlite:"
	if len(dsn) <= len(scheme) || dsn[:len(scheme)] != scheme {
		return "", fault.New(fault.BackupByTool, "tool", "pg_restore")
	}
	return dsn[len(scheme):], nil
}

// discard removes a half-made database and what SQLite keeps beside it.
func discard(path string) {
	for _, tail := range []string{"", "-wal", "-shm", "-journal"} {
		_ = os.Remove(path + tail)
	}
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return fault.New(fault.BadInput, "what", "the backup "+from+" cannot be read; check its name").Because(err)
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fault.New(fault.BadInput, "what", "the database "+to+" cannot be made; check that its folder exists and may be written").Because(err)
	}
	_, err = io.Copy(out, in)
	return translate(errors.Join(err, out.Sync(), out.Close()))
}

// vouch looks at everything in the copy. A schema that only waits for migrations is fine.
func vouch(ctx context.Context, backup, half string, c Config) error {
	bad := func(what string) error { return fault.New(fault.BackupDamaged, "path", backup, "what", what) }
	c.DSN, c.MustExist, c.Readers = "sqlite:"+half, true, 1
	db, err := Open(ctx, c)
	if err != nil {
		return fault.New(fault.BackupDamaged, "path", backup, "what", "it is not a database").Because(err)
	}
	defer func() { _ = db.Close() }()
	h, err := db.dialect.maintain()
	if err != nil {
		return translate(err)
	}
	found, err := db.recognise(ctx, h)
	if err := errors.Join(err, h.Close()); err != nil {
		return err
	}
	if found == 0 {
		return bad("it is empty")
	}
	for _, c := range checks[1:houseChecks] {
		texts, err := c.run(db, ctx)
		if err != nil {
			return translate(err)
		}
		if len(texts) > 0 {
			return bad(fmt.Sprintf("%s: %s", c.name, texts[0]))
		}
	}
	return nil
}

// setAside makes sure that nobody uses the database, folds its log into it and renames it.
func setAside(ctx context.Context, target, aside string) error {
	if _, err := os.Lstat(target); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err := fold(ctx, target); err != nil {
		if v := classify(err); v != nil && v.breach == breachBusy {
			return fault.New(fault.DatabaseInUse, "path", target).Because(err)
		}
		if v := classify(err); v == nil || v.breach != breachDamage {
			return translate(err)
		}
	}
	for _, tail := range []string{"-wal", "-shm", ""} { // a damaged database keeps its log beside it
		if err := ignoreMissing(os.Rename(target+tail, aside+tail)); err != nil {
			return translate(err)
		}
	}
	return translate(syncFolder(filepath.Dir(target)))
}

// fold leaves WAL mode, which SQLite allows only to the one connection that is left.
func fold(ctx context.Context, path string) error {
	h, err := sql.Open("sqlite3", sqliteName(path)+"?_busy_timeout=1000")
	if err != nil {
		return err
	}
	_, err = h.ExecContext(ctx, "PRAGMA journal_mode = DELETE")
	return errors.Join(err, h.Close())
}
