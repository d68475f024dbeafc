package survey

import (
	"testing"
	"time"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

func TestCoverNeedsEveryGapDeclared(t *testing.T) {
	level := DB(72000)
	wear := Part{Kind: PartWear, Wear: ident.ID{1}}
	same := Part{Kind: PartGap, Gap: GapSame}
	silent30 := Part{Kind: PartGap, Gap: GapNotExposed, Minutes: 30}
	for _, c := range []struct {
		name     string
		shift    int
		parts    []Part
		measured time.Duration
		fault    fault.Code // empty: covered
		want     time.Duration
		longer   bool
	}{
		{"measured is the shift", 480, []Part{wear}, 8 * time.Hour, "", 8 * time.Hour, false},
		{"a minute missing is slack", 480, []Part{wear}, 8*time.Hour - time.Minute, "", 8 * time.Hour, false},
		{"more than a minute is a gap", 480, []Part{wear}, 8*time.Hour - 61*time.Second, fault.UndeclaredGap, 0, false},
		{"the rest is the same", 480, []Part{wear, same}, 7 * time.Hour, "", 8 * time.Hour, false},
		{"gap in minutes, no shift", 0, []Part{wear, silent30}, 7 * time.Hour, "", 7*time.Hour + 30*time.Minute, false},
		{"gap in minutes short of the shift", 480, []Part{wear, silent30}, 7 * time.Hour, fault.UndeclaredGap, 0, false},
		{"two gaps, one the rest", 480, []Part{wear, silent30, same}, 7 * time.Hour, "", 8 * time.Hour, false},
		{"two gaps, both the rest", 480, []Part{wear, same, same}, 7 * time.Hour, fault.UndeclaredGap, 0, false},
		{"nothing declared", 0, []Part{wear}, 7 * time.Hour, fault.UndeclaredGap, 0, false},
		{"the rest of an undeclared shift", 0, []Part{wear, same}, 7 * time.Hour, fault.UndeclaredGap, 0, false},
		{"measured longer than the shift", 480, []Part{wear}, 9 * time.Hour, "", 8 * time.Hour, true},
		{"gap not declared as anything", 480, []Part{wear, {Kind: PartGap}}, 7 * time.Hour, fault.BadInput, 0, false},
		{"gap of stated level without one", 480, []Part{wear, {Kind: PartGap, Gap: GapLevel}}, 7 * time.Hour, fault.BadInput, 0, false},
		{"gap of stated level", 480, []Part{wear, {Kind: PartGap, Gap: GapLevel, LevelDB: &level}}, 7 * time.Hour, "", 8 * time.Hour, false},
		{"no wear", 480, []Part{same}, 7 * time.Hour, fault.DayMakeUp, 0, false},
		{"two wears", 480, []Part{wear, wear}, 7 * time.Hour, fault.DayMakeUp, 0, false},
		{"a meter reading", 480, []Part{wear, {Kind: PartReading, Minutes: 60, LevelDB: &level}}, 7 * time.Hour, fault.DayMakeUp, 0, false},
		{"a shift of 25 hours", 1500, []Part{wear}, 7 * time.Hour, fault.BadInput, 0, false},
	} {
		got, err := WorkerDay{ShiftMinutes: c.shift, Parts: c.parts}.Cover(c.measured)
		if c.fault != "" {
			if !fault.Is(err, c.fault) {
				t.Errorf("%s: %v, want the fault %s", c.name, err, c.fault)
			}
			continue
		}
		if err != nil || got.Shift != c.want || got.Longer != c.longer {
			t.Errorf("%s: shift %v longer %v, %v; want %v %v", c.name, got.Shift, got.Longer, err, c.want, c.longer)
		}
	}
}
