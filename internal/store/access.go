package store

import (
	"fmt"
	"slices"
	"strings"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

const accountColumns = `a.id, a.version, a.name, a.display, a.mail, a.role, a.locale, a.zone, a.disabled, a.all_clients, a.created,
	EXISTS (SELECT 1 FROM account_password p WHERE p.account_id = a.id)`

func scanAccount(s scanner, a *access.Account) error {
	var id key
	var created instant
	err := s(&id, &a.Version, &a.Name, &a.Display, &a.Mail, (*string)(&a.Role), &a.Locale, &a.Zone, &a.Disabled, &a.AllClients, &created, &a.HasPassword)
	a.ID, a.Created = ident.ID(id), created.time()
	return err
}

// AddAccount stores a new account. A taken name is fault.AlreadyUsed.
func (tx *Tx) AddAccount(a access.Account, folded string) error {
	_, err := tx.exec(`INSERT INTO account (id, version, name, folded, display, mail, role, locale, zone, disabled, all_clients, created)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?)`, a.ID, a.Version, a.Name, folded, a.Display, a.Mail, a.Role, a.Locale, a.Zone, a.Disabled, a.AllClients, a.Created)
	if violates(err, "account", "folded") {
		return fault.New(fault.AlreadyUsed, "noun", "login name", "value", a.Name).Because(err)
	}
	if err != nil {
		return err
	}
	return tx.assign(a)
}

// ReplaceAccount stores everything of an account but its name, when the stored version is the one before.
func (tx *Tx) ReplaceAccount(a access.Account) error {
	err := tx.execOne("account", `UPDATE account SET version = ?, display = ?, mail = ?, role = ?, locale = ?, zone = ?, disabled = ?, all_clients = ?
		WHERE id = ? AND version = ?`, a.Version, a.Display, a.Mail, a.Role, a.Locale, a.Zone, a.Disabled, a.AllClients, a.ID, a.Version-1)
	if err != nil {
		return err
	}
	if _, err := tx.exec("DELETE FROM account_client WHERE account_id = ?", a.ID); err != nil {
		return err
	}
	return tx.assign(a)
}

func (tx *Tx) assign(a access.Account) error {
	for _, client := range a.Clients {
		if _, err := tx.exec("INSERT INTO account_client (account_id, client_id) VALUES (?, ?)", a.ID, client); err != nil {
			return err
		}
	}
	return nil
}

// AccountByID gives an account with its clients.
func (tx *Tx) AccountByID(id ident.ID) (access.Account, error) {
	return tx.oneAccount("SELECT "+accountColumns+" FROM account a WHERE a.id = ?", id)
}

// AccountByName gives the account of a folded login name.
func (tx *Tx) AccountByName(folded string) (access.Account, error) {
	return tx.oneAccount("SELECT "+accountColumns+" FROM account a WHERE a.folded = ?", folded)
}

func (tx *Tx) oneAccount(query string, arg any) (access.Account, error) {
	var a access.Account
	found := false
	err := tx.each(query, []any{arg}, func(s scanner) error {
		found = true
		return scanAccount(s, &a)
	})
	if err == nil && !found {
		err = fault.New(fault.NotThere, "noun", "account")
	}
	if err != nil {
		return access.Account{}, err
	}
	a.Clients, err = list(tx, "SELECT client_id FROM account_client WHERE account_id = ? ORDER BY client_id", []any{a.ID}, scanID)
	return a, err
}

func scanID(s scanner, id *ident.ID) error { return s((*key)(id)) }

// Accounts lists every account with its clients, by name.
func (tx *Tx) Accounts() ([]access.Account, error) {
	all, err := list(tx, "SELECT "+accountColumns+" FROM account a ORDER BY a.folded", nil, scanAccount)
	if err != nil {
		return nil, err
	}
	clients := map[ident.ID][]ident.ID{}
	err = tx.each("SELECT account_id, client_id FROM account_client ORDER BY client_id", nil, func(s scanner) error {
		var a, c key
		err := s(&a, &c)
		clients[ident.ID(a)] = append(clients[ident.ID(a)], ident.ID(c))
		return err
	})
	for i := range all {
		all[i].Clients = clients[all[i].ID]
	}
	// The order of the database depends on its collation; this one does not.
	slices.SortStableFunc(all, func(x, y access.Account) int {
		return strings.Compare(strings.ToLower(x.Name), strings.ToLower(y.Name))
	})
	return all, err
}

// CountAccounts counts all accounts, disabled ones too.
func (tx *Tx) CountAccounts() (int, error) {
	n := 0
	_, err := tx.row("SELECT COUNT(*) FROM account", nil, &n)
	return n, err
}

// LockAdministrators lists the enabled administrators; whoever asks too waits until this transaction ends.
func (tx *Tx) LockAdministrators() ([]ident.ID, error) {
	if err := tx.lock("administrators"); err != nil {
		return nil, err
	}
	return list(tx, "SELECT id FROM account WHERE role = 'administrator' AND NOT disabled ORDER BY id", nil, scanID)
}

// PasswordHash gives the hash of an account's password, empty when none is set.
func (tx *Tx) PasswordHash(account ident.ID) (string, error) {
	hash := ""
	_, err := tx.row("SELECT hash FROM account_password WHERE account_id = ?", []any{account}, &hash)
	return hash, err
}

// SetPasswordHash sets or replaces the hash of an account's password.
func (tx *Tx) SetPasswordHash(account ident.ID, hash string) error {
	_, err := tx.exec(`INSERT INTO account_password (account_id, hash, changed) VALUES (?, ?, ?)
		ON CONFLICT (account_id) DO UPDATE SET hash = excluded.hash, changed = excluded.changed`, account, hash, tx.now())
	return err
}

// checkAccounts looks for what the schema cannot hold: accounts nobody can administer, and clients that are not there.
func (tx *Tx) checkAccounts() ([]string, error) {
	var found []string
	var accounts, administrators int
	_, err := tx.row(`SELECT COUNT(*), COUNT(CASE WHEN role = 'administrator' AND NOT disabled
		AND EXISTS (SELECT 1 FROM account_password p WHERE p.account_id = account.id) THEN 1 END) FROM account`, nil, &accounts, &administrators)
	if err != nil {
		return nil, err
	}
	if accounts > 0 && administrators == 0 {
		found = append(found, "there are accounts, and no administrator among them who can log in; make one with kitd user")
	}
	err = tx.each(`SELECT a.name, COUNT(*) FROM account_client c JOIN account a ON a.id = c.account_id
		WHERE NOT EXISTS (SELECT 1 FROM client k WHERE k.id = c.client_id) GROUP BY a.name ORDER BY a.name`, nil, func(s scanner) error {
		var name string
		var n int
		err := s(&name, &n)
		found = append(found, fmt.Sprintf("the account %s is assigned to %d clients that are not there; open it under Accounts and store it again", name, n))
		return err
	})
	return found, err
}
