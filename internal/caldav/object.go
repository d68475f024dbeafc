package caldav

import (
	"bytes"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"unicode"

	"kitd/internal/agenda"
	"kitd/internal/fault"
	"kitd/internal/ical"
	"kitd/internal/schedule"
)

const contentType = "text/calendar; charset=utf-8; component=VEVENT"

// state is what stands at an address at one moment.
type state struct {
	kit     agenda.Collection
	entry   *agenda.Entry // nil: nothing
	booking schedule.Booking
}

// look reads what stands at the request's address.
func (h *Handler) look(r *request) (s state, err error) {
	err = h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) error {
		if s.kit, err = l.Collection(r.path.kit); err != nil {
			return err
		}
		e, ok, err := l.Entry(s.kit, r.path.name)
		if err != nil || !ok {
			return err
		}
		found, err := l.Bookings([]agenda.Entry{e})
		if b, ok := found[e.Booking]; ok {
			s.entry, s.booking = &e, b
		}
		return err
	})
	return s, err
}

func (h *Handler) get(w http.ResponseWriter, r *request) error {
	s, err := h.look(r)
	if err != nil {
		return err
	}
	if s.entry == nil {
		return fault.New(fault.NotThere, "noun", "calendar entry")
	}
	w.Header().Set("ETag", quoted(s.entry))
	w.Header().Set("Last-Modified", s.entry.Changed.Format(http.TimeFormat))
	w.Header().Set("Cache-Control", "private, no-cache")
	if given := etags(r.Header.Values("If-None-Match")); unchanged(given, quoted(s.entry)) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	if err := s.conditions(r); err != nil {
		return err
	}
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodGet {
		_, _ = w.Write(content(s.booking)) // a client that went away needs no answer
	}
	return nil
}

// unchanged compares weakly (RFC 9110, 13.1.2): a proxy that compresses marks our tags as weak.
func unchanged(given []string, tag string) bool {
	return slices.ContainsFunc(given, func(g string) bool { return g == "*" || strings.TrimPrefix(g, "W/") == tag })
}

// conditions applies If-Match, and If-None-Match for writes (RFC 9110, 13.1.1 and 13.1.2).
func (s state) conditions(r *request) error {
	match, none := etags(r.Header.Values("If-Match")), etags(r.Header.Values("If-None-Match"))
	failed := func(what string) error {
		return fault.New(fault.PreconditionFailed, "name", r.path.name, "what", what)
	}
	switch {
	case len(match) > 0 && s.entry == nil:
		return failed("it was removed")
	case len(match) > 0 && !slices.Contains(match, "*") && !slices.Contains(match, quoted(s.entry)):
		return failed("it was changed meanwhile")
	case len(none) > 0 && s.entry != nil && (slices.Contains(none, "*") || slices.Contains(none, quoted(s.entry))):
		return failed("it exists already")
	}
	return nil
}

// tries bounds how often a write is repeated when somebody else was faster and the client set no condition.
const tries = 3

// put is a booking attempt: what the desk refuses is not stored. The same bytes sent again, as a program does that never saw the
// answer, change nothing and are answered as if they had just been stored.
func (h *Handler) put(w http.ResponseWriter, r *request) error {
	raw, err := readObject(r)
	if err != nil {
		return err
	}
	for attempt := 1; ; attempt++ {
		s, err := h.look(r)
		if fault.Is(err, fault.NotThere) {
			return fault.New(fault.NoSuchKit, "kit", r.path.kit)
		}
		if err != nil {
			return err
		}
		if s.entry != nil && bytes.Equal(s.booking.Calendar.Raw, raw) {
			return stored(w, http.StatusNoContent, s.booking)
		}
		if err := s.conditions(r); err != nil {
			return err
		}
		err = h.store(w, r, s, raw)
		raced := fault.Is(err, fault.Changed) || fault.Is(err, fault.AlreadyUsed)
		if !raced || attempt == tries {
			return err
		}
	}
}

// readObject reads the body of a PUT within its limits.
func readObject(r *request) ([]byte, error) {
	if ct := r.Header.Get("Content-Type"); ct != "" {
		media, _, err := mime.ParseMediaType(ct)
		if err != nil || media != "text/calendar" {
			return nil, fault.New(fault.WrongMedia, "type", ct, "wanted", "text/calendar")
		}
	}
	raw, err := io.ReadAll(io.LimitReader(r.Body, ical.MaxBytes+1))
	if err != nil {
		return nil, fault.New(fault.BadInput, "what", "the calendar object broke off; send it again").Because(err)
	}
	return raw, nil
}

// store hands the object to the desk and answers.
func (h *Handler) store(w http.ResponseWriter, r *request, s state, raw []byte) error {
	event, err := ical.Parse(raw, ical.Options{Zone: s.kit.Location})
	if err != nil {
		return err
	}
	if s.entry != nil && event.UID != s.entry.UID {
		return &uidConflict{fault.New(fault.AlreadyUsed, "noun", "address with the UID", "value", s.entry.UID), objectHref(s.kit.Code, s.entry.Name)}
	}
	if event.Cancelled() {
		return h.putCancelled(w, r, s)
	}
	if len(event.Occurrences) == 0 {
		return fault.New(fault.CalendarObject, "what", "every instance of the series is excluded; delete the event instead")
	}
	wish := wishOf(event, s, r.path.name, raw)
	if s.entry == nil {
		out, err := h.book(r, s, wish)
		if err != nil {
			return err
		}
		if out.Unchanged { // somebody sent the same a moment ago
			return stored(w, http.StatusNoContent, out.Booking)
		}
		return stored(w, http.StatusCreated, out.Booking)
	}
	out, err := h.Desk.Move(r.Context(), r.who, s.booking.ID, s.booking.Version, wish)
	if err != nil {
		return err
	}
	return stored(w, http.StatusNoContent, out.Booking)
}

// book asks the desk, after looking whether the UID stands at another address (RFC 4791, 5.3.2.1).
func (h *Handler) book(r *request, s state, wish schedule.Wish) (schedule.Outcome, error) {
	var other agenda.Entry
	var found bool
	err := h.Agenda.Look(r.Context(), r.who, func(l *agenda.Look) (err error) {
		other, found, err = l.ByUID(s.kit, wish.Calendar.UID)
		return err
	})
	if err != nil {
		return schedule.Outcome{}, err
	}
	if found && other.Name != r.path.name {
		return schedule.Outcome{}, &uidConflict{fault.New(fault.AlreadyUsed, "noun", "UID", "value", wish.Calendar.UID), objectHref(s.kit.Code, other.Name)}
	}
	return h.Desk.Book(r.Context(), r.who, wish)
}

// putCancelled: an event that is put with STATUS:CANCELLED gives its booking up.
func (h *Handler) putCancelled(w http.ResponseWriter, r *request, s state) error {
	if s.entry == nil {
		return fault.New(fault.CalendarObject, "what", "it is cancelled (STATUS:CANCELLED), and there is no booking to cancel")
	}
	if _, err := h.Desk.Cancel(r.Context(), r.who, s.booking.ID, s.booking.Version, "cancelled in a calendar program"); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent) // without an ETag: nothing stands there any more
	return nil
}

func stored(w http.ResponseWriter, status int, b schedule.Booking) error {
	e := agenda.Entry{Booking: b.ID, Version: b.Version}
	w.Header().Set("ETag", quoted(&e)) // the bytes are kept as they came, so RFC 4791, 5.3.4, allows it
	w.WriteHeader(status)
	return nil
}

func (h *Handler) delete(w http.ResponseWriter, r *request) error {
	for attempt := 1; ; attempt++ {
		s, err := h.look(r)
		if err != nil {
			return err
		}
		if err := s.conditions(r); err != nil {
			return err
		}
		if s.entry == nil {
			return fault.New(fault.NotThere, "noun", "calendar entry")
		}
		_, err = h.Desk.Cancel(r.Context(), r.who, s.booking.ID, s.booking.Version, "deleted in a calendar program")
		if fault.Is(err, fault.Changed) && attempt < tries {
			continue
		}
		if err != nil {
			return err
		}
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
}

// wishOf turns an event into what is asked of the desk. Being put into a kit's calendar is the asking: TRANSP, which many
// programs set by themselves, says nothing here. What only kitd knows of a booking (client, depots, lead and lag) stays.
func wishOf(e *ical.Event, s state, name string, raw []byte) schedule.Wish {
	w := schedule.Wish{
		Title: title(e.Summary), Ask: schedule.Ask{Kit: s.kit.ID},
		Calendar: schedule.Calendar{UID: e.UID, Name: name, Raw: raw},
	}
	if s.entry != nil {
		old := s.booking
		w.Client, w.Survey, w.StartDepot, w.EndDepot, w.Lead, w.Lag = old.Client, old.Survey, old.StartDepot, old.EndDepot, &old.Lead, &old.Lag
	}
	for _, o := range e.Occurrences {
		v := schedule.Occurrence{}
		v.Span.From, v.Span.To = o.Start, o.End
		if loc := ical.Location(e.Start.Zone); loc != nil && e.Start.Zone != "UTC" {
			const local = "2006-01-02T15:04:05"
			v.FromCivil = schedule.Civil{Local: o.Start.In(loc).Format(local), Zone: e.Start.Zone}
			v.ToCivil = schedule.Civil{Local: o.End.In(loc).Format(local), Zone: e.Start.Zone}
		}
		w.Occurrences = append(w.Occurrences, v)
	}
	return w
}

// maxTitle is how many characters of a summary become the booking's title; the object keeps the whole of it.
const maxTitle = 200

func title(summary string) string {
	oneLine := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, summary)
	text := []rune(strings.TrimSpace(oneLine))
	if len(text) > maxTitle {
		text = append(text[:maxTitle-1], '…')
	}
	return string(text)
}
