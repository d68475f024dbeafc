package store

import (
	"encoding/json"
	"fmt"
	"time"

	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/itip"
)

var (
	_ itip.Store       = (*Tx)(nil)
	_ itip.LedgerStore = (*Tx)(nil)
)

// MailThread implements itip.Store. A UID holds an organizer's words, but the row is found only by who knows it.
func (tx *Tx) MailThread(target ident.ID, uid string) (itip.Thread, bool, error) {
	if tx.write {
		if err := tx.lock("mail " + target.String() + " " + uid); err != nil {
			return itip.Thread{}, false, err
		}
	}
	var state string
	var t itip.Thread
	found, err := tx.row("SELECT state FROM mail_thread WHERE target_id = ? AND uid = ?", []any{target, uid}, &state)
	if err == nil && found {
		err = json.Unmarshal([]byte(state), &t)
	}
	return t, found, err
}

// SaveMailThread implements itip.Store.
func (tx *Tx) SaveMailThread(t itip.Thread) error {
	state, err := json.Marshal(t)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO mail_thread (target_id, uid, state, changed) VALUES (?, ?, ?, ?)
		ON CONFLICT (target_id, uid) DO UPDATE SET state = excluded.state, changed = excluded.changed`, t.Target, t.UID, string(state), tx.now())
	return err
}

const receiptColumns = `id, received, hash, size, recipient, envelope_from, sender, subject, message_id, method, uid, outcome, said,
	account_id, booking_id, client_id, answer_id, deliveries`

func scanReceipt(scan scanner, r *itip.Receipt) error {
	var id, account, booking, client, answer key
	var received instant
	var hash []byte
	err := scan(&id, &received, &hash, &r.Size, &r.Recipient, &r.EnvelopeFrom, &r.From, &r.Subject, &r.MessageID, &r.Method, &r.UID,
		(*string)(&r.Outcome), &r.Said, &account, &booking, &client, &answer, &r.Deliveries)
	r.ID, r.Received = ident.ID(id), received.time()
	r.Account, r.Booking, r.Client, r.Answer = ident.ID(account), ident.ID(booking), ident.ID(client), ident.ID(answer)
	copy(r.Hash[:], hash)
	return err
}

// MailReceipt implements itip.Store. It looks across walls: the same bytes are never handled twice.
func (tx *Tx) MailReceipt(hash archive.Hash, recipient string) (itip.Receipt, bool, error) {
	found, err := list(tx, "SELECT "+receiptColumns+" FROM mail_receipt WHERE hash = ? AND recipient = ?", []any{hash[:], recipient}, scanReceipt)
	if err != nil || len(found) == 0 {
		return itip.Receipt{}, false, err
	}
	return found[0], true, nil
}

// AddMailReceipt implements itip.Store.
func (tx *Tx) AddMailReceipt(r itip.Receipt) error {
	if _, err := tx.exec("DELETE FROM mail_receipt WHERE hash = ? AND recipient = ? AND outcome = ?", r.Hash[:], r.Recipient, itip.Failed); err != nil {
		return err
	}
	_, err := tx.exec("INSERT INTO mail_receipt ("+receiptColumns+") VALUES ("+marks(18)+")", r.ID, r.Received, r.Hash[:], r.Size, r.Recipient,
		r.EnvelopeFrom, r.From, r.Subject, r.MessageID, r.Method, r.UID, r.Outcome, r.Said, r.Account, r.Booking, r.Client, r.Answer, r.Deliveries)
	if violates(err, "mail_receipt", "hash") {
		return fault.New(fault.AlreadyUsed, "noun", "letter", "value", r.MessageID).Because(err)
	}
	return err
}

// CountMailDelivery implements itip.Store.
func (tx *Tx) CountMailDelivery(id ident.ID) error {
	return tx.execOne("letter", "UPDATE mail_receipt SET deliveries = deliveries + 1 WHERE id = ?", id)
}

// MailSince implements itip.Store.
func (tx *Tx) MailSince(account ident.ID, since time.Time) (int, error) {
	n := 0
	_, err := tx.row("SELECT COUNT(*) FROM mail_receipt WHERE account_id = ? AND received > ?", []any{account, since}, &n)
	return n, err
}

// MailReceipts implements itip.LedgerStore.
func (tx *Tx) MailReceipts(q itip.ReceiptQuery) ([]itip.Receipt, error) {
	where, args := tx.scope("client_id")
	if len(q.Outcomes) > 0 {
		where += " AND outcome IN (" + marks(len(q.Outcomes)) + ")"
		for _, o := range q.Outcomes {
			args = append(args, o)
		}
	}
	if !q.Booking.IsZero() {
		where, args = where+" AND booking_id = ?", append(args, q.Booking)
	}
	if !q.Before.IsZero() {
		where, args = where+" AND id < ?", append(args, q.Before)
	}
	limit := q.Limit
	if limit <= 0 {
		limit = 100
	}
	return list(tx, "SELECT "+receiptColumns+" FROM mail_receipt WHERE "+where+" ORDER BY id DESC LIMIT ?", append(args, min(limit, 500)), scanReceipt)
}

// MailReceiptByID implements itip.LedgerStore.
func (tx *Tx) MailReceiptByID(id ident.ID) (itip.Receipt, error) {
	where, args := tx.scope("client_id")
	found, err := list(tx, "SELECT "+receiptColumns+" FROM mail_receipt WHERE "+where+" AND id = ?", append(args, id), scanReceipt)
	return one(found, err, "letter")
}

// checkMail looks for receipts whose bytes or bookings are not there.
func (tx *Tx) checkMail() ([]string, error) {
	var wrong []string
	err := tx.each(`SELECT r.recipient, r.message_id FROM mail_receipt r WHERE NOT EXISTS (SELECT 1 FROM file f WHERE f.hash = r.hash)
		OR r.booking_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM bookings b WHERE b.id = r.booking_id) ORDER BY r.id`, nil, func(s scanner) error {
		var recipient, message string
		err := s(&recipient, &message)
		wrong = append(wrong, fmt.Sprintf("the mail %s to %s lost its bytes or its booking", message, recipient))
		return err
	})
	return wrong, err
}
