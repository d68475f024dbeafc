package itip

import (
	"context"
	"io"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// Ledger answers what came in and what became of it, for those who keep the pool.
type Ledger struct {
	View  func(ctx context.Context, who access.Actor, fn func(LedgerStore) error) error
	Files archive.Keeper
}

func mayLook(who access.Actor) error {
	if who.Keeps() {
		return nil
	}
	return fault.New(fault.NotAllowed, "what", "see the mail that came in")
}

// Receipts lists what came in, newest first.
func (l *Ledger) Receipts(ctx context.Context, who access.Actor, q ReceiptQuery) ([]Receipt, error) {
	if err := mayLook(who); err != nil {
		return nil, err
	}
	var all []Receipt
	err := l.View(ctx, who, func(s LedgerStore) (err error) {
		all, err = s.MailReceipts(q)
		return err
	})
	return all, err
}

// Raw opens the bytes of a message as they came in.
func (l *Ledger) Raw(ctx context.Context, who access.Actor, id ident.ID) (Receipt, io.ReadCloser, error) {
	if err := mayLook(who); err != nil {
		return Receipt{}, nil, err
	}
	var r Receipt
	err := l.View(ctx, who, func(s LedgerStore) (err error) {
		r, err = s.MailReceiptByID(id)
		return err
	})
	if err != nil {
		return r, nil, err
	}
	raw, _, err := l.Files.Get(ctx, who, r.Hash)
	return r, raw, err
}
