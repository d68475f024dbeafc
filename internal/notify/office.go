package notify

import (
	"context"
	"time"

	"kitd/internal/access"
)

// Sender hands one message to a mail server. It says what became of it; the error is for the log and for people.
type Sender interface {
	Send(ctx context.Context, m Message) (Outcome, error)
}

// PostOffice empties the outbox. Several may run at once: each message is claimed before it is sent.
type PostOffice struct {
	Do     Do
	Sender Sender
	Now    func() time.Time
}

// Posted counts what became of the messages of one round.
type Posted struct{ Sent, Later, Dead, Unknown int }

// Deliver sends what is due, until nothing is or the context ends. Each message is claimed just before it is sent and settled on
// its own: a crash leaves at most the one in hand with an unknown outcome, and a slow mail server never lets a claim run out on a
// message that waits behind another.
func (p *PostOffice) Deliver(ctx context.Context, who access.Actor) (Posted, error) {
	var total Posted
	for ctx.Err() == nil {
		var next []Message
		now := p.Now()
		err := p.Do(ctx, who, func(s Store) (err error) {
			next, err = s.Claim(now, now.Add(-claimFor), 1)
			return err
		})
		if err != nil || len(next) == 0 {
			return total, err
		}
		for _, m := range next {
			if err := p.deliver(ctx, who, m, &total); err != nil {
				return total, err
			}
		}
	}
	return total, ctx.Err()
}

func (p *PostOffice) deliver(ctx context.Context, who access.Actor, m Message, total *Posted) error {
	outcome, failure := p.Sender.Send(ctx, m)
	why := ""
	if failure != nil {
		why = failure.Error()
	}
	settled := m.settle(outcome, why, p.Now())
	switch {
	case settled.State == Sent:
		total.Sent++
	case settled.State == Dead:
		total.Dead++
	case outcome == OutcomeUnknown:
		total.Unknown++
	default:
		total.Later++
	}
	return p.Do(ctx, who, func(s Store) error { return s.Settle(settled) })
}
