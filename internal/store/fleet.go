package store

import (
	"encoding/json"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// keepVersion writes the state of a noun under its version; questions "as known at" an earlier moment find it.
func (tx *Tx) keepVersion(noun string, id ident.ID, version int, state any) error {
	text, err := json.Marshal(state)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	_, err = tx.exec("INSERT INTO noun_version (noun, noun_id, version, entered, state) VALUES (?,?,?,?,?)", noun, id, version, tx.now(), string(text))
	return err
}

const modelColumns = `id, version, name, maker, kind, class_std, charge_minutes, top_up_days, ready_days, run_minutes, positions,
	power_hours, calibration_months, memory_runs, holds_data, entered`

func scanModel(s scanner, m *fleet.Model) error {
	var entered instant
	err := s((*key)(&m.ID), &m.Version, &m.Name, &m.Maker, (*string)(&m.Kind), &m.ClassStd, &m.ChargeMinutes, &m.TopUpDays, &m.ReadyDays,
		&m.RunMinutes, &m.Positions, &m.PowerHours, &m.CalibrationMonths, &m.MemoryRuns, &m.HoldsData, &entered)
	m.Entered = entered.time()
	return err
}

// SaveModel implements fleet.Store.
func (tx *Tx) SaveModel(m fleet.Model) error {
	folded := fleet.FoldTag(m.Name) + "\n" + fleet.FoldTag(m.Maker)
	var err error
	if m.Version == 1 {
		_, err = tx.exec("INSERT INTO model ("+modelColumns+", folded, changed) VALUES ("+marks(18)+")",
			m.ID, m.Version, m.Name, m.Maker, m.Kind, m.ClassStd, m.ChargeMinutes, m.TopUpDays, m.ReadyDays, m.RunMinutes, m.Positions,
			m.PowerHours, m.CalibrationMonths, m.MemoryRuns, m.HoldsData, m.Entered, folded, tx.now())
	} else {
		err = tx.execOne("model", `UPDATE model SET version = ?, name = ?, maker = ?, kind = ?, class_std = ?, charge_minutes = ?, top_up_days = ?,
			ready_days = ?, run_minutes = ?, positions = ?, power_hours = ?, calibration_months = ?, memory_runs = ?, holds_data = ?,
			folded = ?, changed = ? WHERE id = ? AND version = ?`,
			m.Version, m.Name, m.Maker, m.Kind, m.ClassStd, m.ChargeMinutes, m.TopUpDays, m.ReadyDays, m.RunMinutes, m.Positions,
			m.PowerHours, m.CalibrationMonths, m.MemoryRuns, m.HoldsData, folded, tx.now(), m.ID, m.Version-1)
	}
	if err != nil {
		return used(err, "model", "folded", "model", m.Name)
	}
	if err := tx.keepVersion("model", m.ID, m.Version, m); err != nil {
		return err
	}
	return tx.touchWhere("model_id", m.ID)
}

// Models implements fleet.Store.
func (tx *Tx) Models() ([]fleet.Model, error) {
	return list(tx, "SELECT "+modelColumns+" FROM model ORDER BY folded", nil, scanModel)
}

// Model implements fleet.Store.
func (tx *Tx) Model(id ident.ID) (fleet.Model, error) {
	found, err := list(tx, "SELECT "+modelColumns+" FROM model WHERE id = ?", []any{id}, scanModel)
	return one(found, err, "model")
}

const depotColumns = "id, version, name, code, zone, hours"

func scanDepot(s scanner, d *fleet.Depot) error {
	var hours string
	if err := s((*key)(&d.ID), &d.Version, &d.Name, &d.Code, &d.Zone, &hours); err != nil {
		return err
	}
	return json.Unmarshal([]byte(hours), &d.Hours)
}

// SaveDepot implements fleet.Store.
func (tx *Tx) SaveDepot(d fleet.Depot) error {
	hours, err := json.Marshal(d.Hours)
	if err != nil {
		return fault.New(fault.Unexpected).Because(err)
	}
	if d.Version == 1 {
		_, err = tx.exec("INSERT INTO depot ("+depotColumns+", folded, changed) VALUES ("+marks(8)+")",
			d.ID, d.Version, d.Name, d.Code, d.Zone, string(hours), fleet.FoldTag(d.Code), tx.now())
	} else {
		err = tx.execOne("depot", "UPDATE depot SET version = ?, name = ?, code = ?, zone = ?, hours = ?, folded = ?, changed = ? WHERE id = ? AND version = ?",
			d.Version, d.Name, d.Code, d.Zone, string(hours), fleet.FoldTag(d.Code), tx.now(), d.ID, d.Version-1)
	}
	if err != nil {
		return used(err, "depot", "folded", "depot code", d.Code)
	}
	if err := tx.keepVersion("depot", d.ID, d.Version, d); err != nil {
		return err
	}
	return tx.touchWhere("depot_id", d.ID)
}

// Depots implements fleet.Store.
func (tx *Tx) Depots() ([]fleet.Depot, error) {
	return list(tx, "SELECT "+depotColumns+" FROM depot ORDER BY name, folded", nil, scanDepot)
}

// Depot implements fleet.Store.
func (tx *Tx) Depot(id ident.ID) (fleet.Depot, error) {
	found, err := list(tx, "SELECT "+depotColumns+" FROM depot WHERE id = ?", []any{id}, scanDepot)
	return one(found, err, "depot")
}

const laboratoryColumns = "id, version, name, accreditation, due_rule"

func scanLaboratory(s scanner, l *fleet.Laboratory) error {
	return s((*key)(&l.ID), &l.Version, &l.Name, &l.Accreditation, (*string)(&l.DueRule))
}

// SaveLaboratory implements fleet.Store.
func (tx *Tx) SaveLaboratory(l fleet.Laboratory) error {
	var err error
	if l.Version == 1 {
		_, err = tx.exec("INSERT INTO laboratory ("+laboratoryColumns+", folded, changed) VALUES ("+marks(7)+")",
			l.ID, l.Version, l.Name, l.Accreditation, l.DueRule, fleet.FoldTag(l.Name), tx.now())
	} else {
		err = tx.execOne("laboratory", "UPDATE laboratory SET version = ?, name = ?, accreditation = ?, due_rule = ?, folded = ?, changed = ? WHERE id = ? AND version = ?",
			l.Version, l.Name, l.Accreditation, l.DueRule, fleet.FoldTag(l.Name), tx.now(), l.ID, l.Version-1)
	}
	return used(err, "laboratory", "folded", "laboratory", l.Name)
}

// Laboratories implements fleet.Store.
func (tx *Tx) Laboratories() ([]fleet.Laboratory, error) {
	return list(tx, "SELECT "+laboratoryColumns+" FROM laboratory ORDER BY folded", nil, scanLaboratory)
}

// Laboratory implements fleet.Store.
func (tx *Tx) Laboratory(id ident.ID) (fleet.Laboratory, error) {
	found, err := list(tx, "SELECT "+laboratoryColumns+" FROM laboratory WHERE id = ?", []any{id}, scanLaboratory)
	return one(found, err, "laboratory")
}
