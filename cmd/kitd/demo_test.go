package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// shown is a demo that runs inside the test.
type shown struct {
	lines map[string]string
	data  string
	stop  func() int
}

func show(t *testing.T) shown {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, w := io.Pipe()
	var errs bytes.Buffer
	s := shown{lines: map[string]string{}, data: t.TempDir()}
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"demo", "--addr", "127.0.0.1:0", "--data", s.data}, streams{strings.NewReader(""), w, &errs})
		w.Close()
	}()
	s.stop = func() int { cancel(); return <-code }
	scan := bufio.NewScanner(out)
	for scan.Scan() {
		if scan.Text() == "ready" {
			go io.Copy(io.Discard, out)
			return s
		}
		key, rest, _ := strings.Cut(scan.Text(), ": ")
		s.lines[key] = rest
	}
	cancel()
	t.Fatalf("the demo ended before it was ready: %s", errs.String())
	return s
}

func (s shown) ask(t *testing.T, method, path, token string, body io.Reader, header map[string]string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, s.lines["url"]+path, body)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for k, v := range header {
		req.Header.Set(k, v)
	}
	if c := strings.Fields(s.lines["calendar"]); token == "" && len(c) == 3 {
		req.SetBasicAuth(c[1], c[2])
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

func TestDemoServesWhatItPrints(t *testing.T) {
	s := show(t)
	for _, key := range []string{"url", "coordinator", "surveyor", "calendar", "api"} {
		if s.lines[key] == "" {
			t.Errorf("no line %q in %v", key, s.lines)
		}
	}
	if !strings.HasPrefix(s.lines["url"], "http://127.0.0.1:") {
		t.Errorf("url %q is not on loopback", s.lines["url"])
	}
	status, body := s.ask(t, "GET", "/api/v1/units", s.lines["api"], nil, nil)
	var page struct{ Items []struct{ Tag, State string } }
	if err := json.Unmarshal([]byte(body), &page); err != nil || status != 200 {
		t.Fatalf("units: %d %v %s", status, err, body)
	}
	states := map[string]bool{}
	for _, u := range page.Items {
		states[u.State] = true
	}
	for _, want := range []string{"fit", "not fit", "held back", "unread data", "due soon", "out"} {
		if !states[want] {
			t.Errorf("no unit of the demo is %q: %v", want, states)
		}
	}
	status, body = s.ask(t, "PROPFIND", "/caldav/kits/", "", nil, map[string]string{"Depth": "1"})
	if status != http.StatusMultiStatus || !strings.Contains(body, "Kit 01") {
		t.Errorf("calendars: %d %s", status, body)
	}
	if status, _ := s.ask(t, "GET", "/api/v1/units", "kitd_wrong", nil, nil); status != http.StatusUnauthorized {
		t.Errorf("a wrong token answers %d", status)
	}
	if code := s.stop(); code != 0 {
		t.Errorf("stopped with exit code %d", code)
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"check", "--database", "sqlite:" + filepath.Join(s.data, "kitd.db")}, streams{nil, &out, &errs}); code != 0 {
		t.Errorf("check of the demo's database: %d\n%s%s", code, out.String(), errs.String())
	}
}

// TestBackupWhileServingRestores takes a backup of the running demo and restores it elsewhere.
func TestBackupWhileServingRestores(t *testing.T) {
	s := show(t)
	dir := t.TempDir()
	command := func(args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(t.Context(), args, streams{nil, &out, &errs}); code != 0 {
			t.Fatalf("kitd %v: exit code %d\n%s%s", args, code, out.String(), errs.String())
		}
		return out.String()
	}
	live, copied, restored := "sqlite:"+filepath.Join(s.data, "kitd.db"), filepath.Join(dir, "copy.db"), "sqlite:"+filepath.Join(dir, "again", "kitd.db")
	command("backup", copied, "--database", live)
	s.stop()
	if err := os.Mkdir(filepath.Join(dir, "again"), 0o700); err != nil {
		t.Fatal(err)
	}
	command("restore", copied, "--database", restored)
	command("check", "--database", restored)
	if a, b := command("trace", "D-001", "--database", live), command("trace", "D-001", "--database", restored); a != b || !strings.Contains(a, `"R-`) {
		t.Errorf("the restored trace differs or is empty:\n%s\n%s", a, b)
	}
}

// TestReminderReachesAMailbox runs the jobs as cron does, against a mail server in a process of its own.
func TestReminderReachesAMailbox(t *testing.T) {
	if exec.Command("/usr/bin/python3", "-c", "import aiosmtpd").Run() != nil {
		if os.Getenv("KITD_TEST_FULL") != "" {
			t.Fatal("peer missing: Debian's python3-aiosmtpd")
		}
		t.Skip("peer missing: Debian's python3-aiosmtpd; KITD_TEST_FULL=1 makes this a failure")
	}
	s := show(t)
	s.stop()
	database := "sqlite:" + filepath.Join(s.data, "kitd.db")
	box, port := mailServer(t)
	job := func(args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		args = append(append([]string{"run"}, args...), "--database", database, "--smtp-host", "127.0.0.1", "--smtp-port", port, "--smtp-security", "none")
		if code := run(t.Context(), args, streams{nil, &out, &errs}); code != 0 {
			t.Fatalf("kitd %v: %d\n%s", args, code, errs.String())
		}
		return out.String()
	}
	job("reminders")
	job("post")
	mails := read(t, box)
	if len(mails) == 0 {
		t.Fatal("no mail arrived")
	}
	if !strings.Contains(strings.Join(mails, "\n"), "D-009") {
		t.Errorf("no mail speaks of D-009:\n%s", strings.Join(mails, "\n"))
	}
	before := len(mails)
	job("reminders")
	job("post")
	if again := read(t, box); len(again) != before {
		t.Errorf("the same occasions were announced again: %d mails, then %d", before, len(again))
	}
	job("reminders", "--as-of", time.Now().AddDate(0, 0, 8).Format(time.RFC3339))
	job("post")
	if later := read(t, box); len(later) == before {
		t.Error("nothing more is due a week later, although the certificate of D-009 ends meanwhile")
	}
}

func read(t *testing.T, box string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(box, "new", "*"))
	if err != nil {
		t.Fatal(err)
	}
	var mails []string
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		mails = append(mails, string(data))
	}
	return mails
}

// mailServer starts aiosmtpd with a mailbox folder.
func mailServer(t *testing.T) (box, port string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	number := l.Addr().(*net.TCPAddr).Port
	l.Close()
	box = filepath.Join(t.TempDir(), "box")
	ctx, cancel := context.WithCancel(context.Background())
	server := exec.CommandContext(ctx, "/usr/bin/python3", "-m", "aiosmtpd", "-n", "-l", fmt.Sprintf("127.0.0.1:%d", number), "-c", "aiosmtpd.handlers.Mailbox", box)
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); server.Wait() })
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", number)); err == nil {
			c.Close()
			return box, fmt.Sprint(number)
		}
	}
	t.Fatal("the mail server did not come up in 30 seconds")
	return "", ""
}
