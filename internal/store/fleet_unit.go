package store

import (
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

const unitColumns = `u.id, u.version, u.tag, u.serial, u.model_id, u.depot_id, u.microphone, u.firmware, u.ownership, u.client_id,
	u.hire_from, u.hire_to, u.entered`

func scanUnit(s scanner, u *fleet.Unit) error {
	var entered instant
	err := s((*key)(&u.ID), &u.Version, &u.Tag, &u.Serial, (*key)(&u.Model), (*key)(&u.Depot), &u.Microphone, &u.Firmware,
		(*string)(&u.Ownership), (*key)(&u.Client), (*day)(&u.HireFrom), (*day)(&u.HireTo), &entered)
	u.Entered = entered.time()
	return err
}

// SaveUnit implements fleet.Store.
func (tx *Tx) SaveUnit(u fleet.Unit) error {
	err := tx.holdRules(u)
	switch {
	case err != nil:
	case u.Version == 1:
		_, err = tx.exec(`INSERT INTO unit (id, version, tag, serial, model_id, depot_id, microphone, firmware, ownership, client_id, hire_from,
			hire_to, entered, folded, changed) VALUES (`+marks(15)+`)`,
			u.ID, u.Version, u.Tag, u.Serial, u.Model, u.Depot, u.Microphone, u.Firmware, u.Ownership, u.Client, u.HireFrom,
			u.HireTo, u.Entered, fleet.FoldTag(u.Tag), tx.now())
	default:
		err = tx.execOne("unit", `UPDATE unit SET version = ?, tag = ?, serial = ?, model_id = ?, depot_id = ?, microphone = ?, firmware = ?,
			ownership = ?, client_id = ?, hire_from = ?, hire_to = ?, folded = ?, changed = ? WHERE id = ? AND version = ?`,
			u.Version, u.Tag, u.Serial, u.Model, u.Depot, u.Microphone, u.Firmware,
			u.Ownership, u.Client, u.HireFrom, u.HireTo, fleet.FoldTag(u.Tag), tx.now(), u.ID, u.Version-1)
	}
	if err != nil {
		return used(err, "unit", "folded", "tag", u.Tag)
	}
	if err := tx.keepVersion("unit", u.ID, u.Version, u); err != nil {
		return err
	}
	return tx.touchUnits(u.ID)
}

// holdRules keeps the unit's model and depot from being changed until the transaction ends: a change of theirs that came in
// between would touch every unit but this one. SQLite has one writer anyway.
func (tx *Tx) holdRules(u fleet.Unit) error {
	if tx.dialect != "postgres" {
		return nil
	}
	if _, err := list(tx, "SELECT id FROM model WHERE id = ? FOR SHARE", []any{u.Model}, scanID); err != nil {
		return err
	}
	_, err := list(tx, "SELECT id FROM depot WHERE id = ? FOR SHARE", []any{u.Depot}, scanID)
	return err
}

// UnitByID implements fleet.Store.
func (tx *Tx) UnitByID(id ident.ID) (fleet.Unit, error) { return tx.unitWhere("u.id = ?", id) }

// UnitByTag implements fleet.Store. The tag may be of any case.
func (tx *Tx) UnitByTag(tag string) (fleet.Unit, error) {
	return tx.unitWhere("u.folded = ?", fleet.FoldTag(tag))
}

func (tx *Tx) unitWhere(condition string, arg any) (fleet.Unit, error) {
	cond, args := tx.scope("u.client_id")
	found, err := list(tx, "SELECT "+unitColumns+" FROM unit u WHERE "+condition+" AND "+cond, append([]any{arg}, args...), scanUnit)
	return one(found, err, "unit")
}

// UnitsInDepot implements fleet.Store.
func (tx *Tx) UnitsInDepot(depot ident.ID, kinds ...fleet.Kind) ([]ident.ID, error) {
	cond, scope := tx.scope("u.client_id")
	query, args := "SELECT u.id FROM unit u JOIN model m ON m.id = u.model_id WHERE u.depot_id = ? AND "+cond, append([]any{depot}, scope...)
	if len(kinds) > 0 {
		query += " AND m.kind IN (" + marks(len(kinds)) + ")"
		for _, k := range kinds {
			args = append(args, k)
		}
	}
	return list(tx, query+" ORDER BY u.id", args, scanID)
}

// touchUnits counts up the epoch of the units: whatever the rules know of them may have changed in this transaction, and
// copies in memory read them again. The order keeps two transactions from waiting for each other.
func (tx *Tx) touchUnits(ids ...ident.ID) error {
	for _, id := range sortedIDs(ids) {
		_, err := tx.exec("INSERT INTO unit_epoch (unit_id, epoch) VALUES (?, 1) ON CONFLICT (unit_id) DO UPDATE SET epoch = unit_epoch.epoch + 1", id)
		if err != nil {
			return err
		}
	}
	return nil
}

// touchWhere touches the units of a model or depot.
func (tx *Tx) touchWhere(column string, id ident.ID) error {
	ids, err := list(tx, "SELECT id FROM unit WHERE "+column+" = ?", []any{id}, scanID)
	if err != nil {
		return err
	}
	return tx.touchUnits(ids...)
}
