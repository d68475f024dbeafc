package notify

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// shelf is a store in memory: it keeps what the real one keeps, without transactions.
type shelf struct {
	lapses   []Lapse
	told     map[Occasion]bool
	people   []Recipient
	messages map[ident.ID]*Message
	claimed  map[ident.ID]time.Time
	changes  []trail.Change
}

func newShelf(lapses ...Lapse) *shelf {
	return &shelf{lapses: lapses, told: map[Occasion]bool{}, messages: map[ident.ID]*Message{}, claimed: map[ident.ID]time.Time{},
		people: []Recipient{{Name: "Ida Vorrel", Address: "ida@example.org"}}}
}

func (s *shelf) Lapses(until civil.Date) ([]Lapse, error) {
	return slices.DeleteFunc(slices.Clone(s.lapses), func(l Lapse) bool { return l.Due.After(until) }), nil
}
func (s *shelf) Told([]ident.ID) (map[Occasion]bool, error) { return s.told, nil }
func (s *shelf) ToRemind() ([]Recipient, error)             { return slices.Clone(s.people), nil }
func (s *shelf) Record(c trail.Change) error {
	s.changes = append(s.changes, c)
	return nil
}
func (s *shelf) AddOccasions(o []Occasion, _ []ident.ID) error {
	for _, x := range o {
		if s.told[x] {
			return errors.New("told twice")
		}
		s.told[x] = true
	}
	return nil
}
func (s *shelf) Queue(m []Message) error {
	for _, x := range m {
		s.messages[x.ID] = &x
	}
	return nil
}
func (s *shelf) Claim(now, stale time.Time, limit int) ([]Message, error) {
	var got []Message
	for id, m := range s.messages {
		due := m.State == Queued && !m.NotBefore.After(now) || m.State == Sending && !s.claimed[id].After(stale)
		if due && len(got) < limit {
			m.State, m.Attempts, s.claimed[id] = Sending, m.Attempts+1, now
			got = append(got, *m)
		}
	}
	return got, nil
}
func (s *shelf) Settle(m Message) error { s.messages[m.ID] = &m; return nil }

func (s *shelf) do(_ context.Context, _ access.Actor, fn func(Store) error) error { return fn(s) }

func (s *shelf) mails() []Message {
	var all []Message
	for _, m := range s.messages {
		all = append(all, *m)
	}
	slices.SortFunc(all, func(a, b Message) int { return cmp.Compare(a.ID.String(), b.ID.String()) })
	return all
}

func counting() ident.Source {
	n := byte(0)
	return func() ident.ID { n++; return ident.ID{0: n} }
}

func clerk(s *shelf) *Clerk {
	return &Clerk{Do: s.do, Now: func() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }, NewID: counting(), Rule: CertificateRule(), Domain: "kitd.example.org"}
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func day1(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestEachStepFiresOnceOnItsDay(t *testing.T) {
	loc := zone(t, "Europe/Dublin")
	due := day1(t, "2026-04-10")
	s := newShelf(Lapse{Unit: ident.ID{9}, Tag: "D-009", Depot: ident.ID{1}, DepotName: "Harrow Lane", Zone: loc, Due: due})
	c := clerk(s)
	fired := map[int]int{}
	// A sweep every 20 minutes over half a year that contains both clock changes of the zone.
	for now := due.AddDays(-90).Start(loc); now.Before(due.AddDays(90).Start(loc)); now = now.Add(20 * time.Minute) {
		before := len(s.mails())
		if _, err := c.Sweep(t.Context(), access.System("reminders", access.ViaJob), now); err != nil {
			t.Fatal(err)
		}
		if len(s.mails()) > before {
			local := now.In(loc)
			if local.Hour() != 7 || local.Minute() >= 20 {
				t.Errorf("a reminder left at %s, not at 07:00 depot time", local)
			}
			fired[-civil.Of(local).DaysUntil(due)] += len(s.mails()) - before
		}
	}
	want := []int{-60, -30, -14, -7, -1, 0, 7, 14, 21, 28, 35, 42, 49, 56, 63, 70, 77, 84}
	for _, step := range want {
		if fired[step] != 1 {
			t.Errorf("step %d fired %d times, want once", step, fired[step])
		}
	}
	if len(fired) != len(want) {
		t.Errorf("fired at %v, want only %v", fired, want)
	}
}

func TestAWeekOfDowntimeDelaysAndLosesNothing(t *testing.T) {
	loc := zone(t, "Pacific/Auckland")
	due := day1(t, "2026-06-30")
	s := newShelf(
		Lapse{Unit: ident.ID{1}, Tag: "D-001", Depot: ident.ID{1}, DepotName: "Quern Street", Zone: loc, Due: due},
		Lapse{Unit: ident.ID{2}, Tag: "C-002", Depot: ident.ID{1}, DepotName: "Quern Street", Zone: loc, Due: due.AddDays(3)})
	c := clerk(s)
	who := access.System("reminders", access.ViaJob)
	sweep := func(now time.Time) Swept {
		t.Helper()
		swept, err := c.Sweep(t.Context(), who, now)
		if err != nil {
			t.Fatal(err)
		}
		return swept
	}
	sweep(due.AddDays(-16).Start(loc).Add(8 * time.Hour))
	before := len(s.told)
	// Down from day −16 to day −6: steps −14 and −7 of the first, −14 of the second have passed meanwhile.
	got := sweep(due.AddDays(-6).Start(loc).Add(8 * time.Hour))
	if got.Occasions != 3 || got.Messages != 1 || len(s.told)-before != 3 {
		t.Errorf("after the downtime %+v with %d new occasions, want 3 occasions in one mail", got, len(s.told)-before)
	}
	if again := sweep(due.AddDays(-6).Start(loc).Add(9 * time.Hour)); again != (Swept{}) {
		t.Errorf("a second sweep announced again: %+v", again)
	}
}

func TestNobodyToTellKeepsTheOccasionOpen(t *testing.T) {
	s := newShelf(Lapse{Unit: ident.ID{1}, Tag: "D-001", Zone: time.UTC, Due: day1(t, "2026-06-30")})
	s.people = nil
	c := clerk(s)
	now := time.Date(2026, 6, 29, 9, 0, 0, 0, time.UTC)
	who := access.System("reminders", access.ViaJob)
	if got, err := c.Sweep(t.Context(), who, now); err != nil || got.Occasions != 0 || len(s.told) != 0 {
		t.Fatalf("announced to nobody: %+v, %v", got, err)
	}
	c.Also = []Recipient{{Address: "pool@example.org"}, {Address: "POOL@example.org"}}
	got, err := c.Sweep(t.Context(), who, now)
	if err != nil || got.Occasions != 5 || got.Messages != 1 {
		t.Errorf("got %+v, %v; want the five open occasions in one mail to one address", got, err)
	}
}

func TestTheMailNamesTheBookingsAtStake(t *testing.T) {
	loc := zone(t, "Europe/Dublin")
	from := time.Date(2026, 12, 3, 8, 0, 0, 0, time.UTC)
	s := newShelf(Lapse{Unit: ident.ID{1}, Tag: "D-031", Kind: fleet.Dosimeter, DepotName: "Harrow Lane", Zone: loc, Certificate: "KL-2025-88",
		Due: day1(t, "2026-12-04"), Breaks: []Broken{{Label: "B-17 Quillon survey", Span: fleet.Span{From: from, To: from.Add(60 * time.Hour)}}}})
	c := clerk(s)
	if _, err := c.Sweep(t.Context(), access.System("reminders", access.ViaJob), time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	m := s.mails()[0]
	if want := "D-031: certificate ends in 10 days, Fri 4 Dec 2026; 1 booking at stake"; m.Subject != want {
		t.Errorf("subject %q, want %q", m.Subject, want)
	}
	for _, want := range []string{"B-17 Quillon survey", "Thu 3 Dec 2026 08:00 GMT to Sat 5 Dec 2026 20:00 GMT", "KL-2025-88", "Harrow Lane"} {
		if !strings.Contains(m.Body, want) {
			t.Errorf("the body lacks %q:\n%s", want, m.Body)
		}
	}
}

// scripted answers each attempt in turn.
type scripted struct {
	answers []Outcome
	ids     []string
}

func (s *scripted) Send(_ context.Context, m Message) (Outcome, error) {
	o := s.answers[len(s.ids)]
	s.ids = append(s.ids, m.MessageID)
	if o == Delivered {
		return o, nil
	}
	return o, errors.New("the server said so")
}

func TestDeliverySettlesEachOutcome(t *testing.T) {
	now := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	s := newShelf()
	m := Message{ID: ident.ID{7}, MessageID: "7@kitd.example.org", State: Queued, Created: now, NotBefore: now}
	s.messages[m.ID] = &m
	sender := &scripted{answers: []Outcome{TryLater, OutcomeUnknown, Delivered}}
	p := &PostOffice{Do: s.do, Sender: sender, Now: func() time.Time { return now }}
	who := access.System("post", access.ViaJob)
	for i, step := range []struct {
		wait time.Duration
		want Posted
	}{{0, Posted{Later: 1}}, {30 * time.Second, Posted{}}, {31 * time.Second, Posted{Unknown: 1}}, {2 * time.Minute, Posted{Sent: 1}}, {time.Hour, Posted{}}} {
		now = now.Add(step.wait)
		got, err := p.Deliver(t.Context(), who)
		if err != nil || got != step.want {
			t.Fatalf("round %d: %+v, %v; want %+v", i, got, err, step.want)
		}
	}
	if got := slices.Compact(slices.Clone(sender.ids)); len(got) != 1 {
		t.Errorf("attempts went out under %v, want one Message-ID", got)
	}
	if s.messages[m.ID].Unknown != 1 || s.messages[m.ID].State != Sent {
		t.Errorf("settled as %+v", s.messages[m.ID])
	}
}

// tallying looks how many messages are claimed while one is sent.
type tallying struct {
	s    *shelf
	most int
}

func (c *tallying) Send(context.Context, Message) (Outcome, error) {
	n := 0
	for _, m := range c.s.messages {
		if m.State == Sending {
			n++
		}
	}
	c.most = max(c.most, n)
	return Delivered, nil
}

func TestAMessageIsClaimedJustBeforeItIsSent(t *testing.T) {
	now := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	s := newShelf()
	for i := range byte(5) {
		m := Message{ID: ident.ID{i + 1}, State: Queued, Created: now, NotBefore: now}
		s.messages[m.ID] = &m
	}
	sender := &tallying{s: s}
	p := &PostOffice{Do: s.do, Sender: sender, Now: func() time.Time { return now }}
	got, err := p.Deliver(t.Context(), access.Actor{})
	if err != nil || got.Sent != 5 || sender.most != 1 {
		t.Errorf("%+v, %v, with up to %d messages claimed at a time; want 5 sent, 1 claimed", got, err, sender.most)
	}
}

func TestACrashBetweenClaimAndSettleIsTriedAgainAfterTheClaim(t *testing.T) {
	now := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	s := newShelf()
	m := Message{ID: ident.ID{7}, MessageID: "7@kitd.example.org", State: Queued, Created: now, NotBefore: now}
	s.messages[m.ID] = &m
	if got, _ := s.Claim(now, now.Add(-claimFor), 1); len(got) != 1 {
		t.Fatal("nothing to claim")
	}
	sender := &scripted{answers: []Outcome{Delivered}}
	p := &PostOffice{Do: s.do, Sender: sender, Now: func() time.Time { return now }}
	now = now.Add(claimFor - time.Second)
	if got, _ := p.Deliver(t.Context(), access.Actor{}); got != (Posted{}) {
		t.Errorf("sent %+v while the first attempt may still be under way", got)
	}
	now = now.Add(time.Second)
	if got, _ := p.Deliver(t.Context(), access.Actor{}); got.Sent != 1 || sender.ids[0] != "7@kitd.example.org" {
		t.Errorf("got %+v under %v, want one delivery under the same Message-ID", got, sender.ids)
	}
}

func TestRefusedAndHopelessMessagesBecomeDeadLetters(t *testing.T) {
	now := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	m := Message{Created: now, Attempts: 1, State: Sending}
	if got := m.settle(Refused, "550 no such user", now); got.State != Dead || got.LastError != "550 no such user" {
		t.Errorf("refused: %+v", got)
	}
	if got := m.settle(TryLater, "421 later", now.Add(giveUpAfter-time.Minute)); got.State != Queued {
		t.Errorf("gave up early: %+v", got)
	}
	if got := m.settle(TryLater, "421 later", now.Add(giveUpAfter)); got.State != Dead {
		t.Errorf("never gives up: %+v", got)
	}
	for n, want := range map[int]time.Duration{1: time.Minute, 2: 2 * time.Minute, 5: 16 * time.Minute, 9: 4 * time.Hour, 99: 4 * time.Hour} {
		if got := pause(n); got != want {
			t.Errorf("pause(%d) = %v, want %v", n, got, want)
		}
	}
}

func TestTheWallHoldsInMail(t *testing.T) {
	ours, theirs := ident.ID{1}, ident.ID{2}
	from := time.Date(2026, 12, 3, 8, 0, 0, 0, time.UTC)
	due := civil.Date{Year: 2026, Month: 12, Day: 4}
	span := fleet.Span{From: from, To: from.Add(60 * time.Hour)}
	s := newShelf(
		Lapse{Unit: ident.ID{1}, Tag: "D-031", DepotName: "Harrow Lane", Zone: time.UTC, Due: due,
			Breaks: []Broken{{Client: theirs, Label: "B-17, tam", Span: span}, {Client: ours, Label: "B-18, tam", Span: span}}},
		Lapse{Unit: ident.ID{2}, Tag: "X-900", Owner: theirs, DepotName: "Harrow Lane", Zone: time.UTC, Due: due})
	s.people = []Recipient{{Account: ident.ID{8}, Address: "walled@example.org", Scope: access.Scope{Clients: []ident.ID{ours}}}}
	c := clerk(s)
	now := time.Date(2026, 11, 24, 8, 0, 0, 0, time.UTC)
	sweep := func() Swept {
		t.Helper()
		swept, err := c.Sweep(t.Context(), access.System("reminders", access.ViaJob), now)
		if err != nil {
			t.Fatal(err)
		}
		return swept
	}
	if got := sweep(); got.Messages != 1 || got.Occasions != 3 {
		t.Errorf("swept %+v, want the three steps of D-031 in one mail", got)
	}
	m := s.mails()[0]
	if strings.Contains(m.Body+m.Subject, "B-17") || strings.Contains(m.Body, "X-900") || !strings.Contains(m.Body, "B-18") || !strings.Contains(m.Body, elsewhere) {
		t.Errorf("the mail tells what lies behind the wall, or hides what does not:\n%s\n%s", m.Subject, m.Body)
	}
	s.people = append(s.people, Recipient{Account: ident.ID{9}, Address: "all@example.org", Scope: access.Scope{All: true}})
	if got := sweep(); got.Messages != 1 || got.Occasions != 3 {
		t.Errorf("once somebody may see X-900 its steps are announced: %+v", got)
	}
}
