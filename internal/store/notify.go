package store

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
	"kitd/internal/notify"
)

const outboxColumns = `id, message_id, to_address, to_name, subject, body, created, not_before, state, attempts, unknown, last_error, settled, again,
	from_address, from_name, in_reply_to, calendar, method`

func scanMessage(scan scanner, m *notify.Message) error {
	var id key
	var created, notBefore, settled, again instant
	err := scan(&id, &m.MessageID, &m.To, &m.ToName, &m.Subject, &m.Body, &created, &notBefore, &m.State, &m.Attempts, &m.Unknown, &m.LastError, &settled, &again,
		&m.From, &m.FromName, &m.InReplyTo, &m.Calendar, &m.Method)
	m.ID, m.Created, m.NotBefore, m.Settled, m.Again = ident.ID(id), created.time(), notBefore.time(), settled.time(), again.time()
	return err
}

// Told gives the occasions of these units that were announced already.
func (tx *Tx) Told(units []ident.ID) (map[notify.Occasion]bool, error) {
	told := map[notify.Occasion]bool{}
	for start := 0; start < len(units); start += 500 {
		part := units[start:min(start+500, len(units))]
		args := make([]any, len(part))
		for i, u := range part {
			args[i] = u
		}
		err := tx.each(`SELECT unit_id, due, step FROM occasion WHERE unit_id IN (`+marks(len(part))+`)`, args, func(scan scanner) error {
			var unit key
			var due day
			var o notify.Occasion
			err := scan(&unit, &due, &o.Step)
			o.Unit, o.Due = ident.ID(unit), civil.Date(due)
			told[o] = true
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return told, nil
}

// AddOccasions records occasions as announced by messages.
func (tx *Tx) AddOccasions(occasions []notify.Occasion, messages []ident.ID) error {
	for _, o := range occasions {
		if _, err := tx.exec(`INSERT INTO occasion (unit_id, due, step, announced) VALUES (?, ?, ?, ?)`, o.Unit, o.Due, o.Step, tx.now()); err != nil {
			return err
		}
		for _, m := range messages {
			if _, err := tx.exec(`INSERT INTO occasion_message (unit_id, due, step, outbox_id) VALUES (?, ?, ?, ?)`, o.Unit, o.Due, o.Step, m); err != nil {
				return err
			}
		}
	}
	return nil
}

// Queue puts messages into the outbox.
func (tx *Tx) Queue(messages []notify.Message) error {
	for _, m := range messages {
		_, err := tx.exec(`INSERT INTO outbox (`+outboxColumns+`) VALUES (`+marks(19)+`)`, m.ID, m.MessageID, m.To, m.ToName,
			m.Subject, m.Body, m.Created, m.NotBefore, m.State, m.Attempts, m.Unknown, m.LastError, m.Settled, m.Again,
			m.From, m.FromName, m.InReplyTo, m.Calendar, m.Method)
		if err != nil {
			return err
		}
	}
	return nil
}

// Claim takes at most limit messages to send. A claim that ran out counts as an attempt of unknown outcome.
func (tx *Tx) Claim(now, stale time.Time, limit int) ([]notify.Message, error) {
	skip := ""
	if tx.dialect == "postgres" {
		skip = " FOR UPDATE SKIP LOCKED"
	}
	claimed, err := list(tx, `UPDATE outbox SET unknown = unknown + CASE WHEN state = 'sending' THEN 1 ELSE 0 END,
		state = 'sending', attempts = attempts + 1, claimed = ?
		WHERE id IN (SELECT id FROM outbox WHERE state = 'queued' AND not_before <= ? OR state = 'sending' AND claimed <= ?
			ORDER BY not_before, id LIMIT ?`+skip+`)
		RETURNING `+outboxColumns, []any{now, now, stale, limit}, scanMessage)
	return claimed, err
}

// Settle stores a message after an attempt, if it is still claimed by that attempt.
func (tx *Tx) Settle(m notify.Message) error {
	_, err := tx.exec(`UPDATE outbox SET state = ?, not_before = ?, unknown = ?, last_error = ?, settled = ?, claimed = NULL
		WHERE id = ? AND state = 'sending' AND attempts = ?`, m.State, m.NotBefore, m.Unknown, m.LastError, m.Settled, m.ID, m.Attempts)
	return err
}

// Outbox lists the newest messages, those that need a person first, without those that speak of a unit the actor does not see.
func (tx *Tx) Outbox(limit int) ([]notify.Message, error) {
	unseen, args := tx.unseen()
	return list(tx, `SELECT `+outboxColumns+` FROM outbox o WHERE NOT `+unseen+`
		ORDER BY CASE state WHEN 'dead' THEN 0 WHEN 'sending' THEN 1 WHEN 'queued' THEN 2 ELSE 3 END, created DESC, id LIMIT ?`,
		append(args, limit), scanMessage)
}

// MessageOf gives one message; one that speaks of a unit the actor does not see is not there.
func (tx *Tx) MessageOf(id ident.ID) (notify.Message, error) {
	unseen, args := tx.unseen()
	found, err := list(tx, `SELECT `+outboxColumns+` FROM outbox o WHERE NOT `+unseen+` AND o.id = ?`, append(args, id), scanMessage)
	return one(found, err, "message")
}

// unseen is the condition that a message of the outbox speaks of a unit behind a wall, or answers for a booking behind one.
func (tx *Tx) unseen() (string, []any) {
	seen, args := tx.scope("u.client_id")
	answered, more := tx.scope("r.client_id")
	return `(EXISTS (SELECT 1 FROM occasion_message om JOIN unit u ON u.id = om.unit_id WHERE om.outbox_id = o.id AND NOT ` + seen + `)
		OR EXISTS (SELECT 1 FROM mail_receipt r WHERE r.answer_id = o.id AND NOT ` + answered + `))`, append(args, more...)
}

// Requeue puts a dead letter back into the queue, to be sent from the moment on under its own Message-ID.
func (tx *Tx) Requeue(id ident.ID, at time.Time) error {
	return tx.execOne("message", `UPDATE outbox SET state = 'queued', not_before = ?, again = ?, settled = NULL WHERE id = ? AND state = 'dead'`, at, at, id)
}
