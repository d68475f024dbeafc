package mailin_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-smtp"

	"kitd/internal/fault"
	"kitd/internal/itip"
	"kitd/internal/mailin"
	"kitd/internal/store/storetest"
)

// open starts a door on a unix socket over a secretary.
func open(t testing.TB, s mailin.Secretary) (address string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "kitd-lmtp-") // the path of a socket must be short
	if err != nil {
		t.Fatal(err)
	}
	address = filepath.Join(dir, "s")
	l, err := mailin.Listen("unix:" + address)
	if err != nil {
		t.Fatal(err)
	}
	door := &mailin.Door{Secretary: s, Domain: domain, Log: slog.New(slog.NewTextHandler(io.Discard, nil))}
	stop := door.Serve(l)
	t.Cleanup(func() {
		if err := stop(context.Background()); err != nil && !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
		_ = os.RemoveAll(dir)
	})
	return address
}

// hand delivers a message as a mail server does, and gives what each recipient was answered.
func hand(t testing.TB, address, from string, raw []byte, to ...string) []error {
	t.Helper()
	conn, err := net.Dial("unix", address)
	if err != nil {
		t.Fatal(err)
	}
	c := smtp.NewClientLMTP(conn)
	defer c.Close()
	answers := make([]error, len(to))
	if err := c.Mail(from, nil); err != nil {
		t.Fatal(err)
	}
	taken := 0
	for i, one := range to {
		if answers[i] = c.Rcpt(one, nil); answers[i] == nil {
			taken++
		}
	}
	if taken == 0 {
		return answers
	}
	w, err := c.Data()
	if err != nil {
		t.Fatal(err)
	}
	_, writeErr := w.Write(raw)
	err = errors.Join(writeErr, w.Close())
	if err == nil {
		return answers
	}
	for i := range answers {
		if answers[i] == nil {
			answers[i] = err
		}
	}
	return answers
}

// invitation wraps event lines in a message of Ada's.
func invitation(t testing.TB, id string, lines ...string) []byte {
	t.Helper()
	raw := string(fixture(t, "no-method"))
	head, _, _ := strings.Cut(raw, "Content-Type: multipart/")
	head = strings.ReplaceAll(head, "<no-method@", "<"+id+"@")
	return []byte(head + "Content-Type: text/calendar; method=REQUEST; charset=utf-8\r\n\r\nBEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nMETHOD:REQUEST\r\nBEGIN:VEVENT\r\nUID:" + id +
		"\r\nDTSTAMP:20260302T080000Z\r\nORGANIZER:mailto:ada@example.org\r\nATTENDEE:mailto:k-1@" + domain + "\r\n" + strings.Join(lines, "\r\n") + "\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n")
}

const when = "DTSTART:20260309T080000Z\r\nDTEND:20260309T100000Z"

// nested builds a message of parts within parts.
func nested(t testing.TB, depth int) []byte {
	head, _, _ := strings.Cut(string(fixture(t, "plain")), "Content-Type:")
	var b strings.Builder
	b.WriteString(head)
	for i := range depth {
		fmt.Fprintf(&b, "Content-Type: multipart/mixed; boundary=b%d\r\n\r\n--b%d\r\n", i, i)
	}
	return []byte(b.String())
}

// Each of these is refused or ignored with a reason, in bounded memory, and the door stays open: the last message is booked.
func TestBadInput(t *testing.T) {
	r := newReal(t, storetest.SQLite(t))
	address := open(t, r)
	const ada, k1 = "ada@example.org", "k-1@" + domain
	attendees := make([]string, 1000)
	for i := range attendees {
		attendees[i] = fmt.Sprintf("ATTENDEE;CN=Guest %d:mailto:guest%d@example.org", i, i)
	}
	hops := strings.Repeat("Received: from a by b; Mon, 2 Mar 2026 08:00:00 +0000\r\n", 60)
	for _, c := range []struct {
		name, from string
		raw        []byte
		outcome    itip.Outcome
		says       string
	}{
		{"5 MB event", ada, invitation(t, "big", when, "DESCRIPTION:"+strings.Repeat("x\r\n ", 1<<20)), itip.Explained, "larger than the limit"},
		{"1,000 attendees", ada, invitation(t, "crowd", append(attendees, when)...), itip.Booked, "B-"},
		{"every second for ever", ada, invitation(t, "second", when, "RRULE:FREQ=SECONDLY"), itip.Declined, "recurrence"},
		{"a hanging rule", ada, invitation(t, "hang", when, "RRULE:FREQ=HOURLY;INTERVAL=2;BYHOUR=1"), itip.Declined, "recurrence"},
		{"1601", ada, invitation(t, "1601", "DTSTART:16010101T000000Z", "DTEND:16010101T010000Z"), itip.Declined, "1601"},
		{"end before start", ada, invitation(t, "back", "DTSTART:20260309T080000Z", "DTEND:20260309T070000Z"), itip.Declined, "before"},
		{"no length", ada, invitation(t, "point", "DTSTART:20260319T080000Z"), itip.Declined, "not after the start"},
		{"two UIDs", ada, invitation(t, "two", when, "END:VEVENT", "BEGIN:VEVENT", "UID:other", "DTSTAMP:20260302T080000Z", when), itip.Explained, "two UIDs"},
		{"no UID", ada, bytes.ReplaceAll(invitation(t, "none", when), []byte("UID:none\r\n"), nil), itip.Explained, "needs a UID"},
		{"no METHOD", ada, bytes.ReplaceAll(invitation(t, "stored", when), []byte("METHOD:REQUEST\r\n"), nil), itip.Explained, "no METHOD"},
		{"NUL bytes", ada, invitation(t, "nul", when, "SUMMARY:a\x00b"), itip.Explained, "U+0000"},
		{"NUL in the header", ada, vary(t, invitation(t, "nulhead", when), "Subject: Sawmill", "Subject: Saw\x00mill"), "", ""},
		{"to-do", ada, bytes.ReplaceAll(invitation(t, "todo", when), []byte("VEVENT"), []byte("VTODO")), itip.Explained, "VTODO"},
		{"past", ada, invitation(t, "past", "DTSTART:20250309T080000Z", "DTEND:20250309T100000Z"), itip.Declined, "past"},
		{"nested calendars", ada, invitation(t, "deep", strings.Repeat("BEGIN:VEVENT\r\n", 5000)), itip.Explained, "nested"},
		{"attendee without colon", ada, invitation(t, "colon", when, "ATTENDEE;CN=foo"), itip.Explained, "colon"},
		{"12,000 nested parts", ada, nested(t, 12000), itip.Explained, "nested too deep"},
		{"loop", ada, append([]byte(hops), invitation(t, "loop", when)...), itip.Ignored, "loop"},
		{"bounce", "", invitation(t, "bounce", when), itip.Ignored, "no return address"},
		{"two senders", ada, vary(t, invitation(t, "twofrom", when), "From: Ada", "From: eve@example.org\r\nFrom: Ada"), itip.Ignored, "exactly one sender"},
		{"our own address", ada, vary(t, invitation(t, "self", when), "From: Ada Lindqvist <ada@example.org>", "From: k-2@"+domain), itip.Ignored, "loop"},
		{"a reply", ada, bytes.ReplaceAll(invitation(t, "reply", when), []byte("REQUEST"), []byte("REPLY")), itip.Ignored, "answer"},
		{"not MIME at all", ada, []byte("\x00\x01\x02"), itip.Ignored, ""},
		{"empty", ada, nil, itip.Ignored, ""},
		{"bad base64", ada, vary(t, fixture(t, "latin1-undeclared"), "QkVHSU46", "!!!!"), itip.Explained, ""},
		{"broken off", ada, fixture(t, "twin")[:1500], "", ""},
		{"good", ada, invitation(t, "good", "DTSTART:20260313T080000Z", "DTEND:20260313T100000Z"), itip.Booked, "B-"},
	} {
		for _, err := range hand(t, address, c.from, c.raw, k1) {
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
		got := must(r.ledger.Receipts(t.Context(), r.admin, itip.ReceiptQuery{Limit: 1}))(t)
		t.Logf("%s: %s: %.150s", c.name, got[0].Outcome, got[0].Said)
		if len(got) != 1 || c.outcome != "" && got[0].Outcome != c.outcome || !strings.Contains(got[0].Said, c.says) || got[0].Outcome == itip.Failed {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	if m.HeapAlloc > 200<<20 {
		t.Errorf("%d MB are held after it all", m.HeapAlloc>>20)
	}
}

// Recipients are answered one by one; what is no address of kitd's is refused before the message comes.
func TestRecipients(t *testing.T) {
	r := newReal(t, storetest.SQLite(t))
	address := open(t, r)
	answers := hand(t, address, "ada@example.org", invitation(t, "both", when), "k-1@"+domain, "nobody@"+domain, "k-2@"+domain, "k-1@elsewhere.test")
	var no *smtp.SMTPError
	if answers[0] != nil || answers[2] != nil || !errors.As(answers[1], &no) || no.Code != 550 || answers[3] == nil {
		t.Errorf("%v", answers)
	}
	if got := r.standing(t); !strings.Contains(got, "[D-1 D-2 C-1]") || !strings.Contains(got, "[D-3 D-4 C-2]") {
		t.Error(got)
	}
	if answers := hand(t, address, "ada@example.org", bytes.Repeat([]byte("x\r\n"), itip.MaxLetter/3+1), "k-1@"+domain); !errors.As(answers[0], &no) || no.Code != 552 {
		t.Errorf("a message over the limit: %v", answers)
	}
}

// broken is a secretary who fails in the given way.
type broken struct {
	mailin.Secretary
	mu      sync.Mutex
	fail    func() error
	shelved []string
}

func (b *broken) Knows(context.Context, string) (bool, error) { return true, nil }
func (b *broken) Receive(context.Context, itip.Letter, string) (itip.Receipt, error) {
	return itip.Receipt{}, b.fail()
}
func (b *broken) Shelve(_ context.Context, _ itip.Letter, _ string, why string) (itip.Receipt, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shelved = append(b.shelved, why)
	return itip.Receipt{}, nil
}

// What may go better later is asked for again; what never will is kept, and the mail server not kept busy for days.
func TestAccidents(t *testing.T) {
	for name, c := range map[string]struct {
		fail    func() error
		code    int
		shelved int
	}{
		"busy":    {func() error { return fault.New(fault.Busy) }, 451, 0},
		"panic":   {func() error { panic("oh") }, 0, 1},
		"failure": {func() error { return errors.New("a mistake") }, 0, 1},
	} {
		b := &broken{fail: c.fail}
		err := hand(t, open(t, b), "ada@example.org", invitation(t, "x", when), "k-1@"+domain)[0]
		code := 0
		var answer *smtp.SMTPError
		if errors.As(err, &answer) {
			code = answer.Code
		}
		if code != c.code || len(b.shelved) != c.shelved {
			t.Errorf("%s: %v, kept %q", name, err, b.shelved)
		}
	}
}

func TestListen(t *testing.T) {
	for _, bad := range []string{"0.0.0.0:24", "192.0.2.1:24", ":24", "24", "example.org:24"} {
		if l, err := mailin.Listen(bad); err == nil {
			_ = l.Close()
			t.Errorf("%s: opened", bad)
		}
	}
	path := filepath.Join(t.TempDir(), "s")
	first := must(mailin.Listen("unix:" + path))(t)
	if info := must(os.Stat(path))(t); info.Mode().Perm() != 0o660 {
		t.Errorf("mode %v", info.Mode())
	}
	if _, err := mailin.Listen("unix:" + path); err == nil {
		t.Error("two listen on one socket")
	}
	first.(*net.UnixListener).SetUnlinkOnClose(false)
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	again := must(mailin.Listen("unix:" + path))(t)
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}

// Any bytes are read without panic, within the limits.
func FuzzRead(f *testing.F) {
	names, err := filepath.Glob(filepath.Join("..", "..", "testdata", "mail", "*.eml"))
	if err != nil || len(names) == 0 {
		f.Fatal(err)
	}
	for _, n := range names {
		f.Add(fixture(f, strings.TrimSuffix(filepath.Base(n), ".eml")))
	}
	f.Add(nested(f, 20))
	f.Add([]byte("Content-Type: text/calendar; charset=utf-16\r\nContent-Transfer-Encoding: base64\r\n\r\n" + base64.StdEncoding.EncodeToString([]byte("BEGIN:VCALENDAR"))))
	f.Fuzz(func(t *testing.T, raw []byte) {
		l := mailin.Read(raw)
		if len(l.Calendars) > 8 || l.From != strings.ToLower(l.From) {
			t.Errorf("%+v", l)
		}
		if l.Trouble != nil && fault.Of(l.Trouble).Kind() != fault.Invalid {
			t.Errorf("%v", l.Trouble)
		}
	})
}
