// Package mailin is the door for mail: it takes messages from the site's mail server by LMTP (RFC 2033), reads their MIME, and
// hands them to the secretary.
package mailin

import (
	"bytes"
	"errors"
	"io"
	"path"
	"strings"
	"unicode/utf8"

	"github.com/emersion/go-message"
	"github.com/emersion/go-message/charset"
	gomail "github.com/emersion/go-message/mail"
	"golang.org/x/text/encoding/charmap"

	"kitd/internal/fault"
	"kitd/internal/ical"
	"kitd/internal/itip"
)

// Limits of the MIME structure. The library itself has none for depth, and takes long on deep nesting.
const (
	maxDepth     = 8
	maxParts     = 100
	maxHeader    = 256 << 10 // octets of the header of a message or a part
	maxCalendars = 4
)

// Read reads a message. What cannot be read leaves Trouble; who sent it and what was found so far stays.
func Read(raw []byte) (l itip.Letter) {
	l.Raw = raw
	defer func() {
		if r := recover(); r != nil {
			l.Trouble = fault.New(fault.MailForm, "what", "its structure broke the reader; send it as plain Internet mail")
		}
	}()
	e, err := message.ReadWithOptions(bytes.NewReader(raw), &message.ReadOptions{MaxHeaderBytes: maxHeader})
	if e == nil {
		l.Trouble = unreadable(err)
		return l
	}
	readHeader(&l, e.Header)
	w := walk{letter: &l}
	if err := w.part(e, err, 0); err != nil && len(l.Calendars) == 0 {
		l.Trouble = err
	}
	l.Calendars = append(l.Calendars, w.attached...)
	return l
}

func unreadable(err error) error {
	var f *fault.Error
	if errors.As(err, &f) {
		return err
	}
	return fault.New(fault.MailForm, "what", "its MIME structure is broken; send it again").Because(err)
}

func readHeader(l *itip.Letter, h message.Header) {
	g := gomail.Header{Header: h}
	if from, err := g.AddressList("From"); err == nil && len(from) == 1 && len(h.Values("From")) == 1 {
		l.From = strings.ToLower(from[0].Address)
	}
	l.Subject, _ = g.Subject() // one that cannot be decoded comes as it is
	l.MessageID, _ = g.MessageID()
	l.AutoSubmitted = h.Get("Auto-Submitted")
	l.Precedence = h.Get("Precedence")
	l.List = h.Has("List-Id") || h.Has("List-Post")
	l.Results = h.Values("Authentication-Results")
	l.Hops = len(h.Values("Received"))
}

// walk goes through the parts of one message.
type walk struct {
	letter   *itip.Letter
	attached [][]byte // calendars sent as files, most often the twin of one to be shown
	parts    int
}

// part reads one part. problem is what the library said of its encoding or charset.
func (w *walk) part(e *message.Entity, problem error, depth int) error {
	if w.parts++; w.parts > maxParts || depth > maxDepth {
		return fault.New(fault.MailForm, "what", "it has too many parts, or parts nested too deep; send the invitation by itself")
	}
	if r := e.MultipartReader(); r != nil {
		return w.inside(r, depth)
	}
	media, params, err := e.Header.ContentType()
	if err != nil {
		media, params = "text/plain", nil
	}
	disposition, about, err := e.Header.ContentDisposition()
	if err != nil {
		disposition, about = "", nil
	}
	name := strings.ToLower(about["filename"])
	if name == "" {
		name = strings.ToLower(params["name"])
	}
	switch {
	case media == "application/ms-tnef" || name == "winmail.dat":
		w.letter.TNEF = true
	case media == "text/calendar", media == "application/ics", path.Ext(name) == ".ics":
		if problem != nil {
			return unreadable(problem)
		}
		return w.calendar(e.Body, params["charset"], media == "text/calendar" && disposition != "attachment", media)
	}
	return nil
}

// inside reads the parts of a multipart; one that breaks off keeps what came before.
func (w *walk) inside(r message.MultipartReader, depth int) error {
	for {
		e, err := r.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if e == nil {
			return unreadable(err)
		}
		if err := w.part(e, err, depth+1); err != nil {
			return err
		}
	}
}

// calendar keeps an iCalendar part as UTF-8, unless it is the twin of one that was found.
func (w *walk) calendar(body io.Reader, name string, shown bool, media string) error {
	data, err := io.ReadAll(io.LimitReader(body, ical.MaxBytes+1))
	if err != nil && len(data) == 0 {
		return unreadable(err)
	}
	if !strings.HasPrefix(media, "text/") && name != "" { // the library converts text only
		if r, err := charset.Reader(name, bytes.NewReader(data)); err == nil {
			if data, err = io.ReadAll(r); err != nil {
				return unreadable(err)
			}
		}
	}
	if !utf8.Valid(data) && len(data) <= ical.MaxBytes { // no charset, or a wrong one: what is not UTF-8 was Latin-1 in practice
		if converted, err := charmap.ISO8859_1.NewDecoder().Bytes(data); err == nil {
			data = converted
		}
	}
	list := &w.attached
	if shown {
		list = &w.letter.Calendars
	}
	for _, have := range append(w.letter.Calendars, w.attached...) {
		if bytes.Equal(plain(have), plain(data)) {
			return nil
		}
	}
	if len(*list) < maxCalendars {
		*list = append(*list, data)
	}
	return nil
}

// plain takes off what transport changes.
func plain(data []byte) []byte {
	return bytes.TrimSpace(bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n")))
}
