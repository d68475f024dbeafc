package fleet

import "kitd/internal/ident"

// contradiction names two records that cannot both be true. Both stand; somebody has to look.
type contradiction struct {
	form string
	a, b int // indexes of facts, or of lines for forms that speak of certificates; b may be -1
}

// contradictions looks through the known facts and lines of one unit.
func contradictions(facts []Fact, lines []Line) []contradiction {
	var found []contradiction
	found = custodyContra(facts, found)
	found = chargeContra(facts, found)
	found = wearContra(facts, found)
	found = holdContra(facts, found)
	return lineContra(lines, found)
}

func custodyContra(facts []Fact, found []contradiction) []contradiction {
	last := -1
	for i := range facts {
		b, ok := facts[i].Body.(Custody)
		if !ok {
			continue
		}
		if last >= 0 {
			p := facts[last].Body.(Custody)
			switch {
			case facts[i].Occurred.Equal(facts[last].Occurred) && (b.State != p.State || b.Depot != p.Depot):
				found = append(found, contradiction{"contra-two-places", last, i})
			case b.State == Out && p.State == Out && b.Booking != p.Booking:
				found = append(found, contradiction{"contra-out-twice", last, i})
			case p.State == Retired && b.State != Retired:
				found = append(found, contradiction{"contra-after-retired", last, i})
			}
		}
		last = i
	}
	return found
}

func chargeContra(facts []Fact, found []contradiction) []contradiction {
	on := -1
	for i := range facts {
		switch b := facts[i].Body.(type) {
		case ChargeOn:
			if on >= 0 && facts[on].Occurred.Equal(facts[i].Occurred) && facts[on].Body.(ChargeOn) != b {
				found = append(found, contradiction{"contra-two-chargers", on, i})
			}
			on = i
		case ChargeOff:
			on = -1
		case Custody:
			if b.State != InDepot {
				on = -1
			}
		case Worn:
			start := facts[i].Occurred.UnixMilli() - int64(b.Minutes)*minuteMS
			if on >= 0 && b.Minutes > 0 && facts[on].Occurred.UnixMilli() > start {
				found = append(found, contradiction{"contra-worn-on-charger", on, i})
			} else if b.Minutes > 0 {
				on = -1
			}
		}
	}
	return found
}

func wearContra(facts []Fact, found []contradiction) []contradiction {
	accepted := map[ident.ID]int{}
	away := -1
	for i := range facts {
		switch b := facts[i].Body.(type) {
		case Custody:
			away = -1
			if b.State == AtLaboratory || b.State == Retired {
				away = i
			}
		case ReturnAccepted:
			accepted[b.Wear] = i
		case Worn:
			if a, ok := accepted[b.Wear]; ok && facts[a].Occurred.Before(facts[i].Occurred) {
				found = append(found, contradiction{"contra-read-before-worn", a, i})
			}
			if away >= 0 && !facts[i].Occurred.Equal(facts[away].Occurred) && facts[i].Occurred.UnixMilli()-int64(b.Minutes)*minuteMS >= facts[away].Occurred.UnixMilli() {
				found = append(found, contradiction{"contra-worn-away", away, i})
			}
		}
	}
	return found
}

func holdContra(facts []Fact, found []contradiction) []contradiction {
	held := map[ident.ID]bool{}
	for i := range facts {
		switch b := facts[i].Body.(type) {
		case Held:
			held[facts[i].ID] = true
		case SignedOff:
			if !held[b.Hold] {
				found = append(found, contradiction{"contra-signed-off-nothing", i, -1})
			}
		}
	}
	return found
}

func lineContra(lines []Line, found []contradiction) []contradiction {
	for i := 1; i < len(lines); i++ {
		if lines[i].Calibrated == lines[i-1].Calibrated && lines[i].Verdict != lines[i-1].Verdict {
			found = append(found, contradiction{"contra-two-verdicts", i - 1, i})
		}
	}
	return found
}
