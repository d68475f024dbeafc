package itip

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/ical"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/internal/schedule"
	"kitd/internal/trail"
)

// Secretary opens the mail: books, moves and cancels what invitations ask for, and answers them.
type Secretary struct {
	Do, View func(ctx context.Context, who access.Actor, fn func(Store) error) error
	Files    archive.Keeper
	Now      func() time.Time
	NewID    ident.Source
	Rules    schedule.Rules
	Domain   string // right side of the addresses of kits and depots
	Authserv string // whose Authentication-Results count; Unproven: nobody's are needed
	URL      string // public address, for links; may be empty
}

// Limits of what comes in.
const (
	MaxLetter = 10 << 20 // octets of one message
	MaxHops   = 50       // Received headers; more are a loop (RFC 5321, 6.3, asks for at least 100 in relays; kitd is the last)
	MaxHourly = 120      // letters of one sender an hour that are acted on; the rest waits at the mail server
)

// porter is who looks at mail before it is known whose it is.
func porter() access.Actor { return access.System("mail", access.ViaMail) }

// Knows reports whether an address is that of a kit or a depot.
func (s *Secretary) Knows(ctx context.Context, address string) (bool, error) {
	found := false
	err := s.View(ctx, porter(), func(st Store) (err error) {
		_, found, err = find(st, address, s.Domain)
		return err
	})
	return found, err
}

// matter is one letter at one address while it is handled.
type matter struct {
	letter  Letter
	target  Target
	who     access.Actor
	account access.Account
	reply   access.Account // whom the answer goes to: the organizer's account, else the sender's
	message *ical.Message
	receipt Receipt
}

// Receive handles a letter for one address of its envelope. The same bytes a second time change nothing and are not answered
// again. An error means that nothing was done and the letter should come again; everything else is in the receipt.
func (s *Secretary) Receive(ctx context.Context, l Letter, recipient string) (Receipt, error) {
	c, err := s.open(ctx, l, recipient)
	if err != nil {
		return Receipt{}, err
	}
	seen, why, err := s.look(ctx, c)
	switch {
	case err != nil:
		return Receipt{}, err
	case seen != nil:
		return *seen, s.Do(ctx, porter(), func(st Store) error { return st.CountMailDelivery(seen.ID) })
	case why != "":
		c.who = porter()
		return s.file(ctx, c, Ignored, why)
	}
	return s.handle(ctx, c)
}

// open puts the bytes into the archive, before anything else can go wrong.
func (s *Secretary) open(ctx context.Context, l Letter, recipient string) (*matter, error) {
	file, err := s.Files.Put(ctx, porter(), bytes.NewReader(l.Raw), MaxLetter)
	if err != nil {
		return nil, err
	}
	return &matter{letter: l, who: porter(), receipt: Receipt{Received: s.now(), Hash: file.Hash, Size: file.Size, Recipient: strings.ToLower(recipient),
		EnvelopeFrom: cut(l.EnvelopeFrom), From: cut(l.From), Subject: cut(l.Subject), MessageID: cut(l.MessageID), Deliveries: 1}}, nil
}

// Shelve keeps a letter over which kitd broke, to be handled anew once that is mended. The mail server is not asked to send it
// again: it would for days, with the same end.
func (s *Secretary) Shelve(ctx context.Context, l Letter, recipient, why string) (Receipt, error) {
	c, err := s.open(ctx, l, recipient)
	if err != nil {
		return Receipt{}, err
	}
	return s.file(ctx, c, Failed, why)
}

func (s *Secretary) now() time.Time { return s.Now().UTC().Truncate(time.Millisecond) }

// cut keeps what strangers write to a length that a list can show, as text.
func cut(text string) string {
	const most = 400
	text = strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text), "\ufffd")
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most-1]) + "…"
	}
	return text
}

// look reads whose letter it is and what it speaks of. It gives the receipt of the same bytes, or why nothing is to be done.
func (s *Secretary) look(ctx context.Context, c *matter) (seen *Receipt, why string, err error) {
	var accounts []access.Account
	err = s.View(ctx, porter(), func(st Store) error {
		var found bool
		if c.target, found, err = find(st, c.receipt.Recipient, s.Domain); err != nil {
			return err
		}
		if !found {
			return fault.New(fault.NotThere, "noun", "address")
		}
		r, known, err := st.MailReceipt(c.receipt.Hash, c.receipt.Recipient)
		switch {
		case known && r.Outcome == Failed:
			c.receipt.Received, c.receipt.Deliveries = r.Received, r.Deliveries+1
		case known:
			seen = &r
		}
		if err == nil {
			accounts, err = st.Accounts()
		}
		return err
	})
	if err != nil || seen != nil {
		return seen, "", err
	}
	return nil, s.weigh(c, accounts), nil
}

// weigh decides whether the letter may be acted on; a text says why not.
func (s *Secretary) weigh(c *matter, accounts []access.Account) string {
	l := c.letter
	c.message, c.letter.Trouble = readCalendars(l, c.target.zone())
	if c.message != nil {
		c.receipt.Method, c.receipt.UID = cut(c.message.Method), c.message.UID
	}
	if why := automatic(l, c.message != nil); why != "" {
		return why
	}
	account, known := holder(accounts, l.From)
	switch {
	case l.Hops > MaxHops:
		return "it passed more than 50 mail servers, which is a loop"
	case l.From == "":
		return "it does not name exactly one sender"
	case strings.HasSuffix(l.From, "@"+strings.ToLower(s.Domain)) && !known:
		return "it came from an address of kitd itself, which is a loop"
	case !known:
		return "no enabled account has the sender's address, or more than one has"
	case !proven(l.Results, s.Authserv, l.From):
		return "the mail server does not vouch for the sender's address"
	}
	c.account, c.reply = account, account
	c.receipt.Account = account.ID
	c.who = access.Actor{Account: account.ID, Name: account.Name, Role: account.Role, Scope: account.Scope(), Via: access.ViaMail}
	if c.message == nil {
		return ""
	}
	organizer := c.message.Heads[0].Organizer
	if a, ok := holder(accounts, organizer.Address); ok && speaksFor(l.From, organizer) {
		c.reply = a
	}
	switch c.message.Method {
	case "REPLY", "COUNTER", "DECLINECOUNTER":
		return "it is an answer (METHOD:" + c.message.Method + "), and kitd invites nobody"
	}
	return ""
}

// readCalendars reads the first part that is an iTIP message. The trouble is that of the letter, or of its first part.
func readCalendars(l Letter, zone *time.Location) (*ical.Message, error) {
	trouble := l.Trouble
	for _, raw := range l.Calendars {
		m, err := ical.ParseMessage(raw, ical.Options{Zone: zone})
		if err == nil {
			return m, nil
		}
		if trouble == nil {
			trouble = err
		}
	}
	return nil, trouble
}

// file keeps a receipt of a letter with which nothing else happens.
func (s *Secretary) file(ctx context.Context, c *matter, o Outcome, said string) (Receipt, error) {
	err := s.Do(ctx, c.who, func(st Store) error { return s.keep(st, c, o, said) })
	return c.receipt, err
}

// keep writes the receipt and its audit entry; texts that may hold names stay out of the chain.
func (s *Secretary) keep(st Store, c *matter, o Outcome, said string) error {
	r := &c.receipt
	if r.ID.IsZero() {
		r.ID = s.NewID()
	}
	r.Outcome, r.Said = o, said
	if err := st.AddMailReceipt(*r); err != nil {
		return err
	}
	return st.Record(trail.Change{Noun: "letter", ID: r.ID, Verb: string(o), Client: r.Client, Occurred: r.Received,
		After:   map[string]any{"method": r.Method, "target": c.target.ID(), "booking": r.Booking, "answer": r.Answer},
		Private: map[string]string{"from": r.From, "subject": r.Subject, "uid": r.UID, "file": r.Hash.String(), "said": said}})
}

// isUs tells whether a person of a message is the target. A kit may be listed under its address only.
func (c *matter) isUs(p ical.Person) bool {
	return p.Address == c.target.Address || p.Email == c.target.Address
}

// answer queues a message to the organizer or the sender, from the address that was invited.
func (s *Secretary) answer(st Store, c *matter, subject, body string, calendar []byte, method string) error {
	now := s.now()
	id := s.NewID()
	c.receipt.Answer = id
	return st.Queue([]notify.Message{{ID: id, MessageID: id.String() + "@" + s.Domain, To: c.reply.Mail, ToName: c.reply.Display,
		From: c.target.Address, FromName: c.target.Name(), InReplyTo: answerable(c.letter.MessageID), Subject: subject, Body: body,
		Calendar: calendar, Method: method, Created: now, NotBefore: now, State: notify.Queued}})
}

// answerable is a Message-ID that can be named in a header again, else nothing.
func answerable(id string) string {
	odd := func(r rune) bool { return r <= ' ' || r > '~' || r == '<' || r == '>' }
	if len(id) > 900 || strings.ContainsFunc(id, odd) {
		return ""
	}
	return id
}

// handle acts on a letter of a known sender.
func (s *Secretary) handle(ctx context.Context, c *matter) (Receipt, error) {
	if text := s.unclear(c); text != "" {
		return c.receipt, s.once(ctx, c, func(st Store) error { return s.explain(st, c, text) })
	}
	if c.message.Trouble != nil {
		return c.receipt, s.once(ctx, c, func(st Store) error { return s.refuse(st, c, c.message.Trouble) })
	}
	err := s.once(ctx, c, func(st Store) error { return s.act(st, c) })
	if err != nil && declinable(err) {
		why := err
		c.receipt = c.receipt.blank()
		err = s.once(ctx, c, func(st Store) error { return s.refuse(st, c, why) })
	}
	return c.receipt, err
}

// blank forgets what an attempt that was rolled back had found.
func (r Receipt) blank() Receipt {
	r.ID, r.Booking, r.Client, r.Answer = ident.ID{}, ident.ID{}, ident.ID{}, ident.ID{}
	return r
}

// attempts bounds how often a letter is handled anew because somebody else took a unit meanwhile.
const attempts = 3

// once runs fn in a transaction of the sender, who may not send more than a bounded number of letters an hour.
func (s *Secretary) once(ctx context.Context, c *matter, fn func(Store) error) error {
	for try := 1; ; try++ {
		fresh := c.receipt
		err := s.Do(ctx, c.who, func(st Store) error {
			c.receipt = fresh
			n, err := st.MailSince(c.account.ID, s.now().Add(-time.Hour))
			if err != nil {
				return err
			}
			if n >= MaxHourly {
				return fault.New(fault.MailTooOften, "limit", MaxHourly)
			}
			return fn(st)
		})
		if !fault.Is(err, fault.PromiseTaken) || try == attempts {
			return err
		}
	}
}

// declinable reports whether an error is the desk's no and not an accident.
func declinable(err error) bool {
	if fault.Is(err, fault.PromiseTaken) {
		return true
	}
	return slices.Contains([]fault.Kind{fault.Invalid, fault.NotFound, fault.Conflict, fault.Forbidden}, fault.KindOf(err))
}
