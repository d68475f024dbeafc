package fleet_test

import (
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/store/storetest"
)

func TestManyUnitsAreEnteredAllOrNone(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		p.unit("D-007", p.wick)
		batch := func(tags ...string) (units []fleet.Unit) {
			for _, tag := range tags {
				units = append(units, fleet.Unit{Tag: tag, Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.Owned})
			}
			return units
		}
		for _, x := range []struct {
			units []fleet.Unit
			code  fault.Code
			at    string
		}{
			{batch("D-001", "D-002", "d-007"), fault.AlreadyUsed, "units/2/tag"},
			{batch("D-001", "E", "d-001"), fault.BadInput, "units/2/tag"},
			{batch("D-001", strings.Repeat("x", 41)), fault.BadInput, "units/1/tag"},
			{batch(), fault.BadInput, "units"},
			{batch(make([]string, fleet.MaxUnits+1)...), fault.BadInput, "units"},
		} {
			_, err := p.AddUnits(ctx0, ida, x.units)
			if !fault.Is(err, x.code) || fault.Of(err).Fields[0].Path != x.at {
				t.Errorf("%d units: %v, want %s at %s", len(x.units), err, x.code, x.at)
			}
		}
		strange := batch("D-001", "D-002")
		strange[1].Model = ident.ID{1}
		_, err := p.AddUnits(ctx0, ida, strange)
		wantFault(t, err, fault.NotThere)
		_, err = p.AddUnits(ctx0, tove, batch("D-001"))
		wantFault(t, err, fault.NotAllowed)
		if _, err := p.Tagged(ctx0, ida, []string{"D-007", "D-001", "D-002"}); !fault.Is(err, fault.BadInput) || len(fault.Of(err).Fields) != 2 || fault.Of(err).Fields[0].Path != "tags/1" {
			t.Errorf("after refused lists: %v, want D-001 and D-002 missing", err)
		}
		units := must[[]fleet.Unit](t)(p.AddUnits(ctx0, ida, batch("D-001", "D-002")))
		if units[1].Version != 1 || units[1].Entered.IsZero() || units[1].ID == units[0].ID {
			t.Errorf("entered %+v", units)
		}
		if got := must[fleet.Unit](t)(p.UnitOf(ctx0, ida, units[1].ID)); got.Tag != "D-002" {
			t.Errorf("found %+v", got)
		}
		var audited int
		if err := h.SQL(t).QueryRow("SELECT COUNT(*) FROM audit WHERE noun = 'unit' AND verb = 'add'").Scan(&audited); err != nil || audited != 4 {
			t.Errorf("%d audit entries of units, want those of the charger, D-007 and the two (%v)", audited, err)
		}
	})
}

func TestAKitIsEnteredWithItsUnitsOrNotAtAll(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		a, b := p.unit("D-1", p.wick), p.unit("D-2", p.wick)
		kit := func(code string, units ...ident.ID) error {
			_, err := p.AddPackedKit(ctx0, ida, fleet.Kit{Name: "Case", Code: code, Depot: p.depot.ID}, units)
			return err
		}
		if err := kit("K-1", a.ID); err != nil {
			t.Fatal(err)
		}
		wantFault(t, kit("K-2", b.ID, a.ID), fault.UnitInTwoKits)
		wantFault(t, kit("K-2", b.ID, b.ID), fault.BadInput)
		wantFault(t, kit("K-2", ident.ID{9}), fault.NotThere)
		wantFault(t, kit("k-1"), fault.AlreadyUsed)
		if kits := must[[]fleet.Kit](t)(p.Kits(ctx0, ida, ident.ID{})); len(kits) != 1 {
			t.Errorf("%d kits, want the one", len(kits))
		}
		if err := kit("K-2"); err != nil {
			t.Fatal(err)
		}
		if v := must[fleet.KitView](t)(p.Kit(ctx0, ida, "K-1", p.span(), h.Clock.Now())); len(v.Rows) != 1 || v.Rows[0].Unit.Tag != "D-1" {
			t.Errorf("K-1 holds %+v", v.Rows)
		}
	})
}

// A unit of a client is there for those only who see the client.
func TestManyUnitsBehindTheWall(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		p := newPool(t, h)
		client := ident.ID{15: 77}
		narrow := access.Actor{Name: "n", Role: access.Coordinator}
		u := fleet.Unit{Tag: "Q-1", Model: p.wick.ID, Depot: p.depot.ID, Ownership: fleet.ClientOwned, Client: client}
		_, err := p.AddUnits(ctx0, narrow, []fleet.Unit{u})
		wantFault(t, err, fault.NotThere)
		_, err = p.UnitOf(ctx0, narrow, ident.ID{9})
		wantFault(t, err, fault.NotThere)
	})
}
