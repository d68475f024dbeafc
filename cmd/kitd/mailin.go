package main

import (
	"context"
	"fmt"
	"net"

	"kitd/internal/access"
	"kitd/internal/itip"
	"kitd/internal/mailin"
	"kitd/internal/store"
)

// secretary books what invitations by mail ask for.
func (h *house) secretary() *itip.Secretary {
	s := &itip.Secretary{Files: h.db, Now: h.now, NewID: h.newID, Rules: h.desk.Rules, Domain: h.settings.MailDomain,
		Authserv: h.settings.MailAuthserv, URL: h.settings.PublicURL}
	s.Do, s.View = rooms(h.db, func(tx *store.Tx) itip.Store { return tx })
	return s
}

// letters answers what mail came in and what became of it.
func (h *house) letters() *itip.Ledger {
	l := &itip.Ledger{Files: h.db}
	_, l.View = rooms(h.db, func(tx *store.Tx) itip.LedgerStore { return tx })
	return l
}

// openMail takes mail where the settings say so; stop ends it. Answers leave at once, not at the next minute.
func (h *house) openMail(ctx context.Context, s streams) (stop func(context.Context) error, err error) {
	if h.settings.LMTPListen == "" {
		return func(context.Context) error { return nil }, nil
	}
	listener, err := mailin.Listen(h.settings.LMTPListen)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(s.out, "lmtp: %s\n", lmtpAddress(listener))
	waiting := make(chan struct{}, 1)
	door := &mailin.Door{Secretary: h.secretary(), Domain: h.settings.MailDomain, Log: h.log, After: func() {
		select {
		case waiting <- struct{}{}:
		default: // a round is to come already
		}
	}}
	over := make(chan struct{})
	go h.postAtOnce(ctx, waiting, over)
	shut := door.Serve(listener)
	return func(ctx context.Context) error {
		err := shut(ctx)
		over <- struct{}{}
		return err
	}, nil
}

func lmtpAddress(l net.Listener) string {
	if l.Addr().Network() == "unix" {
		return "unix:" + l.Addr().String()
	}
	return l.Addr().String()
}

// postAtOnce empties the outbox after letters were answered. Where another process is at it, the next minute's job follows.
func (h *house) postAtOnce(ctx context.Context, waiting, over <-chan struct{}) {
	post, _ := jobNamed("post")
	for {
		select {
		case <-over:
			return
		case <-waiting:
			if _, err := h.runJob(ctx, post); err != nil && ctx.Err() == nil {
				h.log.Error("answers wait in the outbox", "error", err)
			}
		}
	}
}

// replayMail handles anew the letters that kitd broke over.
func replayMail(h *house, ctx context.Context, who access.Actor) (string, error) {
	if h.settings.MailDomain == "" {
		return "no mail-domain is set; nothing is done", nil
	}
	done, left, err := mailin.Replay(ctx, who, h.letters(), h.secretary())
	return fmt.Sprintf("%d letters handled anew, %d failed again", done, left), err
}
