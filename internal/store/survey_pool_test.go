package store_test

import (
	"testing"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// pool is what surveys measure with: three dosimeters and two calibrators. The certificate of D-099 ends on 17 November 2026.
type pool struct{ units map[string]fleet.Unit }

func newPool(t *testing.T, h *storetest.House) pool {
	t.Helper()
	p := pool{map[string]fleet.Unit{}}
	now := h.Clock.Now()
	depot := fleet.Depot{ID: h.NewID(), Name: "Quern Street", Code: "QS", Zone: "Europe/Berlin", Version: 1}
	lab := fleet.Laboratory{ID: h.NewID(), Name: "Kestrel Laboratory", DueRule: fleet.Anniversary, Version: 1}
	worn := fleet.Model{ID: h.NewID(), Name: "Wren 2", Maker: "Fen Instruments", Kind: fleet.Dosimeter, ClassStd: "IEC 61252", MemoryRuns: 4,
		CalibrationMonths: 12, HoldsData: true, RunMinutes: 1800, ChargeMinutes: 150, Entered: now, Version: 1}
	tone := fleet.Model{ID: h.NewID(), Name: "Tone 1", Maker: "Fen Instruments", Kind: fleet.Calibrator, ClassStd: "IEC 60942 class 1", MemoryRuns: 1,
		CalibrationMonths: 12, Entered: now, Version: 1}
	err := h.Do(ctx, boss, func(tx *store.Tx) error {
		for _, err := range []error{tx.SaveDepot(depot), tx.SaveLaboratory(lab), tx.SaveModel(worn), tx.SaveModel(tone)} {
			if err != nil {
				return err
			}
		}
		for _, u := range []struct {
			tag, serial string
			model       ident.ID
			calibrated  civil.Date
			level       *float64
		}{
			{"D-012", "20412", worn.ID, civil.Date{Year: 2026, Month: 2, Day: 10}, nil},
			{"D-013", "20413", worn.ID, civil.Date{Year: 2026, Month: 2, Day: 10}, nil},
			{"D-099", "20499", worn.ID, civil.Date{Year: 2025, Month: 11, Day: 18}, nil},
			{"C-001", "3101", tone.ID, civil.Date{Year: 2026, Month: 3, Day: 2}, level(114.0)},
			{"C-003", "3103", tone.ID, civil.Date{Year: 2026, Month: 3, Day: 2}, level(113.9)},
		} {
			unit := fleet.Unit{ID: h.NewID(), Tag: u.tag, Serial: u.serial, Model: u.model, Depot: depot.ID, Ownership: fleet.Owned, Entered: now, Version: 1}
			p.units[u.tag] = unit
			cert := fleet.Certificate{ID: h.NewID(), Number: "KL-" + u.serial, Laboratory: lab.ID, Calibrated: u.calibrated, Issued: u.calibrated, Entered: now, By: "ida"}
			cert.Lines = []fleet.Line{{ID: h.NewID(), Certificate: cert.ID, Unit: unit.ID, Verdict: fleet.Pass, LevelDB: u.level, CoverageK: 2,
				Due: fleet.DueDate(u.calibrated, 12, fleet.Anniversary)}}
			if err := tx.SaveUnit(unit); err != nil {
				return err
			}
			if err := tx.SaveCertificate(cert); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func level(db float64) *float64 { return &db }
