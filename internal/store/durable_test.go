package store_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"kitd/internal/access"
	"kitd/internal/kittest"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/trail"
)

// The test binary plays the server when this is set: it opens the database, and for each line it reads it writes the line as
// a row with its change and then answers it. The answer is the acknowledgement that must not be lost.
const playServer = "KITD_TEST_PLAY_SERVER"

func TestMain(m *testing.M) {
	if dsn := os.Getenv(playServer); dsn != "" {
		if err := serveLines(dsn, os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func serveLines(dsn string, in io.Reader, out io.Writer) error {
	db, err := store.Open(context.Background(), store.Config{DSN: dsn, Now: kittest.NewClock().Now})
	if err != nil {
		return err
	}
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		err := db.Do(context.Background(), access.System("test", access.ViaJob), func(tx *store.Tx) error {
			if err := put(tx, lines.Text()); err != nil {
				return err
			}
			return tx.Record(trail.Change{Noun: "row", Verb: "enter", Private: lines.Text()})
		})
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintln(out, "stored", lines.Text()); err != nil {
			return err
		}
	}
	return db.Close()
}

// server starts the test binary as the server, under another command when one is given.
func server(t *testing.T, dsn string, under ...string) (*exec.Cmd, io.WriteCloser, *bufio.Scanner) {
	t.Helper()
	line := append(under, os.Args[0])
	cmd := exec.Command(line[0], line[1:]...)
	cmd.Env = append(os.Environ(), playServer+"="+dsn)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd, in, bufio.NewScanner(out)
}

// Killed at an arbitrary place in its work, a server has lost nothing that it answered, and its database is whole.
func TestKilledServerLosesNothingItAnswered(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		acknowledged := map[string]bool{}
		for round := range 5 {
			cmd, in, out := server(t, h.DSN)
			var group sync.WaitGroup
			group.Go(func() { // asks without waiting, so that the kill falls into work
				for i := 0; ; i++ {
					if _, err := fmt.Fprintf(in, "%d-%d\n", round, i); err != nil {
						return
					}
				}
			})
			for n := 0; n < 20+7*round && out.Scan(); n++ {
				acknowledged[strings.TrimPrefix(out.Text(), "stored ")] = true
			}
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			for out.Scan() { // answers that were on their way
				if name, ok := strings.CutPrefix(out.Text(), "stored "); ok {
					acknowledged[name] = true
				}
			}
			_ = in.Close()
			group.Wait()
			_ = cmd.Wait()
		}
		stored := map[string]bool{}
		changes := 0
		err := h.View(ctx, who, func(tx *store.Tx) error {
			if _, err := tx.Row("SELECT COUNT(*) FROM audit", nil, &changes); err != nil {
				return err
			}
			return tx.Each("SELECT name FROM counter", nil, func(scan func(...any) error) error {
				var name string
				err := scan(&name)
				stored[name] = true
				return err
			})
		})
		if err != nil {
			t.Fatal(err)
		}
		for name := range acknowledged {
			if !stored[name] {
				t.Errorf("%s was answered and is lost", name)
			}
		}
		if len(acknowledged) < 100 || changes != len(stored) {
			t.Errorf("%d answered, %d stored, %d changes", len(acknowledged), len(stored), changes)
		}
		if findings, err := h.Check(ctx); err != nil || len(findings) != 0 {
			t.Errorf("check: %v, %v", findings, err)
		}
	})
}

// SQLite: the log is on the disk (fdatasync) before the answer is written.
func TestAnswerComesAfterTheDisk(t *testing.T) {
	strace, err := exec.LookPath("strace")
	kittest.Peer(t, err == nil, "strace")
	h := storetest.SQLite(t)
	trace := filepath.Join(t.TempDir(), "trace")
	_, in, out := server(t, h.DSN, strace, "-f", "-qq", "-y", "-o", trace, "-e", "trace=pwrite64,fdatasync,fsync,write", "-s", "40")
	const n = 5
	for i := range n {
		if _, err := fmt.Fprintf(in, "row%d\n", i); err != nil {
			t.Fatal(err)
		}
		if !out.Scan() {
			kittest.Peer(t, false, "strace that may trace (ptrace is not permitted here)")
		}
		if want := fmt.Sprintf("stored row%d", i); out.Text() != want {
			t.Fatalf("got %q, want %q", out.Text(), want)
		}
	}
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	for out.Scan() {
		t.Errorf("one answer too many: %s", out.Text())
	}
	b, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	if answers := orderOfDisk(t, string(b)); answers != n {
		t.Errorf("%d answers were seen in the trace, want %d", answers, n)
	}
}

var (
	logWrite = regexp.MustCompile(`pwrite64\(\d+<[^>]*-wal>`)
	logSync  = regexp.MustCompile(`(fdatasync|fsync)\(\d+<[^>]*-wal>\)? *(= 0|<unfinished)`)
	answer   = regexp.MustCompile(`write\(1<[^>]*>, "stored (row\d+)`)
)

// orderOfDisk reads a trace and fails for each answer that was written while something in the log was not yet synced, or
// with nothing written to the log since the answer before. It gives the number of answers.
func orderOfDisk(t *testing.T, trace string) int {
	t.Helper()
	answers, dirty, written := 0, false, false
	for line := range strings.Lines(trace) {
		switch {
		case logWrite.MatchString(line):
			dirty, written = true, true
		case logSync.MatchString(line):
			dirty = false
		case answer.MatchString(line):
			answers++
			if dirty || !written {
				t.Errorf("answer %s: written %v, still to sync %v", answer.FindStringSubmatch(line)[1], written, dirty)
			}
			written = false
		}
	}
	return answers
}

// The check on the order of events must itself be able to fail.
func TestOrderOfDiskSeesABadOrder(t *testing.T) {
	const good = "1 pwrite64(7</x/kitd.db-wal>, \"\"..., 24, 32) = 24\n1 fdatasync(7</x/kitd.db-wal>) = 0\n1 write(1<pipe:[5]>, \"stored row0\\n\", 12) = 12\n"
	lines := strings.SplitAfter(good, "\n")
	for name, trace := range map[string]string{"no sync": lines[0] + lines[2], "sync after": lines[0] + lines[2] + lines[1], "no write": lines[2]} {
		var inner testing.T
		if n := orderOfDisk(&inner, trace); n != 1 || !inner.Failed() {
			t.Errorf("%s passed", name)
		}
	}
	var inner testing.T
	if n := orderOfDisk(&inner, good); n != 1 || inner.Failed() {
		t.Error("the good order failed")
	}
}

func TestPragmas(t *testing.T) {
	h := storetest.SQLite(t)
	want := map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "secure_delete": "1", "application_id": "1802072164"}
	read := func(tx *store.Tx, only string) error {
		for name, value := range want {
			var got string
			if _, err := tx.Row("PRAGMA "+name, nil, &got); err != nil {
				return err
			}
			if got != value {
				t.Errorf("%s %s is %s, want %s", only, name, got, value)
			}
		}
		var got string
		_, err := tx.Row("PRAGMA query_only", nil, &got)
		if want := map[string]string{"view": "1", "do": "0"}[only]; got != want {
			t.Errorf("%s query_only is %s, want %s", only, got, want)
		}
		return err
	}
	if err := h.Do(ctx, who, func(tx *store.Tx) error { return read(tx, "do") }); err != nil {
		t.Error(err)
	}
	if err := h.View(ctx, who, func(tx *store.Tx) error { return read(tx, "view") }); err != nil {
		t.Error(err)
	}
}

// Several processes write to one database at once: each row is there once, and the trail seals.
func TestSeveralProcessesWrite(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		const processes, each = 3, 40
		var group sync.WaitGroup
		for p := range processes {
			_, in, out := server(t, h.DSN)
			group.Go(func() {
				for i := range each {
					if _, err := fmt.Fprintf(in, "%d-%d\n", p, i); err != nil {
						t.Error(err)
						return
					}
				}
				for i := range each {
					if !out.Scan() || out.Text() != fmt.Sprintf("stored %d-%d", p, i) {
						t.Errorf("answer %d of process %d: %q", i, p, out.Text())
						return
					}
				}
			})
		}
		group.Wait()
		if n := count(t, h, "counter"); n != processes*each {
			t.Errorf("%d rows, want %d", n, processes*each)
		}
		seal(t, h, processes*each)
		if b := broken(t, h); b != nil {
			t.Error(b)
		}
	})
}

// A view sees one state, whatever is written meanwhile, and does not keep writers out.
func TestViewSeesOneState(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		err := h.View(ctx, who, func(tx *store.Tx) error {
			var before, after int
			if _, err := tx.Row("SELECT COUNT(*) FROM counter", nil, &before); err != nil {
				return err
			}
			written := make(chan error)
			go func() { written <- h.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "meanwhile") }) }()
			if err := <-written; err != nil {
				return err
			}
			_, err := tx.Row("SELECT COUNT(*) FROM counter", nil, &after)
			if before != 0 || after != 0 {
				t.Errorf("the view saw %d rows and then %d", before, after)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if n := count(t, h, "counter"); n != 1 {
			t.Errorf("afterwards %d rows", n)
		}
	})
}

func TestClosedStoreRefuses(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		if err := h.Close(); err != nil {
			t.Fatal(err)
		}
		if err := h.Do(ctx, who, func(tx *store.Tx) error { return put(tx, "a") }); err == nil {
			t.Error("a closed store wrote")
		}
		if err := h.View(ctx, who, func(*store.Tx) error { return nil }); err == nil {
			t.Error("a closed store read")
		}
		if err := h.Close(); err != nil {
			t.Errorf("closing twice: %v", err)
		}
	})
}
