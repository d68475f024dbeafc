package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"kitd/internal/fault"
)

// Backup writes a consistent copy of the whole database to a new file while work goes on. The file appears under its name
// only once it is complete and on the disk. On PostgreSQL the fault names the tool to use.
func (db *DB) Backup(ctx context.Context, path string) error {
	if db.Dialect() == "postgres" {
		return fault.New(fault.BackupByTool, "tool", "pg_dump --format=custom")
	}
	if _, err := os.Lstat(path); err == nil {
		return fault.New(fault.BackupInWay, "path", path)
	}
	half, err := emptyBeside(path)
	if err != nil {
		return fault.New(fault.BadInput, "what", "the backup "+path+" cannot be made; check that its folder exists and may be written").Because(err)
	}
	if err := db.vacuumInto(ctx, half); err != nil {
		return errors.Join(err, ignoreMissing(os.Remove(half)))
	}
	return publish(half, path)
}

// emptyBeside makes the file that becomes the backup, under a name that no other process uses at the same moment. The copy must
// be as private as the original: SQLite fills an empty file that is there already.
func emptyBeside(path string) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*.part")
	if err != nil {
		return "", err
	}
	return f.Name(), f.Close()
}

func (db *DB) vacuumInto(ctx context.Context, path string) error {
	h, err := db.dialect.maintain()
	if err != nil {
		return translate(err)
	}
	defer func() { _ = h.Close() }()
	_, err = h.ExecContext(ctx, "VACUUM INTO ?", path)
	return translate(err)
}

// publish makes a finished file durable and then visible. Link refuses a name that appeared meanwhile, rename would not.
func publish(half, path string) error {
	f, err := os.OpenFile(half, os.O_RDWR, 0)
	if err != nil {
		return translate(err)
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return translate(err)
	}
	if err := os.Link(half, path); err != nil {
		if errors.Is(err, os.ErrExist) {
			err = fault.New(fault.BackupInWay, "path", path)
		}
		return errors.Join(translate(err), os.Remove(half))
	}
	return translate(errors.Join(os.Remove(half), syncFolder(filepath.Dir(path))))
}

func ignoreMissing(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}
