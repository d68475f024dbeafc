package store

import (
	"fmt"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

func scanDigest(b []byte, d *access.Digest) error {
	if len(b) != len(d) {
		return fmt.Errorf("store: a digest of %d bytes", len(b))
	}
	copy(d[:], b)
	return nil
}

// AddSession keeps a login.
func (tx *Tx) AddSession(s access.StoredSession) error {
	_, err := tx.exec("INSERT INTO session (digest, account_id, created, seen, expires) VALUES (?,?,?,?,?)", s.Digest[:], s.Account, s.Created, s.Seen, s.Expires)
	return err
}

// SessionByDigest finds a login.
func (tx *Tx) SessionByDigest(d access.Digest) (access.StoredSession, error) {
	s := access.StoredSession{Digest: d}
	var created, seen, expires instant
	found, err := tx.row("SELECT account_id, created, seen, expires FROM session WHERE digest = ?", []any{d[:]}, (*key)(&s.Account), &created, &seen, &expires)
	if err == nil && !found {
		err = fault.New(fault.NotThere, "noun", "login")
	}
	s.Created, s.Seen, s.Expires = created.time(), seen.time(), expires.time()
	return s, err
}

// TouchSession notes the last use of a login. It never goes back, and does not bring an ended login back.
func (tx *Tx) TouchSession(d access.Digest, seen time.Time) error {
	_, err := tx.exec("UPDATE session SET seen = ? WHERE digest = ? AND seen < ?", seen, d[:], seen)
	return err
}

// RemoveSession ends a login; an ended one is no fault.
func (tx *Tx) RemoveSession(d access.Digest) error {
	_, err := tx.exec("DELETE FROM session WHERE digest = ?", d[:])
	return err
}

// RemoveSessions ends every login of an account but one.
func (tx *Tx) RemoveSessions(account ident.ID, but access.Digest) error {
	_, err := tx.exec("DELETE FROM session WHERE account_id = ? AND digest <> ?", account, but[:])
	return err
}

// SweepSessions forgets logins that ended by themselves.
func (tx *Tx) SweepSessions(seenBefore, now time.Time) error {
	_, err := tx.exec("DELETE FROM session WHERE seen <= ? OR expires <= ?", seenBefore, now)
	return err
}

const credentialColumns = "id, account_id, kind, digest, label, role, created, expires, last_used"

func scanCredential(s scanner, c *access.Credential) error {
	var digest []byte
	var created, expires, used instant
	if err := s((*key)(&c.ID), (*key)(&c.Account), (*string)(&c.Kind), &digest, &c.Label, (*string)(&c.Role), &created, &expires, &used); err != nil {
		return err
	}
	c.Created, c.Expires, c.LastUsed = created.time(), expires.time(), used.time()
	return scanDigest(digest, &c.Digest)
}

// AddCredential keeps an app password, token or feed secret.
func (tx *Tx) AddCredential(c access.Credential) error {
	_, err := tx.exec("INSERT INTO credential ("+credentialColumns+") VALUES ("+marks(9)+")",
		c.ID, c.Account, c.Kind, c.Digest[:], c.Label, c.Role, c.Created, c.Expires, c.LastUsed)
	return err
}

// CredentialByDigest finds a credential of a kind.
func (tx *Tx) CredentialByDigest(kind access.CredentialKind, d access.Digest) (access.Credential, error) {
	found, err := list(tx, "SELECT "+credentialColumns+" FROM credential WHERE digest = ? AND kind = ?", []any{d[:], kind}, scanCredential)
	if err == nil && len(found) == 0 {
		err = fault.New(fault.NotThere, "noun", "credential")
	}
	if err != nil {
		return access.Credential{}, err
	}
	return found[0], nil
}

// Credentials lists the credentials of an account, newest first.
func (tx *Tx) Credentials(account ident.ID) ([]access.Credential, error) {
	return list(tx, "SELECT "+credentialColumns+" FROM credential WHERE account_id = ? ORDER BY created DESC, id DESC", []any{account}, scanCredential)
}

// TouchCredential notes the day a credential was used last. It never goes back.
func (tx *Tx) TouchCredential(id ident.ID, day time.Time) error {
	_, err := tx.exec("UPDATE credential SET last_used = ? WHERE id = ? AND (last_used IS NULL OR last_used < ?)", day, id, day)
	return err
}

// RemoveCredential ends a credential.
func (tx *Tx) RemoveCredential(id ident.ID) error {
	_, err := tx.exec("DELETE FROM credential WHERE id = ?", id)
	return err
}

// RemoveCredentials ends every credential of a kind of an account.
func (tx *Tx) RemoveCredentials(account ident.ID, kind access.CredentialKind) error {
	_, err := tx.exec("DELETE FROM credential WHERE account_id = ? AND kind = ?", account, kind)
	return err
}

// AddLink keeps a one-time link.
func (tx *Tx) AddLink(l access.StoredLink) error {
	_, err := tx.exec("INSERT INTO link (digest, purpose, account_id, created, expires) VALUES (?,?,?,?,?)", l.Digest[:], l.Purpose, l.Account, l.Created, l.Expires)
	return err
}

// LinkByDigest finds an open link.
func (tx *Tx) LinkByDigest(d access.Digest) (access.StoredLink, error) {
	l := access.StoredLink{Digest: d}
	var created, expires instant
	found, err := tx.row("SELECT purpose, account_id, created, expires FROM link WHERE digest = ?", []any{d[:]},
		(*string)(&l.Purpose), (*key)(&l.Account), &created, &expires)
	if err == nil && !found {
		err = fault.New(fault.NotThere, "noun", "link")
	}
	l.Created, l.Expires = created.time(), expires.time()
	return l, err
}

// TakeLink removes a link and says whether this transaction was the one that did.
func (tx *Tx) TakeLink(d access.Digest) (bool, error) {
	n, err := tx.exec("DELETE FROM link WHERE digest = ?", d[:])
	return n == 1, err
}

// TakeSetupLinks removes every setup link and says whether the given one was among them. Of several transactions at once only
// one finds any.
func (tx *Tx) TakeSetupLinks(d access.Digest) (bool, error) {
	if err := tx.lock("setup"); err != nil {
		return false, err
	}
	taken, err := tx.TakeLink(d)
	if err != nil {
		return false, err
	}
	_, err = tx.exec("DELETE FROM link WHERE purpose = 'setup'")
	return taken, err
}

// RemoveLinks ends the open links of an account, or with the zero account those for setting up.
func (tx *Tx) RemoveLinks(account ident.ID) error {
	if account.IsZero() {
		_, err := tx.exec("DELETE FROM link WHERE account_id IS NULL")
		return err
	}
	_, err := tx.exec("DELETE FROM link WHERE account_id = ?", account)
	return err
}
