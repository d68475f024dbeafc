package itip

import (
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/internal/schedule"
)

// Store is what invitations need of the transaction they are handled in: all that the desk needs, so that booking, thread,
// receipt and answer are written together.
type Store interface {
	schedule.Store
	// Accounts lists every account.
	Accounts() ([]access.Account, error)
	// MailThread gives the thread of a UID at a target, and lets only one transaction at a time change it.
	MailThread(target ident.ID, uid string) (Thread, bool, error)
	// SaveMailThread stores a thread in the place of the one before.
	SaveMailThread(t Thread) error
	// MailReceipt finds the receipt of the same bytes at the same address.
	MailReceipt(hash archive.Hash, recipient string) (Receipt, bool, error)
	// AddMailReceipt stores a receipt, in the place of one of a failure; another one of the same bytes at the same address is fault.AlreadyUsed.
	AddMailReceipt(r Receipt) error
	// CountMailDelivery notes that the same bytes came once more.
	CountMailDelivery(id ident.ID) error
	// MailSince counts the receipts of an account since a moment.
	MailSince(account ident.ID, since time.Time) (int, error)
	// Queue puts messages into the outbox.
	Queue(m []notify.Message) error
}

// LedgerStore is what the view of incoming mail reads.
type LedgerStore interface {
	// MailReceipts lists receipts, newest first, within the actor's walls.
	MailReceipts(q ReceiptQuery) ([]Receipt, error)
	// MailReceiptByID gives one, fault.NotThere for one behind a wall.
	MailReceiptByID(id ident.ID) (Receipt, error)
}

// ReceiptQuery selects receipts. Zero fields select everything.
type ReceiptQuery struct {
	Outcomes []Outcome
	Booking  ident.ID
	Before   ident.ID // continue after this one
	Limit    int      // at most 500; 0: 100
}
