package mailout

import (
	"io"
	"strings"
	"testing"

	gomail "github.com/emersion/go-message/mail"

	"kitd/internal/notify"
)

// RFC 6047, 2.4: text and calendar are alternatives, and the method parameter is that of the calendar. RFC 3834, 5: an answer
// says that it is one. It comes from the address that was invited; the envelope stays that of the settings.
func TestAnswersCarryACalendar(t *testing.T) {
	b := &box{}
	s := far(t, b, None)
	m := notify.Message{MessageID: "02@kitd.example.org", To: "ada@example.org", ToName: "Ada", From: "k-1@kits.example.org", FromName: "Kit K-1\r\nBcc: x@example.org",
		InReplyTo: "invite-1@example.org", Subject: "Accepted", Body: "Promised.\n", Calendar: []byte("BEGIN:VCALENDAR\r\nMETHOD:REPLY\r\nEND:VCALENDAR\r\n"), Method: "REPLY"}
	if outcome, err := s.Send(t.Context(), m); err != nil || outcome != notify.Delivered || len(b.mails) != 1 {
		t.Fatalf("outcome %v, %v, %d mails", outcome, err, len(b.mails))
	}
	r, err := gomail.CreateReader(strings.NewReader(string(b.mails[0])))
	if err != nil {
		t.Fatal(err)
	}
	from, err := r.Header.AddressList("From")
	if err != nil || len(from) != 1 || from[0].Address != "k-1@kits.example.org" || r.Header.Has("Bcc") {
		t.Errorf("from %v, %v", from, err)
	}
	answers, err := r.Header.MsgIDList("In-Reply-To")
	if err != nil || len(answers) != 1 || answers[0] != "invite-1@example.org" || r.Header.Get("Auto-Submitted") != "auto-replied" {
		t.Errorf("answers %v, %v, %q", answers, err, r.Header.Get("Auto-Submitted"))
	}
	if media, _, err := r.Header.ContentType(); err != nil || media != "multipart/alternative" {
		t.Errorf("%q %v", media, err)
	}
	var bodies []string
	for {
		p, err := r.NextPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(p.Body)
		if err != nil {
			t.Fatal(err)
		}
		media := p.Header.(*gomail.InlineHeader).Get("Content-Type")
		bodies = append(bodies, strings.ReplaceAll(string(body), "\r\n", "\n"))
		if len(bodies) == 2 && (!strings.HasPrefix(media, "text/calendar;") || !strings.Contains(media, "method=REPLY")) {
			t.Error(media)
		}
	}
	if want := []string{"Promised.\n", "BEGIN:VCALENDAR\nMETHOD:REPLY\nEND:VCALENDAR\n"}; len(bodies) != 2 || bodies[0] != want[0] || bodies[1] != want[1] {
		t.Errorf("%q", bodies)
	}
}
