package store_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

const roomy = 1 << 40

func some(n int, seed uint64) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func keep(t *testing.T, h *storetest.House, data []byte) archive.File {
	t.Helper()
	f, err := h.Put(ctx, who, bytes.NewReader(data), roomy)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func fetch(h *storetest.House, hash archive.Hash) ([]byte, error) {
	r, f, err := h.Get(ctx, who, hash)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(r)
	if err == nil && int64(len(b)) != f.Size {
		err = errors.New("size and bytes differ")
	}
	return b, errors.Join(err, r.Close())
}

func TestFilesComeBackWhole(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		for _, n := range []int{0, 1, archive.ChunkSize - 1, archive.ChunkSize, archive.ChunkSize + 1, 3*archive.ChunkSize + 17} {
			data := some(n, uint64(n))
			f := keep(t, h, data)
			if f.Hash != sha256.Sum256(data) || f.Size != int64(n) {
				t.Errorf("%d bytes are kept as %s of %d", n, f.Hash, f.Size)
			}
			got, err := fetch(h, f.Hash)
			if err != nil || !bytes.Equal(got, data) {
				t.Errorf("%d bytes come back as %d, %v", n, len(got), err)
			}
			err = h.View(ctx, who, func(tx *store.Tx) error {
				r, err := tx.OpenFile(f.Hash)
				if err != nil {
					return err
				}
				inside, err := io.ReadAll(r)
				if !bytes.Equal(inside, data) {
					t.Errorf("inside a view %d bytes come back as %d", n, len(inside))
				}
				return err
			})
			if err != nil {
				t.Error(err)
			}
		}
	})
}

func TestSameBytesAreStoredOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		data := some(archive.ChunkSize+5, 1)
		a, b := keep(t, h, data), keep(t, h, data)
		if a != b {
			t.Errorf("%v and %v", a, b)
		}
		if files, chunks := count(t, h, "file"), count(t, h, "file_chunk"); files != 1 || chunks != 2 {
			t.Errorf("%d files in %d chunks, want 1 in 2", files, chunks)
		}
	})
}

type failing struct {
	r   io.Reader
	err error
}

func (f failing) Read(b []byte) (int, error) {
	n, err := f.r.Read(b)
	if err == io.EOF {
		err = f.err
	}
	return n, err
}

func TestWhatFailsLeavesNothing(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		data := some(100*archive.ChunkSize, 1)
		if _, err := h.Put(ctx, who, bytes.NewReader(data), int64(len(data)-1)); !fault.Is(err, fault.TooLarge) {
			t.Errorf("a file over the limit: %v", err)
		}
		gone := errors.New("the line broke")
		if _, err := h.Put(ctx, who, failing{bytes.NewReader(data[:700_000]), gone}, roomy); !errors.Is(err, gone) {
			t.Errorf("a broken line: %v", err)
		}
		if files, chunks := count(t, h, "file"), count(t, h, "file_chunk"); files != 0 || chunks != 0 {
			t.Errorf("%d files and %d chunks are left", files, chunks)
		}
		if _, _, err := h.Get(ctx, who, archive.Hash{1}); !fault.Is(err, fault.NotThere) {
			t.Errorf("an unknown file: %v", err)
		}
		if _, err := h.Put(ctx, who, bytes.NewReader(data), int64(len(data))); err != nil {
			t.Errorf("a file of exactly the limit: %v", err)
		}
	})
}

func TestLeftUploadsAreSwept(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		stays := keep(t, h, some(10, 1))
		// An upload whose process died: its rows are there, its hash is not.
		upload := h.NewID()
		err := h.Do(ctx, who, func(tx *store.Tx) error {
			if _, err := tx.Exec("INSERT INTO file (id, size, entered) VALUES (?, 0, ?)", upload, h.Clock.Now()); err != nil {
				return err
			}
			for n := range 130 {
				if _, err := tx.Exec("INSERT INTO file_chunk (file_id, n, data) VALUES (?, ?, ?)", upload, n, []byte("x")); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if n, err := h.SweepFiles(ctx, h.Clock.Now()); n != 0 || err != nil {
			t.Errorf("a young upload: swept %d, %v", n, err)
		}
		h.Clock.Add(time.Hour)
		if n, err := h.SweepFiles(ctx, h.Clock.Now()); n != 1 || err != nil {
			t.Errorf("an old upload: swept %d, %v", n, err)
		}
		if files, chunks := count(t, h, "file"), count(t, h, "file_chunk"); files != 1 || chunks != 1 {
			t.Errorf("%d files and %d chunks are left, want the complete one", files, chunks)
		}
		if _, err := fetch(h, stays.Hash); err != nil {
			t.Error(err)
		}
	})
}

func TestErasedFileIsGoneAndMayComeBack(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		data := some(2*archive.ChunkSize, 1)
		f := keep(t, h, data)
		if err := h.EraseFile(ctx, who, f.Hash); err != nil {
			t.Fatal(err)
		}
		if _, err := fetch(h, f.Hash); !fault.Is(err, fault.NotThere) {
			t.Errorf("an erased file: %v", err)
		}
		if n := count(t, h, "file_chunk"); n != 0 {
			t.Errorf("%d chunks are left", n)
		}
		if err := h.EraseFile(ctx, who, f.Hash); !fault.Is(err, fault.NotThere) {
			t.Errorf("erased twice: %v", err)
		}
		if again := keep(t, h, data); again != f {
			t.Errorf("came back as %v", again)
		}
		if got, err := fetch(h, f.Hash); err != nil || !bytes.Equal(got, data) {
			t.Errorf("came back as %d bytes, %v", len(got), err)
		}
	})
}

func TestFilesAreFrozen(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		keep(t, h, some(10, 1))
		for _, s := range []string{
			"UPDATE file_chunk SET data = data", "DELETE FROM file_chunk", "DELETE FROM file", "UPDATE file SET size = 11", "UPDATE file SET hash = NULL",
			"INSERT INTO file_chunk (file_id, n, data) SELECT file_id, n + 1, data FROM file_chunk",
		} {
			err := h.Do(ctx, who, func(tx *store.Tx) error { _, err := tx.Exec(s); return err })
			if !fault.Is(err, fault.Frozen) {
				t.Errorf("%s: %v", s, err)
			}
		}
	})
}

func TestDamagedFileIsNotGivenOut(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		data := some(2*archive.ChunkSize+9, 1)
		f := keep(t, h, data)
		tail := map[string]string{"postgres": " ON file_chunk"}[h.Dialect()]
		behind(t, h, "DROP TRIGGER file_chunk_frozen"+tail, "DROP TRIGGER file_chunk_kept"+tail)
		other := map[string]string{"sqlite": "CAST(substr(data, 2) || x'00' AS BLOB)", "postgres": `substr(data, 2) || '\x00'::bytea`}[h.Dialect()]
		for _, s := range []string{"UPDATE file_chunk SET data = " + other + " WHERE n = 1", "DELETE FROM file_chunk WHERE n = 1"} {
			behind(t, h, s)
			if _, err := fetch(h, f.Hash); !fault.Is(err, fault.FileDamaged) {
				t.Errorf("after %s: %v", s, err)
			}
			findings, err := h.Check(ctx)
			if err != nil || len(findings) != 1 || findings[0].Check != "file hashes" || !strings.Contains(findings[0].Text, f.Hash.String()) {
				t.Errorf("after %s the check finds %v, %v", s, findings, err)
			}
		}
	})
}

// zeros gives n bytes without holding them.
type zeros struct{ left int64 }

func (z *zeros) Read(b []byte) (int, error) {
	if z.left == 0 {
		return 0, io.EOF
	}
	n := min(int64(len(b)), z.left)
	clear(b[:n])
	z.left -= n
	return int(n), nil
}

// The memory for a file does not grow with the file: 64 MB go in and out with a few chunks on the heap at a time.
func TestLargeFilesNeedLittleMemory(t *testing.T) {
	h := storetest.SQLite(t)
	const n = 64 << 20
	var most uint64
	watch := func() {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		most = max(most, m.HeapAlloc)
	}
	watch()
	base := most
	f, err := h.Put(ctx, who, io.TeeReader(&zeros{n}, &every{16 << 20, 0, watch}), n)
	if err != nil {
		t.Fatal(err)
	}
	r, _, err := h.Get(ctx, who, f.Hash)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := io.Copy(&every{16 << 20, 0, watch}, r); got != n || err != nil {
		t.Fatalf("%d bytes came back, %v", got, err)
	}
	if most-base > 8<<20 {
		t.Errorf("the heap grew by %d bytes", most-base)
	}
}

// every calls f after each step bytes.
type every struct {
	step, at int
	f        func()
}

func (e *every) Write(b []byte) (int, error) {
	if e.at += len(b); e.at >= e.step {
		e.at = 0
		e.f()
	}
	return len(b), nil
}

func TestStoppedRequestStopsReading(t *testing.T) {
	h := storetest.SQLite(t)
	f := keep(t, h, some(3*archive.ChunkSize, 1))
	gone, cancel := context.WithCancel(ctx)
	r, _, err := h.Get(gone, who, f.Hash)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.CopyN(io.Discard, r, 10); err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := io.Copy(io.Discard, r); fault.KindOf(err) != fault.Unavailable {
		t.Errorf("got %v", err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Read(make([]byte, 1)); err == nil {
		t.Error("a closed file was read")
	}
}
