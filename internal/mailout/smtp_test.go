package mailout

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	gomail "github.com/emersion/go-message/mail"
	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"kitd/internal/notify"
)

// box is the far side: it keeps what it accepts, and fails where a test says so.
type box struct {
	mu      sync.Mutex
	mails   [][]byte
	users   map[string]string
	rcptErr error
	dataErr error
	hangUp  bool // drop the connection after the final dot, before the answer
}

func (b *box) NewSession(c *smtp.Conn) (smtp.Session, error) { return &visit{b, c, ""}, nil }

type visit struct {
	box  *box
	conn *smtp.Conn
	user string
}

func (v *visit) AuthMechanisms() []string { return []string{sasl.Plain} }
func (v *visit) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if v.box.users[user] != password {
			return errors.New("wrong password")
		}
		v.user = user
		return nil
	}), nil
}
func (v *visit) Mail(string, *smtp.MailOptions) error {
	if v.box.users != nil && v.user == "" {
		return smtp.ErrAuthRequired
	}
	return nil
}
func (v *visit) Rcpt(string, *smtp.RcptOptions) error { return v.box.rcptErr }
func (v *visit) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if v.box.hangUp {
		return v.conn.Conn().Close()
	}
	if v.box.dataErr == nil {
		v.box.mu.Lock()
		defer v.box.mu.Unlock()
		v.box.mails = append(v.box.mails, text)
	}
	return v.box.dataErr
}
func (v *visit) Reset()        {}
func (v *visit) Logout() error { return nil }

// certificate makes a key pair for localhost and the pool that trusts it.
func certificate(t *testing.T) (tls.Certificate, *x509.CertPool, []byte, []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	keyPEM := pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: raw})
	pair, err := tls.X509KeyPair(certPEM, keyPEM)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	return pair, pool, certPEM, keyPEM
}

// far starts the far side on loopback and gives a client for it.
func far(t *testing.T, b *box, security Security) *SMTP {
	t.Helper()
	pair, pool, _, _ := certificate(t)
	server := smtp.NewServer(b)
	server.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}}
	server.AllowInsecureAuth = security == None
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if security == TLS {
		listener = tls.NewListener(listener, server.TLSConfig)
	}
	go server.Serve(listener)
	t.Cleanup(func() { server.Close() })
	return &SMTP{Host: "localhost", Port: listener.Addr().(*net.TCPAddr).Port, Security: security, Roots: pool,
		From: "kitd <kitd@example.org>", Now: time.Now}
}

func message() notify.Message {
	return notify.Message{MessageID: "01@kitd.example.org", To: "ida@example.org", ToName: "Ída Vörrel\r\nBcc: x@example.org",
		Subject: "D-031: certificate ends · 声\r\nX-Evil: 1", Body: "Line one.\n.\n" + strings.Repeat("long ", 400) + "\nÜber.\n"}
}

func TestDeliversUnderEachSecurity(t *testing.T) {
	for _, security := range []Security{StartTLS, TLS, None} {
		t.Run(string(security), func(t *testing.T) {
			b := &box{users: map[string]string{"kitd": "secret"}}
			s := far(t, b, security)
			s.User, s.Password = "kitd", "secret"
			outcome, err := s.Send(t.Context(), message())
			if err != nil || outcome != notify.Delivered || len(b.mails) != 1 {
				t.Fatalf("outcome %v, %v, %d mails", outcome, err, len(b.mails))
			}
			reread(t, b.mails[0])
		})
	}
}

// reread checks that what arrived says what was meant, and that nothing could add a header.
func reread(t *testing.T, raw []byte) {
	t.Helper()
	m, err := gomail.CreateReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	if id, _ := m.Header.MessageID(); id != "01@kitd.example.org" {
		t.Errorf("Message-ID %q", id)
	}
	if m.Header.Has("X-Evil") || m.Header.Has("Bcc") {
		t.Errorf("a line break in a name or subject added a header:\n%s", raw)
	}
	if subject, _ := m.Header.Subject(); !strings.Contains(subject, "certificate ends · 声") {
		t.Errorf("subject %q", subject)
	}
	part, err := m.NextPart()
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(part.Body)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.ReplaceAll(string(body), "\r\n", "\n"); got != message().Body {
		t.Errorf("body arrived as %q", got)
	}
}

func TestFailuresAreSorted(t *testing.T) {
	for name, c := range map[string]struct {
		box  *box
		user string
		want notify.Outcome
	}{
		"no such user":          {&box{rcptErr: &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}}, "", notify.Refused},
		"greylisted":            {&box{rcptErr: &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "later"}}, "", notify.TryLater},
		"content refused":       {&box{dataErr: &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "no"}}, "", notify.Refused},
		"disk full":             {&box{dataErr: &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 3, 1}, Message: "full"}}, "", notify.TryLater},
		"gone after the dot":    {&box{hangUp: true}, "", notify.OutcomeUnknown},
		"password not accepted": {&box{users: map[string]string{"kitd": "other"}}, "kitd", notify.TryLater},
	} {
		t.Run(name, func(t *testing.T) {
			s := far(t, c.box, StartTLS)
			s.User, s.Password = c.user, "secret"
			if got, err := s.Send(t.Context(), message()); got != c.want || err == nil {
				t.Errorf("outcome %v, %v; want %v and an error", got, err, c.want)
			}
			if len(c.box.mails) != 0 {
				t.Error("the mail arrived all the same")
			}
		})
	}
}

func TestNoServerNoTrustNoAddress(t *testing.T) {
	s := far(t, &box{}, StartTLS)
	s.Roots = x509.NewCertPool()
	if got, err := s.Send(t.Context(), message()); got != notify.TryLater || err == nil {
		t.Errorf("an untrusted server: %v, %v", got, err)
	}
	m := message()
	m.To = "nobody at all"
	if got, err := s.Send(t.Context(), m); got != notify.Refused || err == nil {
		t.Errorf("no address: %v, %v", got, err)
	}
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.Port = closed.Addr().(*net.TCPAddr).Port
	closed.Close()
	if got, err := s.Send(t.Context(), message()); got != notify.TryLater || err == nil {
		t.Errorf("nobody listens: %v, %v", got, err)
	}
}

// TestAServerThatIsNotOurs delivers to aiosmtpd, a mail server in a process and a language of its own, over STARTTLS.
func TestAServerThatIsNotOurs(t *testing.T) {
	if exec.Command("/usr/bin/python3", "-c", "import aiosmtpd").Run() != nil {
		if os.Getenv("KITD_TEST_FULL") != "" {
			t.Fatal("peer missing: Debian's python3-aiosmtpd")
		}
		t.Skip("peer missing: Debian's python3-aiosmtpd; KITD_TEST_FULL=1 makes this a failure")
	}
	dir := t.TempDir()
	_, pool, certPEM, keyPEM := certificate(t)
	for name, data := range map[string][]byte{"cert.pem": certPEM, "key.pem": keyPEM} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	port := freePort(t)
	ctx, cancel := context.WithCancel(t.Context())
	server := exec.CommandContext(ctx, "/usr/bin/python3", "-m", "aiosmtpd", "-n", "-l", fmt.Sprintf("127.0.0.1:%d", port),
		"--tlscert", filepath.Join(dir, "cert.pem"), "--tlskey", filepath.Join(dir, "key.pem"),
		"-c", "aiosmtpd.handlers.Mailbox", filepath.Join(dir, "box"))
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	defer server.Wait()
	defer cancel()
	awaitPort(t, port)
	s := &SMTP{Host: "localhost", Port: port, Security: StartTLS, Roots: pool, From: "kitd@example.org", Now: time.Now}
	if got, err := s.Send(t.Context(), message()); got != notify.Delivered || err != nil {
		t.Fatalf("outcome %v, %v", got, err)
	}
	files, err := filepath.Glob(filepath.Join(dir, "box", "new", "*"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%d files in the mailbox, %v", len(files), err)
	}
	raw, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	reread(t, raw)
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func awaitPort(t *testing.T, port int) {
	t.Helper()
	deadline := time.Now().Add(30 * time.Second)
	for time.Now().Before(deadline) {
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			c.Close()
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatal("the server did not come up in 30 seconds")
}
