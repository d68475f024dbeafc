package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

var _ archive.Keeper = (*DB)(nil)

// dropBatch is how many chunks are removed in one transaction: 16 MiB.
const dropBatch = 64

// Put implements archive.Keeper. Each chunk is a transaction of its own, so that other writers get their turn and memory
// stays small; the file exists once its hash is written.
func (db *DB) Put(ctx context.Context, who access.Actor, r io.Reader, limit int64) (archive.File, error) {
	upload := db.NewID()
	err := db.Do(ctx, who, func(tx *Tx) error {
		_, err := tx.exec("INSERT INTO file (id, size, entered) VALUES (?, 0, ?)", upload, tx.at)
		return err
	})
	if err != nil {
		return archive.File{}, err
	}
	f, err := db.receive(ctx, who, upload, r, limit)
	kept := false
	if err == nil {
		kept, err = db.complete(ctx, who, upload, f)
	}
	if !kept {
		err = errors.Join(err, db.dropFile(ctx, upload, true))
	}
	if err != nil {
		return archive.File{}, translate(err)
	}
	return f, nil
}

// receive stores the chunks and gives the hash of all of them.
func (db *DB) receive(ctx context.Context, who access.Actor, upload ident.ID, r io.Reader, limit int64) (archive.File, error) {
	sum, f := sha256.New(), archive.File{}
	buf := make([]byte, archive.ChunkSize)
	for n := 0; ; n++ {
		got, err := io.ReadFull(r, buf)
		last := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if err != nil && !last {
			return f, err
		}
		if f.Size += int64(got); f.Size > limit {
			return f, fault.New(fault.TooLarge, "noun", "file", "limit", fmt.Sprintf("%d bytes", limit))
		}
		if got > 0 {
			_, _ = sum.Write(buf[:got])
			if err := db.putChunk(ctx, who, upload, n, buf[:got]); err != nil {
				return f, err
			}
		}
		if last {
			sum.Sum(f.Hash[:0])
			return f, nil
		}
	}
}

func (db *DB) putChunk(ctx context.Context, who access.Actor, upload ident.ID, n int, data []byte) error {
	return db.Do(ctx, who, func(tx *Tx) error {
		_, err := tx.exec("INSERT INTO file_chunk (file_id, n, data) VALUES (?, ?, ?)", upload, n, data)
		return err
	})
}

// complete gives the upload its hash, unless a file with the same bytes is there already.
func (db *DB) complete(ctx context.Context, who access.Actor, upload ident.ID, f archive.File) (bool, error) {
	kept := false
	err := db.Do(ctx, who, func(tx *Tx) error {
		kept = false
		if err := tx.lock("file " + f.Hash.String()); err != nil {
			return err
		}
		_, _, there, err := tx.file(f.Hash)
		if err != nil || there {
			return err
		}
		kept = true
		return tx.execOne("upload", "UPDATE file SET hash = ?, size = ? WHERE id = ? AND hash IS NULL", f.Hash[:], f.Size, upload)
	})
	return kept && err == nil, err
}

// file finds a complete file by its hash.
func (tx *Tx) file(h archive.Hash) (id ident.ID, size int64, found bool, err error) {
	found, err = tx.row("SELECT id, size FROM file WHERE hash = ? AND erased IS NULL", []any{h[:]}, (*key)(&id), &size)
	return id, size, found, err
}

// Get implements archive.Keeper. Between chunks nothing is held open.
func (db *DB) Get(ctx context.Context, who access.Actor, h archive.Hash) (io.ReadCloser, archive.File, error) {
	r := &fileReader{hash: h, sum: sha256.New()}
	err := db.View(ctx, who, func(tx *Tx) error { return tx.find(r) })
	r.fetch = func(n int64) (data []byte, err error) {
		err = db.View(ctx, who, func(tx *Tx) (err error) {
			data, err = tx.chunk(r.id, n)
			return err
		})
		return data, err
	}
	if err != nil {
		return nil, archive.File{}, err
	}
	return r, archive.File{Hash: h, Size: r.size}, nil
}

// OpenFile reads a stored file inside the transaction.
func (tx *Tx) OpenFile(h archive.Hash) (io.Reader, error) {
	r := &fileReader{hash: h, sum: sha256.New()}
	if err := tx.find(r); err != nil {
		return nil, err
	}
	r.fetch = func(n int64) ([]byte, error) { return tx.chunk(r.id, n) }
	return r, nil
}

func (tx *Tx) find(r *fileReader) error {
	var found bool
	var err error
	if r.id, r.size, found, err = tx.file(r.hash); err == nil && !found {
		err = fault.New(fault.NotThere, "noun", "file")
	}
	return err
}

func (tx *Tx) chunk(id ident.ID, n int64) ([]byte, error) {
	var data []byte
	_, err := tx.row("SELECT data FROM file_chunk WHERE file_id = ? AND n = ?", []any{id, n}, &data)
	return data, err
}

// fileReader gives a file chunk by chunk and compares its hash at the end.
type fileReader struct {
	id    ident.ID
	hash  archive.Hash
	size  int64
	fetch func(n int64) ([]byte, error)
	sum   hash.Hash
	n     int64 // next chunk
	read  int64 // bytes fetched so far
	rest  []byte
	err   error
}

func (r *fileReader) Read(p []byte) (int, error) {
	if len(r.rest) == 0 && r.err == nil {
		r.next()
	}
	if len(r.rest) == 0 {
		return 0, r.err
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// Close implements io.Closer.
func (r *fileReader) Close() error {
	r.rest, r.err = nil, io.ErrClosedPipe
	return nil
}

func (r *fileReader) next() {
	if r.read == r.size {
		r.err = io.EOF
		if string(r.sum.Sum(nil)) != string(r.hash[:]) {
			r.err = fault.New(fault.FileDamaged, "hash", r.hash)
		}
		return
	}
	data, err := r.fetch(r.n)
	switch {
	case err != nil:
		r.err = err
	case len(data) == 0 || r.read+int64(len(data)) > r.size:
		r.err = fault.New(fault.FileDamaged, "hash", r.hash)
	default:
		_, _ = r.sum.Write(data)
		r.n, r.read, r.rest = r.n+1, r.read+int64(len(data)), data
	}
}

// EraseFile makes a file unreadable at once and removes its bytes. Its hash stays known as erased; what pinned it still
// shows which bytes it was computed from.
func (db *DB) EraseFile(ctx context.Context, who access.Actor, h archive.Hash) error {
	var id ident.ID
	err := db.Do(ctx, who, func(tx *Tx) (err error) {
		var found bool
		if id, _, found, err = tx.file(h); err != nil {
			return err
		}
		if !found {
			return fault.New(fault.NotThere, "noun", "file")
		}
		return tx.execOne("file", "UPDATE file SET erased = ? WHERE id = ? AND erased IS NULL", tx.at, id)
	})
	if err != nil {
		return err
	}
	return db.dropFile(ctx, id, false)
}

// SweepFiles removes uploads that were begun before the moment and never completed, and what is left of erased files. It
// tells how many it cleaned up.
func (db *DB) SweepFiles(ctx context.Context, before time.Time) (int, error) {
	type left struct {
		id     ident.ID
		upload bool
	}
	var all []left
	err := db.View(ctx, house("sweep files"), func(tx *Tx) (err error) {
		all, err = list(tx, `SELECT id, hash IS NULL FROM file WHERE hash IS NULL AND entered < ?
			OR erased IS NOT NULL AND EXISTS (SELECT 1 FROM file_chunk WHERE file_id = file.id)`, []any{before},
			func(s scanner, l *left) error { return s((*key)(&l.id), &l.upload) })
		return err
	})
	if err != nil {
		return 0, err
	}
	for i, l := range all {
		if err := db.dropFile(ctx, l.id, l.upload); err != nil {
			return i, err
		}
	}
	return len(all), nil
}

// dropFile removes chunks in small transactions, and the row of an upload with the last of them.
func (db *DB) dropFile(ctx context.Context, id ident.ID, row bool) error {
	for {
		var n int64
		err := db.Do(ctx, house("sweep files"), func(tx *Tx) (err error) {
			n, err = tx.exec("DELETE FROM file_chunk WHERE file_id = ? AND n IN (SELECT n FROM file_chunk WHERE file_id = ? ORDER BY n LIMIT ?)", id, id, dropBatch)
			if err != nil || n == dropBatch || !row {
				return err
			}
			_, err = tx.exec("DELETE FROM file WHERE id = ? AND hash IS NULL", id)
			return err
		})
		if err != nil || n < dropBatch {
			return err
		}
	}
}
