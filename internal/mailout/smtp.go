// Package mailout hands kitd's messages to a mail server by SMTP (RFC 5321) and says what became of each attempt.
package mailout

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/mail"
	"strconv"
	"time"

	rfc5322 "github.com/emersion/go-message"
	gomail "github.com/emersion/go-message/mail"
	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"kitd/internal/notify"
)

// Security says how the connection is protected.
type Security string

// The forms of protection: STARTTLS (RFC 3207) is demanded, never optional; TLS from the first byte (RFC 8314); none.
const (
	StartTLS Security = "starttls"
	TLS      Security = "tls"
	None     Security = "none"
)

// SMTP is a mail server. It implements notify.Sender.
type SMTP struct {
	Host     string
	Port     int
	Security Security
	Roots    *x509.CertPool // nil: the machine's
	User     string         // empty: no authentication
	Password string
	From     string // sender address, or "Name <address>"
	Now      func() time.Time
}

// An attempt is bounded well below the time after which its outcome would count as unknown.
const (
	dialTimeout    = 20 * time.Second
	commandTimeout = 30 * time.Second
	submitTimeout  = 4 * time.Minute
)

// Send delivers one message. A definite refusal (5xx) is final, everything before the message was handed over may be tried
// later, and a connection lost after that has an unknown outcome.
func (s *SMTP) Send(ctx context.Context, m notify.Message) (notify.Outcome, error) {
	from, err := mail.ParseAddress(s.From)
	if err != nil {
		return notify.TryLater, fmt.Errorf("mail-from %q is not an address: %w", s.From, err)
	}
	to, err := mail.ParseAddress(m.To)
	if err != nil {
		return notify.Refused, fmt.Errorf("recipient %q is not an address: %w", m.To, err)
	}
	text, err := s.compose(m, from, to)
	if err != nil {
		return notify.Refused, err
	}
	client, err := s.connect(ctx)
	if err != nil {
		return sort(err), err
	}
	defer client.Close()
	return submit(client, from.Address, to.Address, text)
}

func submit(client *smtp.Client, from, to string, text []byte) (notify.Outcome, error) {
	if err := client.Mail(from, nil); err != nil {
		return sort(err), err
	}
	if err := client.Rcpt(to, nil); err != nil {
		return sort(err), err
	}
	data, err := client.Data()
	if err != nil {
		return sort(err), err
	}
	if _, err := data.Write(text); err != nil {
		return notify.TryLater, err // the final dot was never sent, so no server has accepted it (RFC 5321, 4.1.1.4)
	}
	if err := data.Close(); err != nil {
		var answer *smtp.SMTPError
		if errors.As(err, &answer) {
			return sort(err), err
		}
		return notify.OutcomeUnknown, err
	}
	if err := client.Quit(); err != nil {
		return notify.Delivered, nil // the message was taken; how the connection ends does not matter (RFC 5321, 4.1.1.10)
	}
	return notify.Delivered, nil
}

// sort tells a permanent answer (5xx) from everything that may pass.
func sort(err error) notify.Outcome {
	var answer *smtp.SMTPError
	if errors.As(err, &answer) && !answer.Temporary() {
		return notify.Refused
	}
	return notify.TryLater
}

func (s *SMTP) connect(ctx context.Context) (*smtp.Client, error) {
	address := net.JoinHostPort(s.Host, strconv.Itoa(s.Port))
	dialer := net.Dialer{Timeout: dialTimeout}
	conn, err := dialer.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	client, err := s.greet(conn)
	if err != nil {
		conn.Close()
		return nil, err
	}
	if err := s.login(client); err != nil {
		client.Close()
		return nil, err
	}
	return client, nil
}

func (s *SMTP) greet(conn net.Conn) (*smtp.Client, error) {
	conf := &tls.Config{ServerName: s.Host, RootCAs: s.Roots, MinVersion: tls.VersionTLS12}
	var client *smtp.Client
	var err error
	switch s.Security {
	case TLS:
		client = smtp.NewClient(tls.Client(conn, conf))
	case StartTLS:
		client, err = smtp.NewClientStartTLS(conn, conf)
	case None:
		client = smtp.NewClient(conn)
	default:
		return nil, fmt.Errorf("smtp-security %q: choose starttls, tls or none", s.Security)
	}
	if err != nil {
		return nil, err
	}
	client.CommandTimeout, client.SubmissionTimeout = commandTimeout, submitTimeout
	return client, nil
}

// login authenticates. A refused password is the site's to mend, so messages wait for it instead of becoming dead letters.
func (s *SMTP) login(client *smtp.Client) error {
	if s.User == "" {
		return nil
	}
	if err := client.Auth(sasl.NewPlainClient("", s.User, s.Password)); err != nil {
		return fmt.Errorf("the mail server does not take user %q: %s", s.User, err.Error())
	}
	return nil
}

// compose writes the message in RFC 5322 form. Headers are encoded by the library, so line breaks in names cannot add any.
func (s *SMTP) compose(m notify.Message, from, to *mail.Address) ([]byte, error) {
	var h gomail.Header
	h.SetDate(s.Now())
	sender := &gomail.Address{Name: from.Name, Address: from.Address}
	if m.From != "" {
		sender = &gomail.Address{Name: m.FromName, Address: m.From}
	}
	h.SetAddressList("From", []*gomail.Address{sender})
	h.SetAddressList("To", []*gomail.Address{{Name: m.ToName, Address: to.Address}})
	h.SetSubject(m.Subject)
	h.SetMessageID(m.MessageID)
	h.Set("Auto-Submitted", "auto-generated") // RFC 3834, 5
	if m.InReplyTo != "" {
		h.Set("Auto-Submitted", "auto-replied")
		h.SetMsgIDList("In-Reply-To", []string{m.InReplyTo})
		h.SetMsgIDList("References", []string{m.InReplyTo})
	}
	if m.Calendar != nil {
		return withCalendar(h, m)
	}
	setText(&h.Header)
	var buf bytes.Buffer
	w, err := gomail.CreateSingleInlineWriter(&buf, h)
	if err != nil {
		return nil, err
	}
	if _, err := io.WriteString(w, m.Body); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return buf.Bytes(), nil
}

func setText(h *rfc5322.Header) {
	h.SetContentType("text/plain", map[string]string{"charset": "utf-8"})
	h.Set("Content-Transfer-Encoding", "quoted-printable")
}

// withCalendar writes the text and the calendar as alternatives; the method parameter equals METHOD (RFC 6047, 2.4).
func withCalendar(h gomail.Header, m notify.Message) ([]byte, error) {
	h.SetContentType("multipart/alternative", nil)
	var buf bytes.Buffer
	w, err := rfc5322.CreateWriter(&buf, h.Header)
	if err != nil {
		return nil, err
	}
	var text, calendar rfc5322.Header
	setText(&text)
	calendar.SetContentType("text/calendar", map[string]string{"charset": "utf-8", "method": m.Method, "component": "VEVENT"})
	calendar.Set("Content-Transfer-Encoding", "base64")
	if err := writePart(w, text, []byte(m.Body)); err != nil {
		return nil, err
	}
	if err := writePart(w, calendar, m.Calendar); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return buf.Bytes(), nil
}

func writePart(w *rfc5322.Writer, h rfc5322.Header, body []byte) error {
	part, err := w.CreatePart(h)
	if err != nil {
		return err
	}
	if _, err := part.Write(body); err != nil {
		return err
	}
	return part.Close()
}
