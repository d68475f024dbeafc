package caldav

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ical"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// Holders finds whose a feed is.
type Holders interface {
	// FeedHolder finds the account of a feed's secret; fault.NotSignedIn when there is none.
	FeedHolder(ctx context.Context, token string) (access.Actor, error)
}

// Bookings lists bookings as an actor may see them.
type Bookings interface {
	List(ctx context.Context, who access.Actor, q schedule.Query) (schedule.Page, error)
}

// Feed answers /feeds/SECRET.ics: everything due that the holder may see. Programs that subscribe look again in hours, so a feed
// informs and never confirms.
type Feed struct {
	Holders  Holders
	Bookings Bookings
	Due      func(context.Context, access.Actor) ([]agenda.Notice, error) // certificates that end, and other days that matter
	Now      func() time.Time
	Log      *slog.Logger // nil: silent
}

// How far a feed reaches, and how often a subscriber is asked to look again.
const (
	feedPast    = 31 * 24 * time.Hour
	feedAhead   = 400 * 24 * time.Hour
	feedRefresh = time.Hour
)

// ServeHTTP implements http.Handler. A secret that is unknown, revoked or malformed gets the same answer as a path that is not there.
func (f *Feed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	out := &answer{ResponseWriter: w}
	defer func() {
		if p := recover(); p != nil {
			f.log().Error("feed failed", "panic", p, "stack", string(debug.Stack()))
			if !out.begun {
				http.Error(out, fault.New(fault.Unexpected).Sentence(), http.StatusInternalServerError)
			}
		}
	}()
	if err := f.serve(out, r); err != nil {
		e := fault.Of(err)
		status := statusOf(e)
		if e.Code == fault.NotSignedIn {
			e, status = fault.New(fault.NotThere, "noun", "feed"), http.StatusNotFound
		}
		if status == http.StatusInternalServerError {
			f.log().Error("feed failed", "err", err)
		}
		http.Error(out, e.Sentence(), status)
	}
}

func (f *Feed) log() *slog.Logger {
	if f.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return f.Log
}

func (f *Feed) serve(w http.ResponseWriter, r *http.Request) error {
	secret, ok := secretOf(r.URL.EscapedPath())
	if !ok {
		return fault.New(fault.NotThere, "noun", "feed")
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		return fault.New(fault.WrongMethod, "method", r.Method, "allowed", "GET, HEAD")
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	who, err := f.Holders.FeedHolder(ctx, secret)
	if err != nil {
		return err
	}
	raw, err := f.render(ctx, who)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(raw)
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Set("Referrer-Policy", "no-referrer") // the address is a secret
	if unchanged(etags(r.Header.Values("If-None-Match")), tag) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodGet {
		_, _ = w.Write(raw) // a client that went away needs no answer
	}
	return nil
}

func secretOf(escaped string) (string, bool) {
	name, ok := strings.CutPrefix(escaped, "/feeds/")
	if !ok {
		return "", false
	}
	name, ok = strings.CutSuffix(name, ".ics")
	secret, err := url.PathUnescape(name)
	return secret, ok && err == nil && secret != "" && len(secret) <= 200 && !strings.Contains(secret, "/")
}

func (f *Feed) render(ctx context.Context, who access.Actor) ([]byte, error) {
	now := f.Now().UTC()
	span := fleet.Span{From: now.Add(-feedPast), To: now.Add(feedAhead)}
	c := ical.Calendar{Name: "kitd: everything due", Refresh: feedRefresh}
	seen := map[ident.ID]bool{}
	for after := ""; ; {
		page, err := f.Bookings.List(ctx, who, schedule.Query{Span: span, States: []schedule.State{schedule.Promised, schedule.OutNow, schedule.AtRisk, schedule.Back}, After: after, Limit: 500})
		if err != nil {
			return nil, err
		}
		for _, b := range page.Bookings {
			if !seen[b.ID] {
				seen[b.ID] = true
				c.Events = append(c.Events, entryOf(b))
			}
		}
		if after = page.Next; after == "" {
			break
		}
	}
	if f.Due != nil {
		notices, err := f.Due(ctx, who)
		if err != nil {
			return nil, err
		}
		for _, n := range notices {
			c.Events = append(c.Events, noticeEntry(n))
		}
	}
	return ical.Encode(c), nil
}

// noticeEntry is an all-day event that occupies nobody, with an alarm a week before.
func noticeEntry(n agenda.Notice) ical.Entry {
	return ical.Entry{
		UID: n.Key + "@kitd", Stamp: n.Entered, Start: n.Day.Start(time.UTC), End: n.Day.End(time.UTC), AllDay: true,
		Summary: n.Text, Description: n.Detail, Transparent: true, Categories: []string{"kitd"},
		Alarms: []ical.Alarm{{Before: 7 * 24 * time.Hour, Text: n.Text}},
	}
}
