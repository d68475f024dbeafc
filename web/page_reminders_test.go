package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/internal/store"
)

// mails puts messages about a unit into the outbox, one in each state.
func (s *site) mails(t *testing.T, unit ident.ID) map[notify.MessageState]notify.Message {
	t.Helper()
	now := s.h.Clock.Now()
	made := map[notify.MessageState]notify.Message{}
	var all []notify.Message
	var ids []ident.ID
	for i, state := range []notify.MessageState{notify.Queued, notify.Sending, notify.Sent, notify.Dead} {
		id := s.h.NewID()
		m := notify.Message{ID: id, MessageID: id.String() + "@kitd.test", To: string(state) + "@example.org", ToName: "<script>" + string(state), Subject: "D-002: ends " + nasty[2],
			Body: "x", Created: now.Add(-6 * 24 * time.Hour), NotBefore: now, State: state, Attempts: i}
		if state == notify.Dead {
			m.LastError, m.Settled, m.Unknown = `550 "no such box" <script>`, now, 2
		}
		made[state], all, ids = m, append(all, m), append(ids, id)
	}
	err := s.h.Do(t.Context(), access.System("reminders", access.ViaJob), func(tx *store.Tx) error {
		if err := tx.Queue(all); err != nil {
			return err
		}
		return tx.AddOccasions([]notify.Occasion{{Unit: unit, Due: civil.Date{Year: 2027, Month: 1, Day: 11}, Step: -30}, {Unit: unit, Due: civil.Date{Year: 2027, Month: 1, Day: 11}, Step: -60}}, ids)
	})
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func TestRemindersSayWhatLapses(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Surveyor)
	d := b.page(t, "/reminders", http.StatusOK)
	d.has(".say p", "No certificate ends by Fri 1 May.")
	d.has(".empty", "Nothing lapses")
	d.hasNot("#outbox")
	s.mails(t, s.two.ID)
	s.h.Clock.Set(time.Date(2026, 12, 20, 9, 0, 0, 0, time.UTC))
	b = s.as(access.Surveyor)
	d = b.page(t, "/reminders", http.StatusOK)
	d.has(".say p", "3 certificates end by Thu 18 Feb 2027. No booking reaches beyond them.")
	if rows := d.texts("#lapses tbody tr"); len(rows) != 3 || !strings.Contains(rows[2], "D-002") || !strings.Contains(rows[2], "Mon 11 Jan 2027 in 22 days") ||
		!strings.Contains(rows[2], "2 times, last 30 days before") || !strings.Contains(rows[2], "Mon 28 Dec, 07:00 GMT") || !strings.Contains(rows[0], "not yet") {
		t.Errorf("rows %q", rows)
	}
	b.page(t, "/reminders?until=1+Jan+2027", http.StatusOK).has(".empty", "Nothing lapses by Fri 1 Jan 2027")
	b.page(t, "/reminders?until=soon", http.StatusUnprocessableEntity).has(".stop", "not a day kitd can read")
	s.h.Clock.Set(time.Date(2027, 1, 13, 9, 0, 0, 0, time.UTC))
	s.as(access.Viewer).page(t, "/reminders", http.StatusOK).has(".say p", "3 are over already.")
}

func TestRemindersNameTheBookingsThatBreak(t *testing.T) {
	s := newSite(t)
	row := teller{now: s.Now(), loc: time.UTC}.lapseRow(notify.Standing{Lapse: notify.Lapse{Tag: "D-1", Due: civil.Date{Year: 2027, Month: 1, Day: 11}, Zone: time.UTC,
		Breaks: []notify.Broken{{Booking: s.booking.ID, Label: "B-1", Span: s.booking.Occurrences[0].Span}, {Span: s.booking.Occurrences[0].Span}}}})
	if row.Breaks[0].Href != bookingPath(s.booking.ID) || !strings.HasPrefix(row.Breaks[0].Text, "B-1, ") {
		t.Errorf("the first is %+v", row.Breaks[0])
	}
	if row.Breaks[1].Href != "" || !strings.HasPrefix(row.Breaks[1].Text, "promised until ") {
		t.Errorf("across the wall it is %+v", row.Breaks[1])
	}
}

func TestOutboxIsShownAndDeadLettersGoAgain(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	d := b.page(t, "/reminders", http.StatusOK)
	d.has("#outbox .stop", "Nobody is told.")
	d.has("#outbox", "Nothing yet.")
	m := s.mails(t, s.two.ID)
	d = b.page(t, "/reminders", http.StatusOK)
	d.has(".say p", "One message could not be delivered.")
	rows := d.texts("#outbox tbody tr")
	if len(rows) != 4 || !strings.HasPrefix(rows[0], "not delivered") || !strings.Contains(rows[0], `550 "no such box" <script>`) || !strings.Contains(rows[0], "3 attempts, 2 of unknown outcome") {
		t.Fatalf("rows %q", rows)
	}
	if forms := d.all("#outbox form"); len(forms) != 1 {
		t.Fatalf("%d buttons, want one for the dead letter", len(forms))
	}
	again := d.attr("#outbox form", "action")
	b.sentOn(t, again, nil)
	d = b.page(t, "/reminders", http.StatusOK)
	d.has(".told", "The message to dead@example.org is queued again.")
	d.hasNot("#outbox form")
	if got := b.post(again, nil); got.Code != http.StatusConflict {
		t.Errorf("a second press: %d, want 409", got.Code)
	}
	if got := b.post("/reminders/messages/"+m[notify.Sent].ID.String()+"/requeue", nil); got.Code != http.StatusConflict {
		t.Errorf("a message that was sent: %d, want 409", got.Code)
	}
	if got := b.post("/reminders/messages/0190163d-8694-739b-aea5-966c26f8ad90/requeue", url.Values{}); got.Code != http.StatusNotFound {
		t.Errorf("no message: %d, want 404", got.Code)
	}
}

// A message about a client's unit is not there for a coordinator who does not see the client.
func TestOutboxBehindTheWall(t *testing.T) {
	s := newSite(t)
	b := s.as(access.Coordinator)
	v := with(b.page(t, "/pool/units/new", http.StatusOK).opened(), "units", "Q-1", "ownership", "client-owned", "client", s.client.ID.String())
	b.sentOn(t, "/pool/units", v)
	m := s.mails(t, unitID(t, s, "Q-1"))
	_, narrow := s.narrow(access.Coordinator)
	narrow.page(t, "/reminders", http.StatusOK).hasNot("#outbox tbody tr")
	if got := narrow.post("/reminders/messages/"+m[notify.Dead].ID.String()+"/requeue", nil); got.Code != http.StatusNotFound {
		t.Errorf("across the wall: %d, want 404", got.Code)
	}
	if n := len(b.page(t, "/reminders", http.StatusOK).all("#outbox tbody tr")); n != 4 {
		t.Errorf("who sees the client sees %d messages", n)
	}
}
