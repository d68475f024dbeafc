package fleet

// A charger's power is known by sightings only. Between two good sightings it had power; a bad one says that it may have been
// lost right after the last good one, so that from there it counts as lost. A model may say that a sighting holds only so long.

// powerState is what is known of a charger at a moment.
type powerState uint8

const (
	powerUnknown powerState = iota
	powerGood
	powerLost
)

// powerChange says that from at on the state holds.
type powerChange struct {
	at    int64
	state powerState
}

// powerLine is the power of one charger over time; before its first change it is unknown.
type powerLine struct {
	changes  []powerChange
	from     int64 // the line holds for questions asked at [from, until)
	until    int64
	lastGood int64
}

// linePower reads the sightings as known at the moment.
func linePower(s Supply, at int64) powerLine {
	facts, latest := known(s.Facts, at)
	line := powerLine{from: latest, until: forever, lastGood: never}
	if latest > at {
		line.from, line.until = at, at+1
	}
	watch := int64(s.Hours) * hourMS
	seen := sightings(facts)
	for i, x := range seen {
		line.sight(x, nextSighting(seen, i), watch, at)
	}
	return line
}

// sight adds what one sighting says, knowing the one after it.
func (l *powerLine) sight(x powerChange, next *powerChange, watch, at int64) {
	if x.state == powerGood {
		l.lastGood = max(l.lastGood, x.at)
	}
	switch {
	case x.state == powerLost, next != nil && next.state == powerLost:
		l.change(x.at, powerLost)
	case watch == 0:
		l.change(x.at, powerGood)
	case next != nil:
		l.change(x.at, powerGood)
		if next.at > x.at+watch {
			l.change(x.at+watch, powerUnknown)
		}
	default:
		l.change(x.at, powerGood)
		if at > x.at+watch {
			l.change(x.at+watch, powerUnknown)
			l.from = max(l.from, x.at+watch+1)
		} else {
			// Not silent yet: the coming days are planned with power.
			l.until = min(l.until, x.at+watch+1)
		}
	}
}

func (l *powerLine) change(at int64, state powerState) {
	if n := len(l.changes); n > 0 && l.changes[n-1].state == state {
		return
	}
	l.changes = append(l.changes, powerChange{at, state})
}

// state at t.
func (l *powerLine) state(t int64) powerState {
	state := powerUnknown
	for _, c := range l.changes {
		if c.at > t {
			break
		}
		state = c.state
	}
	return state
}

// sightings keeps the last word of each moment; a bad sighting outweighs a good one of the same moment.
func sightings(facts []Fact) []powerChange {
	var seen []powerChange
	for _, f := range facts {
		body, ok := f.Body.(PowerSeen)
		if !ok {
			continue
		}
		x := powerChange{f.Occurred.UnixMilli(), powerLost}
		if body.Good {
			x.state = powerGood
		}
		if n := len(seen); n > 0 && seen[n-1].at == x.at {
			seen[n-1].state = max(seen[n-1].state, x.state)
			continue
		}
		seen = append(seen, x)
	}
	return seen
}

func nextSighting(seen []powerChange, i int) *powerChange {
	if i+1 < len(seen) {
		return &seen[i+1]
	}
	return nil
}
