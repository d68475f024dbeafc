package store

import (
	"time"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

const kitColumns = "id, version, name, code, depot_id"

func scanKit(s scanner, k *fleet.Kit) error {
	return s((*key)(&k.ID), &k.Version, &k.Name, &k.Code, (*key)(&k.Depot))
}

// SaveKit implements fleet.Store.
func (tx *Tx) SaveKit(k fleet.Kit) error {
	err := tx.LockKit(k.ID)
	if err != nil {
		return err
	}
	if k.Version == 1 {
		_, err = tx.exec("INSERT INTO kit ("+kitColumns+", folded, changed) VALUES ("+marks(7)+")",
			k.ID, k.Version, k.Name, k.Code, k.Depot, fleet.FoldTag(k.Code), tx.now())
	} else {
		err = tx.execOne("kit", "UPDATE kit SET version = ?, name = ?, code = ?, depot_id = ?, folded = ?, changed = ? WHERE id = ? AND version = ?",
			k.Version, k.Name, k.Code, k.Depot, fleet.FoldTag(k.Code), tx.now(), k.ID, k.Version-1)
	}
	if err != nil {
		return used(err, "kit", "folded", "kit code", k.Code)
	}
	ids, err := list(tx, "SELECT DISTINCT unit_id FROM kit_member WHERE kit_id = ?", []any{k.ID}, scanID)
	if err != nil {
		return err
	}
	return tx.touchUnits(ids...)
}

// LockKit implements fleet.Store.
func (tx *Tx) LockKit(kit ident.ID) error { return tx.lock("kit " + kit.String()) }

// Kits implements fleet.Store.
func (tx *Tx) Kits(depot ident.ID) ([]fleet.Kit, error) {
	if depot.IsZero() {
		return list(tx, "SELECT "+kitColumns+" FROM kit ORDER BY folded", nil, scanKit)
	}
	return list(tx, "SELECT "+kitColumns+" FROM kit WHERE depot_id = ? ORDER BY folded", []any{depot}, scanKit)
}

// Kit implements fleet.Store.
func (tx *Tx) Kit(id ident.ID) (fleet.Kit, error) {
	found, err := list(tx, "SELECT "+kitColumns+" FROM kit WHERE id = ?", []any{id}, scanKit)
	return one(found, err, "kit")
}

// KitByCode implements fleet.Store. The code may be of any case.
func (tx *Tx) KitByCode(code string) (fleet.Kit, error) {
	found, err := list(tx, "SELECT "+kitColumns+" FROM kit WHERE folded = ?", []any{fleet.FoldTag(code)}, scanKit)
	return one(found, err, "kit")
}

// OpenMemberships implements fleet.Store.
func (tx *Tx) OpenMemberships(ms []fleet.Membership) error {
	for _, m := range ms {
		_, err := tx.exec("INSERT INTO kit_member (kit_id, unit_id, starts, ends, entered, ended) VALUES (?,?,?,?,?,?)",
			m.Kit, m.Unit, m.From, m.To, m.Entered, m.Ended)
		if err != nil {
			return err
		}
		if err := tx.touchUnits(m.Unit); err != nil {
			return err
		}
	}
	return nil
}

// CloseMembership implements fleet.Store.
func (tx *Tx) CloseMembership(m fleet.Membership) error {
	n, err := tx.exec("UPDATE kit_member SET ends = ?, ended = ? WHERE kit_id = ? AND unit_id = ? AND starts = ? AND ends IS NULL",
		m.To, m.Ended, m.Kit, m.Unit, m.From)
	if err == nil && n == 0 {
		err = fault.New(fault.Changed, "noun", "kit")
	}
	if err != nil {
		return err
	}
	return tx.touchUnits(m.Unit)
}

const memberColumns = "k.kit_id, k.unit_id, k.starts, k.ends, k.entered, k.ended"

func scanMember(s scanner, m *fleet.Membership) error {
	var from, to, entered, ended instant
	err := s((*key)(&m.Kit), (*key)(&m.Unit), &from, &to, &entered, &ended)
	m.From, m.To, m.Entered, m.Ended = from.time(), to.time(), entered.time(), ended.time()
	return err
}

// Memberships implements fleet.Store.
func (tx *Tx) Memberships(kit ident.ID) ([]fleet.Membership, error) {
	cond, scope := tx.scope("u.client_id")
	return list(tx, "SELECT "+memberColumns+" FROM kit_member k JOIN unit u ON u.id = k.unit_id WHERE k.kit_id = ? AND "+cond+" ORDER BY k.starts, k.unit_id",
		append([]any{kit}, scope...), scanMember)
}

// MembershipsOf implements fleet.Store.
func (tx *Tx) MembershipsOf(units []ident.ID) ([]fleet.Membership, error) {
	cond, scope := tx.scope("u.client_id")
	return inLists(units, func(in string, args []any) ([]fleet.Membership, error) {
		return list(tx, "SELECT "+memberColumns+" FROM kit_member k JOIN unit u ON u.id = k.unit_id WHERE k.unit_id IN "+in+" AND "+cond+" ORDER BY k.starts, k.unit_id",
			append(args, scope...), scanMember)
	})
}

// KitUnits implements fleet.Store.
func (tx *Tx) KitUnits(kit ident.ID, at time.Time) ([]ident.ID, error) {
	cond, scope := tx.scope("u.client_id")
	return list(tx, "SELECT k.unit_id FROM kit_member k JOIN unit u ON u.id = k.unit_id WHERE k.kit_id = ? AND k.starts <= ? AND (k.ends IS NULL OR k.ends > ?) AND "+cond+" ORDER BY k.unit_id",
		append([]any{kit, at, at}, scope...), scanID)
}
