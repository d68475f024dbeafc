package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const invitation = `From: Fen Marlow <fen@marram.example>
To: any-hl@kits.marram.example
Subject: Dye house
Date: Mon, 2 Nov 2026 08:00:00 +0000
Message-ID: <dye-NN@desk.marram.example>
MIME-Version: 1.0
Content-Type: text/calendar; method=METHOD; charset=utf-8

BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Invented Desk//EN
METHOD:METHOD
BEGIN:VEVENT
UID:dye-house@desk.marram.example
DTSTAMP:20261102T08000NNZ
SEQUENCE:NN
ORGANIZER;CN=Fen Marlow:mailto:fen@marram.example
ATTENDEE;CN=Any kit:mailto:any-hl@kits.marram.example
DTSTART;TZID=Europe/London:DAYT080000
DTEND;TZID=Europe/London:DAYT160000
SUMMARY:Dye house\, 2 dosimeters and a calibrator
END:VEVENT
END:VCALENDAR
`

const readReply = `
import sys, json, email, email.policy, icalendar
m = email.message_from_file(sys.stdin, policy=email.policy.default)
parts = {p.get_content_type(): p for p in m.walk()}
cal = parts["text/calendar"]
c = icalendar.Calendar.from_ical(cal.get_payload(decode=True))
e = c.walk("VEVENT")[0]
a = e["ATTENDEE"]
json.dump({"whole": m.get_content_type(), "from": m["From"].addresses[0].addr_spec, "to": m["To"].addresses[0].addr_spec,
 "auto": m["Auto-Submitted"], "answers": m["In-Reply-To"], "parameter": cal["Content-Type"].params["method"], "method": str(c["METHOD"]),
 "uid": str(e["UID"]), "sequence": int(e["SEQUENCE"]), "attendee": str(a), "status": a.params["PARTSTAT"], "organizer": str(e["ORGANIZER"]),
 "comment": str(e["COMMENT"]), "text": parts["text/plain"].get_content(), "stamp": e["DTSTAMP"].dt.isoformat()}, sys.stdout)
`

// TestInvitationIsAnsweredInAMailbox goes the whole way with programs of others: swaks hands an invitation to kitd by LMTP, the
// answer reaches aiosmtpd's mailbox, and Python's iCalendar library reads it. A change of time and a cancellation follow.
func TestInvitationIsAnsweredInAMailbox(t *testing.T) {
	_, err := exec.LookPath("swaks")
	if err != nil || exec.Command("/usr/bin/python3", "-c", "import aiosmtpd, icalendar").Run() != nil {
		if os.Getenv("KITD_TEST_FULL") != "" {
			t.Fatal("peer missing: swaks, or Debian's python3-aiosmtpd or python3-icalendar")
		}
		t.Skip("peer missing: swaks, or Debian's python3-aiosmtpd or python3-icalendar; KITD_TEST_FULL=1 makes this a failure")
	}
	s := show(t)
	s.stop()
	database := "sqlite:" + filepath.Join(s.data, "kitd.db")
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"user", "add", "fen", "--role", "surveyor", "--mail", "fen@marram.example", "--database", database}, streams{nil, &out, &errs}); code != 0 {
		t.Fatalf("%s%s", out.String(), errs.String())
	}
	box, port := mailServer(t)
	lines, stop := serving(t, "--database", database, "--listen", "127.0.0.1:0", "--lmtp-listen", "127.0.0.1:0", "--mail-domain", "kits.marram.example",
		"--mail-authserv", "none", "--public-url", "https://kits.marram.example", "--smtp-host", "127.0.0.1", "--smtp-port", port, "--smtp-security", "none")
	day := time.Now().AddDate(0, 3, 0)
	send := func(method, sequence string, day time.Time) {
		t.Helper()
		raw := strings.NewReplacer("METHOD:METHOD", "METHOD:"+method, "method=METHOD", "method="+method, "NN", sequence, "DAY", day.Format("20060102")).Replace(invitation)
		swaks(t, lines["lmtp"], raw)
	}
	send("REQUEST", "0", day)
	first := answers(t, box, 1)[0]
	for key, want := range map[string]string{"whole": "multipart/alternative", "from": "any-hl@kits.marram.example", "to": "fen@marram.example", "auto": "auto-replied",
		"answers": "<dye-0@desk.marram.example>", "parameter": "REPLY", "method": "REPLY", "uid": "dye-house@desk.marram.example", "status": "ACCEPTED",
		"attendee": "mailto:any-hl@kits.marram.example", "organizer": "mailto:fen@marram.example"} {
		if got, _ := first[key].(string); got != want {
			t.Errorf("%s: %q, want %q", key, got, want)
		}
	}
	text, _ := first["text"].(string)
	comment, _ := first["comment"].(string)
	if !strings.Contains(comment, "Understood: 2 dosimeters and a calibrator of Harrow Lane.") || !strings.Contains(text, "https://kits.marram.example/bookings/") {
		t.Errorf("comment %q, text %q", comment, text)
	}
	send("REQUEST", "0", day) // as a mail server does that never saw the answer
	send("REQUEST", "1", day.AddDate(0, 0, 1))
	all := answers(t, box, 2)
	if moved := all[1]; moved["status"] != "ACCEPTED" || moved["sequence"] != 1.0 {
		t.Errorf("%v", moved)
	}
	send("CANCEL", "2", day)
	if code := stop(); code != 0 {
		t.Errorf("stopped with exit code %d", code)
	}
	if got := len(read(t, box)); got != 2 {
		t.Errorf("%d answers to one request sent twice, one change and one cancellation; want 2", got)
	}
	out.Reset()
	if code := run(t.Context(), []string{"check", "--database", database}, streams{nil, &out, &errs}); code != 0 {
		t.Errorf("check: %s%s", out.String(), errs.String())
	}
}

// serving runs kitd serve inside the test; it gives the lines printed before "ready".
func serving(t *testing.T, args ...string) (lines map[string]string, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, w := io.Pipe()
	var errs bytes.Buffer
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, append([]string{"serve"}, args...), streams{strings.NewReader(""), w, &errs})
		w.Close()
	}()
	lines = map[string]string{}
	scan := bufio.NewScanner(out)
	for scan.Scan() {
		if scan.Text() == "ready" {
			go io.Copy(io.Discard, out)
			return lines, func() int { cancel(); return <-code }
		}
		key, rest, _ := strings.Cut(scan.Text(), ": ")
		lines[key] = rest
	}
	cancel()
	t.Fatalf("kitd ended before it was ready: %s", errs.String())
	return nil, nil
}

func swaks(t *testing.T, address, raw string) {
	t.Helper()
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("swaks", "--protocol", "LMTP", "--server", host, "--port", port, "--from", "fen@marram.example", "--to", "any-hl@kits.marram.example", "--data", "-", "--silent", "2")
	cmd.Stdin = strings.NewReader(raw)
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
}

// answers waits until the mailbox holds n messages and reads them with Python, oldest first.
func answers(t *testing.T, box string, n int) []map[string]any {
	t.Helper()
	var mails []string
	for deadline := time.Now().Add(30 * time.Second); len(mails) < n && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		mails = read(t, box)
	}
	if len(mails) != n {
		t.Fatalf("%d answers, want %d", len(mails), n)
	}
	var all []map[string]any
	for _, m := range mails {
		cmd := exec.Command("/usr/bin/python3", "-c", readReply)
		cmd.Stdin = strings.NewReader(m)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v\n%s", err, m)
		}
		var one map[string]any
		if err := json.Unmarshal(out, &one); err != nil {
			t.Fatal(err)
		}
		all = append(all, one)
	}
	if n == 2 && all[0]["sequence"].(float64) > all[1]["sequence"].(float64) {
		all[0], all[1] = all[1], all[0]
	}
	return all
}
