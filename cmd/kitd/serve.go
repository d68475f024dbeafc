package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"kitd/internal/access"
)

type serveCmd struct{ settings }

// Run serves until it is told to stop.
func (c *serveCmd) Run(ctx context.Context, s streams) error {
	log := logger(c.settings, s.err)
	h, err := open(ctx, c.settings, time.Now, log, true)
	if err != nil {
		return err
	}
	err = h.serve(ctx, s, func(url string) error {
		fmt.Fprintf(s.out, "url: %s\n", url)
		return h.offerSetup(ctx, s, url)
	})
	return errors.Join(err, h.close())
}

// offerSetup prints the one-time link that makes the first account, while there is none.
func (h *house) offerSetup(ctx context.Context, s streams, url string) error {
	secret, needed, err := h.gate.SetupLink(ctx)
	if err == nil && needed {
		fmt.Fprintf(s.out, "setup: %s/setup/%s\n", url, secret)
	}
	return err
}

// shutdown is how long requests under way may take once kitd was told to stop.
const shutdown = 20 * time.Second

// serve listens, starts the jobs, calls ready with the address, and returns after everything under way has ended.
func (h *house) serve(ctx context.Context, s streams, ready func(url string) error) error {
	site, err := h.site()
	if err != nil {
		return err
	}
	listener, err := net.Listen("tcp", h.settings.Listen)
	if err != nil {
		return err
	}
	server := site.HTTP(h.settings.Listen)
	failed := make(chan error, 1)
	go func() { failed <- h.listen(server, listener) }()
	if _, err := h.desk.Rederive(ctx, access.System("zones", access.ViaJob)); err != nil {
		h.log.Error("bookings were not derived again from their local times", "error", err)
	}
	stopJobs, err := h.startJobs(ctx)
	stopMail := func(context.Context) error { return nil }
	if err == nil {
		stopMail, err = h.openMail(ctx, s)
	}
	if err == nil {
		err = ready(h.address(listener))
	}
	if err == nil {
		fmt.Fprintln(s.out, "ready")
		select {
		case err = <-failed:
		case <-ctx.Done():
		}
	}
	bound, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdown)
	defer cancel()
	err = errors.Join(err, server.Shutdown(bound))
	if stopMail != nil {
		err = errors.Join(err, stopMail(bound))
	}
	if stopJobs != nil {
		stopJobs()
	}
	return err
}

func (h *house) listen(server *http.Server, l net.Listener) error {
	var err error
	if h.settings.TLSCertificate != "" {
		err = server.ServeTLS(l, h.settings.TLSCertificate, h.settings.TLSKey)
	} else {
		err = server.Serve(l)
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// address is where people find this server: the public address when one is set, else where it listens.
func (h *house) address(l net.Listener) string {
	if h.settings.PublicURL != "" {
		return h.settings.PublicURL
	}
	scheme := "http"
	if h.settings.TLSCertificate != "" {
		scheme = "https"
	}
	return scheme + "://" + l.Addr().String()
}
