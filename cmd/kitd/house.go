package main

import (
	"context"
	"crypto/rand"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/mail"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/archive"
	"kitd/internal/caldav"
	"kitd/internal/exposure"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/mailout"
	"kitd/internal/notify"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/survey"
	"kitd/web"
)

// house is everything of kitd over one open database.
type house struct {
	settings settings
	db       *store.DB
	now      func() time.Time
	newID    ident.Source
	me       string    // this process, as holder of leases that outlast one run
	asOf     time.Time // zero: now; the moment whose reminders are due
	log      *slog.Logger

	gate   *access.Gate
	pool   *fleet.Keeper
	desk   *schedule.Desk
	office *survey.Office
	agenda *agenda.Reader
	clerk  *notify.Clerk
	post   *notify.PostOffice // nil without a mail server
}

// worker is the kind of function that a domain package is given for its transactions.
type worker[S any] = func(context.Context, access.Actor, func(S) error) error

// rooms adapts the database to a domain package's own store interface.
func rooms[S any](db *store.DB, as func(*store.Tx) S) (do, view worker[S]) {
	do = func(ctx context.Context, who access.Actor, fn func(S) error) error {
		return db.Do(ctx, who, func(tx *store.Tx) error { return fn(as(tx)) })
	}
	view = func(ctx context.Context, who access.Actor, fn func(S) error) error {
		return db.View(ctx, who, func(tx *store.Tx) error { return fn(as(tx)) })
	}
	return do, view
}

func logger(s settings, w io.Writer) *slog.Logger {
	var level slog.Level
	if err := level.UnmarshalText([]byte(s.LogLevel)); err != nil {
		level = slog.LevelInfo
	}
	options := &slog.HandlerOptions{Level: level}
	if s.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(w, options))
	}
	return slog.New(slog.NewTextHandler(w, options))
}

// open opens the database and builds the services over it. The schema is brought up to date when migrate is set; otherwise a
// database of another age is refused.
func open(ctx context.Context, s settings, now func() time.Time, log *slog.Logger, migrate bool) (*house, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if path, ok := strings.CutPrefix(s.Database, "sqlite:"); ok && migrate {
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return nil, err
		}
	}
	h := &house{settings: s, now: now, newID: ident.NewSource(now, rand.Reader), log: log}
	h.me = h.newID().String()
	var err error
	h.db, err = store.Open(ctx, store.Config{DSN: s.Database, Now: now, NewID: h.newID, Random: rand.Reader, Log: log, MustExist: !migrate})
	if err != nil {
		return nil, err
	}
	prepare := h.db.Ready
	if migrate {
		prepare = h.db.Migrate
	}
	if err := errors.Join(prepare(ctx), h.furnish()); err != nil {
		return nil, errors.Join(err, h.db.Close())
	}
	return h, nil
}

func (h *house) furnish() error {
	passwords, err := access.NewPasswords(access.DefaultCost, rand.Reader, runtime.NumCPU())
	if err != nil {
		return err
	}
	h.gate = &access.Gate{Now: h.now, NewID: h.newID, Random: rand.Reader, Passwords: passwords, Limiter: access.NewLimiter(), Times: access.DefaultTimes}
	h.gate.Do, h.gate.View = rooms(h.db, func(tx *store.Tx) access.Store { return tx })
	h.pool = &fleet.Keeper{Now: h.now, NewID: h.newID}
	h.pool.Do, h.pool.View = rooms(h.db, func(tx *store.Tx) fleet.Store { return tx })
	h.desk = &schedule.Desk{Now: h.now, NewID: h.newID}
	h.desk.Do, h.desk.View = rooms(h.db, func(tx *store.Tx) schedule.Store { return tx })
	codec, err := archive.NewCodec()
	if err != nil {
		return err
	}
	h.office = &survey.Office{Files: h.db, Codec: codec, Now: h.now, NewID: h.newID, Profile: exposure.ProfileByID}
	h.office.Do, h.office.View = rooms(h.db, func(tx *store.Tx) survey.Store { return tx })
	h.agenda = &agenda.Reader{}
	_, h.agenda.View = rooms(h.db, func(tx *store.Tx) agenda.Store { return tx })
	return h.furnishPost()
}

func (h *house) furnishPost() error {
	s := h.settings
	do, _ := rooms(h.db, func(tx *store.Tx) notify.Store { return tx })
	h.clerk = &notify.Clerk{Do: do, Now: h.now, NewID: h.newID, Rule: notify.CertificateRule(), Domain: mailDomain(s), URL: s.PublicURL}
	if s.RemindTo != "" {
		also, err := mail.ParseAddressList(s.RemindTo)
		if err != nil {
			return fmt.Errorf("remind-to %q: write mail addresses with commas between them: %w", s.RemindTo, err)
		}
		for _, a := range also {
			h.clerk.Also = append(h.clerk.Also, notify.Recipient{Name: a.Name, Address: a.Address})
		}
	}
	if s.SMTPHost == "" {
		return nil
	}
	sender := &mailout.SMTP{Host: s.SMTPHost, Port: s.SMTPPort, Security: mailout.Security(s.SMTPSecurity),
		User: s.SMTPUser, Password: s.SMTPPassword, From: s.MailFrom, Now: h.now}
	if s.SMTPCA != "" {
		data, err := os.ReadFile(s.SMTPCA)
		if err != nil {
			return err
		}
		if sender.Roots = x509.NewCertPool(); !sender.Roots.AppendCertsFromPEM(data) {
			return fmt.Errorf("smtp-ca %s holds no PEM certificate", s.SMTPCA)
		}
	}
	h.post = &notify.PostOffice{Do: do, Sender: sender, Now: h.now}
	return nil
}

// mailDomain is the right side of Message-IDs: the host of the public address, or of the sender.
func mailDomain(s settings) string {
	if u, err := url.Parse(s.PublicURL); err == nil && u.Hostname() != "" {
		return u.Hostname()
	}
	if from, err := mail.ParseAddress(s.MailFrom); err == nil {
		_, domain, _ := strings.Cut(from.Address, "@")
		return domain
	}
	return "localhost"
}

// site is the server over the house.
func (h *house) site() (*web.Server, error) {
	proxies, err := networks(h.settings.TrustedProxies)
	if err != nil {
		return nil, err
	}
	return web.New(web.Deps{
		Gate: h.gate, Pool: h.pool, Desk: h.desk, Office: h.office, Repeats: store.Repeats{DB: h.db},
		Stock: h.pool, Originals: h.db, Ledger: h.ledger(), Tables: h.counter(),
		CalDAV: &caldav.Handler{Gate: h.gate, Desk: h.desk, Agenda: h.agenda, Now: h.now, Log: h.log},
		Feeds:  &caldav.Feed{Holders: h.gate, Bookings: h.desk, Due: h.due, Now: h.now, Log: h.log},
		Ready:  h.db.Ready, Now: h.now, NewID: h.newID, Random: rand.Reader, Log: h.log,
		Config: web.Config{PublicURL: h.settings.PublicURL, TrustedProxies: proxies},
	})
}

// ledger answers what lapses and what was told of it.
func (h *house) ledger() *notify.Ledger {
	l := &notify.Ledger{Now: h.now, Rule: h.clerk.Rule, Also: h.clerk.Also}
	l.Do, l.View = rooms(h.db, func(tx *store.Tx) notify.LedgerStore { return tx })
	return l
}

func networks(texts []string) ([]netip.Prefix, error) {
	var all []netip.Prefix
	for _, t := range texts {
		prefix, err := netip.ParsePrefix(t)
		if err != nil {
			addr, err := netip.ParseAddr(t)
			if err != nil {
				return nil, fmt.Errorf("trusted-proxies %q: write an address or a network such as 10.0.0.0/8", t)
			}
			prefix = netip.PrefixFrom(addr, addr.BitLen())
		}
		all = append(all, prefix)
	}
	return all, nil
}

func (h *house) close() error { return h.db.Close() }
