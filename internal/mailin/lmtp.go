package mailin

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/emersion/go-smtp"
	"golang.org/x/net/netutil"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/itip"
)

// Secretary handles letters.
type Secretary interface {
	// Knows reports whether an address is one of kitd's.
	Knows(ctx context.Context, address string) (bool, error)
	// Receive handles a letter for one address; an error asks for the letter to come again.
	Receive(ctx context.Context, l itip.Letter, recipient string) (itip.Receipt, error)
	// Shelve keeps a letter that could not be handled.
	Shelve(ctx context.Context, l itip.Letter, recipient, why string) (itip.Receipt, error)
}

// Door takes mail by LMTP.
type Door struct {
	Secretary Secretary
	Domain    string // what it calls itself
	Log       *slog.Logger
	After     func() // called after a letter that was answered; may be nil
}

// Limits of the listener.
const (
	maxConnections = 16
	atOnce         = 4 // letters handled at a time: each may hold its whole size in memory
	maxRecipients  = 50
	idle           = 2 * time.Minute
	handling       = time.Minute
)

// Listen opens "unix:/path" or a loopback "host:port". Whoever can connect can pretend to be the site's mail server, so a socket
// is open to its owner and group only, and no other machine is let in.
func Listen(address string) (net.Listener, error) {
	path, ok := strings.CutPrefix(address, "unix:")
	if !ok {
		return listenLoopback(address)
	}
	if info, err := os.Lstat(path); err == nil && info.Mode()&os.ModeSocket != 0 {
		if conn, err := net.DialTimeout("unix", path, time.Second); err == nil {
			_ = conn.Close()
			return nil, fmt.Errorf("lmtp-listen: another process listens on %s", path)
		}
		if err := os.Remove(path); err != nil { // left over by a process that died
			return nil, err
		}
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o660); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func listenLoopback(address string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("lmtp-listen %q: write unix:/path/to/socket or 127.0.0.1:port", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("lmtp-listen %q: LMTP has no password, so it listens on a unix socket or on loopback only", address)
	}
	return net.Listen("tcp", address)
}

// Serve takes mail until stop is called; stop waits for the letters under way, but not longer than its context lasts.
func (d *Door) Serve(l net.Listener) (stop func(context.Context) error) {
	turn := make(chan struct{}, atOnce)
	s := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &visit{door: d, turn: turn}, nil }))
	s.LMTP, s.Domain = true, d.Domain
	s.MaxMessageBytes, s.MaxRecipients = itip.MaxLetter, maxRecipients
	s.ReadTimeout, s.WriteTimeout = idle, idle
	s.ErrorLog = complaints{d.Log}
	go func() {
		if err := s.Serve(netutil.LimitListener(l, maxConnections)); err != nil && !errors.Is(err, net.ErrClosed) {
			d.Log.Error("the mail door closed", "error", err)
		}
	}()
	return s.Shutdown
}

// complaints gives the library the program's own log.
type complaints struct{ log *slog.Logger }

func (c complaints) Printf(format string, v ...any) { c.log.Warn("lmtp: " + fmt.Sprintf(format, v...)) }
func (c complaints) Println(v ...any)               { c.log.Warn("lmtp: " + fmt.Sprint(v...)) }

// visit is one connection of the mail server.
type visit struct {
	door *Door
	turn chan struct{}
	from string
	to   []string
}

var _ smtp.LMTPSession = (*visit)(nil)

// Mail implements smtp.Session.
func (v *visit) Mail(from string, _ *smtp.MailOptions) error {
	v.from = from
	return nil
}

// Rcpt implements smtp.Session: an address that is not kitd's is refused before the message is sent.
func (v *visit) Rcpt(to string, _ *smtp.RcptOptions) error {
	ctx, cancel := context.WithTimeout(context.Background(), handling)
	defer cancel()
	known, err := v.door.Secretary.Knows(ctx, to)
	switch {
	case err != nil:
		v.door.Log.Error("address not looked up", "error", err)
		return later()
	case !known:
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "No kit or depot has this address"}
	}
	v.to = append(v.to, to)
	return nil
}

// Data implements smtp.Session; LMTP uses LMTPData.
func (v *visit) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	l := v.read(raw)
	for _, to := range v.to {
		if err := v.door.deliver(l, to); err != nil {
			return err
		}
	}
	return nil
}

// LMTPData implements smtp.LMTPSession: each recipient gets an answer of its own.
func (v *visit) LMTPData(r io.Reader, status smtp.StatusCollector) error {
	v.turn <- struct{}{}
	defer func() { <-v.turn }()
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	l := v.read(raw)
	for _, to := range v.to {
		status.SetStatus(to, v.door.deliver(l, to))
	}
	return nil
}

func (v *visit) read(raw []byte) itip.Letter {
	l := Read(raw)
	l.EnvelopeFrom = v.from
	return l
}

// Reset implements smtp.Session.
func (v *visit) Reset() { v.from, v.to = "", nil }

// Logout implements smtp.Session.
func (v *visit) Logout() error { return nil }

func later() error {
	return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "Not taken now, send it again later"}
}

// deliver hands a letter over. The mail server sends again only what may go better then; what kitd breaks over is kept.
func (d *Door) deliver(l itip.Letter, to string) error {
	ctx, cancel := context.WithTimeout(context.Background(), handling)
	defer cancel()
	r, err := d.attempt(ctx, l, to)
	if fault.KindOf(err) == fault.Unavailable || errors.Is(err, context.DeadlineExceeded) {
		d.Log.Warn("letter not taken now", "to", to, "error", err)
		return later()
	}
	if fault.Is(err, fault.AlreadyUsed) { // the same bytes are being handled by another connection
		return later()
	}
	if err != nil {
		d.Log.Error("letter kept without being handled", "to", to, "error", err)
		r, err = d.Secretary.Shelve(ctx, l, to, fault.Of(err).Sentence())
	}
	if err != nil {
		d.Log.Error("letter not kept", "to", to, "error", err)
		return later()
	}
	d.Log.Info("letter", "to", to, "outcome", r.Outcome, "letter", r.ID, "booking", r.Booking)
	if !r.Answer.IsZero() && d.After != nil {
		d.After()
	}
	return nil
}

// attempt turns a panic into an error: the mail server must not be told to try again for days.
func (d *Door) attempt(ctx context.Context, l itip.Letter, to string) (r itip.Receipt, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fault.New(fault.Unexpected).Because(fmt.Errorf("panic: %v\n%s", p, debug.Stack()))
		}
	}()
	return d.Secretary.Receive(ctx, l, to)
}

// Archive gives receipts and the bytes behind them.
type Archive interface {
	Receipts(ctx context.Context, who access.Actor, q itip.ReceiptQuery) ([]itip.Receipt, error)
	Raw(ctx context.Context, who access.Actor, id ident.ID) (itip.Receipt, io.ReadCloser, error)
}

// Replay handles anew what was kept without being handled. It gives how many letters went through and how many did not.
func Replay(ctx context.Context, who access.Actor, a Archive, s Secretary) (done, left int, err error) {
	var before ident.ID
	for {
		page, err := a.Receipts(ctx, who, itip.ReceiptQuery{Outcomes: []itip.Outcome{itip.Failed}, Before: before, Limit: 50})
		if err != nil || len(page) == 0 {
			return done, left, err
		}
		for _, r := range page {
			before = r.ID
			l, err := reread(ctx, who, a, r)
			if err != nil {
				return done, left, err
			}
			if _, err := s.Receive(ctx, l, r.Recipient); err != nil {
				left++
				continue
			}
			done++
		}
	}
}

func reread(ctx context.Context, who access.Actor, a Archive, r itip.Receipt) (itip.Letter, error) {
	_, body, err := a.Raw(ctx, who, r.ID)
	if err != nil {
		return itip.Letter{}, err
	}
	raw, err := io.ReadAll(body)
	l := Read(raw)
	l.EnvelopeFrom = r.EnvelopeFrom
	return l, errors.Join(err, body.Close())
}
