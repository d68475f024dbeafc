package fleet

import (
	"slices"
	"time"

	"kitd/internal/ident"
)

// The charge of a unit is told from facts alone. On a powered charger it is full after the model's charge minutes; a unit that
// was full when put on stays full. Off the charger "full" counts for ready_days of time off the charger, and ends with a wear.
// Power that nobody has seen makes two stories: the careful one (no power) and the hopeful one (power). Where they agree the
// answer is certain; where only the hopeful one is full, the answer is unknown.

// chargeWhy says what a unit that is not full lacks.
type chargeWhy uint8

const (
	whyNever    chargeWhy = iota // no full charge on record
	whyShort                     // taken off too early
	whyIdle                      // full once, too long off the charger
	whyWorn                      // used since
	whySeen                      // somebody saw that it was not full
	whyPower                     // its charger lost power
	whyCharging                  // on a powered charger, not done yet
)

// chargeStep is the state from at on, until the next step.
type chargeStep struct {
	at      int64
	powered bool
	since   int64     // powered: when the charge began or began again
	full    bool      // at the moment of the step
	left    int64     // full: milliseconds off the charger that "full" still counts
	charged int64     // last moment of a full charge, never when none is known
	why     chargeWhy // what it lacks, or will lack once "full" counts no more
	ref     int       // index of the fact that speaks for it, -1 for none
}

// chargeState is what holds at one moment.
type chargeState struct {
	powered bool
	full    bool
	left    int64
	charged int64
	why     chargeWhy
	ref     int
	done    int64 // powered and not full: when it will be
}

// chargeRules are the model's numbers in milliseconds.
type chargeRules struct{ need, ready, topUp int64 }

func rulesOf(m Model) chargeRules {
	r := chargeRules{need: int64(m.ChargeMinutes) * minuteMS, ready: int64(m.ReadyDays) * dayMS, topUp: int64(m.TopUpDays) * dayMS}
	if r.ready == 0 {
		r.ready = forever
	}
	return r
}

// chargeLine is the charge of a unit over time under both stories.
type chargeLine struct {
	rules   chargeRules
	first   int64 // first fact that says anything of charge; forever when there is none
	careful story
	hopeful *story // nil: the same as careful
	from    int64  // holds for questions asked at [from, until)
	until   int64
}

// story is the steps of one telling, with their instants beside them for the search.
type story struct {
	at    []int64
	steps []chargeStep
}

// state evaluates the step in force at t. ok is false before the first step.
func (s *story) state(r chargeRules, t int64) (st chargeState, ok bool) {
	i := firstAfter(s.at, t) - 1
	if i < 0 {
		return chargeState{}, false
	}
	st = s.steps[i].state(r, t)
	if i+1 < len(s.at) && s.at[i+1] < st.done {
		st.done = never // something is known to come in between
	}
	return st, true
}

func (s *chargeStep) state(r chargeRules, t int64) chargeState {
	st := chargeState{powered: s.powered, full: s.full, left: s.left, charged: s.charged, why: s.why, ref: s.ref}
	switch {
	case s.powered && t >= s.since+r.need:
		st.full, st.left, st.charged = true, r.ready, t
	case s.powered && !s.full:
		st.why, st.done = whyCharging, s.since+r.need
	case s.powered, !s.full, s.left == forever:
	case t-s.at > s.left:
		st.full = false
	default:
		st.left -= t - s.at
	}
	return st
}

// chargeTale walks the facts under one story.
type chargeTale struct {
	rules   chargeRules
	hopeful bool
	power   func(ident.ID) *powerLine
	steps   []chargeStep
	on      bool
	charger ident.ID
	pos     int
	onAt    int64
	seen    int64 // facts and power changes up to here are told
	doubt   bool  // some power was unknown: the two stories may differ
}

// lineCharge tells both stories of the known facts, ordered by when they happened.
func lineCharge(m Model, facts []Fact, power func(ident.ID) *powerLine) chargeLine {
	line := chargeLine{rules: rulesOf(m), first: forever, from: never, until: forever}
	if m.ChargeMinutes <= 0 {
		return line
	}
	careful := chargeTale{rules: line.rules, power: power, seen: never}
	careful.tell(facts)
	line.careful = careful.told()
	if careful.doubt {
		hopeful := chargeTale{rules: line.rules, power: power, seen: never, hopeful: true}
		hopeful.tell(facts)
		told := hopeful.told()
		line.hopeful = &told
	}
	for i := range facts {
		id, isOn := chargerOf(facts[i].Body)
		if isOn {
			p := power(id)
			line.from, line.until = max(line.from, p.from), min(line.until, p.until)
		}
		if line.first == forever && speaksOfCharge(facts[i].Body) {
			line.first = facts[i].Occurred.UnixMilli()
		}
	}
	return line
}

func chargerOf(b Body) (ident.ID, bool) {
	on, ok := b.(ChargeOn)
	return on.Charger, ok
}

func speaksOfCharge(b Body) bool {
	switch b := b.(type) {
	case ChargeOn, ChargeOff, Opening:
		return true
	case Worn:
		return b.Minutes > 0
	}
	return false
}

func (c *chargeTale) tell(facts []Fact) {
	for i := range facts {
		t := facts[i].Occurred.UnixMilli()
		switch b := facts[i].Body.(type) {
		case ChargeOn:
			c.follow(t)
			c.putOn(t, b, i)
		case ChargeOff:
			c.follow(t)
			c.takeOff(t, b.Full, i)
		case Opening:
			c.follow(t)
			c.open(t, b.Full, i)
		case Worn:
			c.follow(t)
			c.worn(t, b, i)
		case Custody:
			c.follow(t)
			if b.State != InDepot && c.on {
				c.takeOff(t, nil, i)
			}
		}
	}
	c.follow(forever)
}

// follow tells what the power of the present charger did up to and including t.
func (c *chargeTale) follow(t int64) {
	from := c.seen
	c.seen = t
	if !c.on {
		return
	}
	for _, p := range c.power(c.charger).changes {
		if p.at > from && p.at <= t {
			c.supply(p.at, p.state)
		}
	}
}

// supply follows the charger's power while the unit stands on it.
func (c *chargeTale) supply(t int64, p powerState) {
	if p == powerUnknown {
		c.doubt = true
	}
	powered := p == powerGood || p == powerUnknown && c.hopeful
	st := c.now(t)
	if st.powered == powered {
		return
	}
	next := c.step(t, st)
	next.powered, next.since = powered, t
	if !powered {
		next.why = whyPower
	}
	c.push(next)
}

func (c *chargeTale) putOn(t int64, b ChargeOn, ref int) {
	if c.on && c.charger == b.Charger && c.pos == b.Position {
		return
	}
	c.on, c.charger, c.pos, c.onAt = true, b.Charger, b.Position, t
	p := c.power(b.Charger).state(t)
	if p == powerUnknown {
		c.doubt = true
	}
	next := c.step(t, c.now(t))
	next.powered, next.since, next.ref = p == powerGood || p == powerUnknown && c.hopeful, t, ref
	if !next.powered {
		next.why = whyPower
	}
	c.push(next)
}

func (c *chargeTale) takeOff(t int64, full *bool, ref int) {
	c.on = false
	next := c.step(t, c.now(t))
	next.powered, next.ref = false, ref
	switch {
	case full != nil && !*full:
		next.full, next.why = false, whySeen
	case full != nil:
		next.full, next.left, next.charged, next.why = true, c.rules.ready, t, whyIdle
	case next.full:
		next.why = whyIdle
	case next.why == whyCharging:
		next.why = whyShort
	}
	c.push(next)
}

// open takes a named statement at its word; a charge under way begins again where it says "not full".
func (c *chargeTale) open(t int64, full bool, ref int) {
	next := c.step(t, c.now(t))
	next.ref, next.full, next.since = ref, full, t
	if full {
		next.left, next.charged, next.why = c.rules.ready, t, whyIdle
	} else {
		next.why = whySeen
	}
	c.push(next)
}

// worn ends "full". A unit that stood on the charger before the wear began was taken off for it; one that was put on while the
// wear ran charges from the wear's end.
func (c *chargeTale) worn(t int64, b Worn, ref int) {
	if b.Minutes <= 0 {
		return
	}
	if c.on && c.onAt <= t-int64(b.Minutes)*minuteMS {
		c.on = false
	}
	next := c.step(t, c.now(t))
	next.full, next.why, next.ref, next.since = false, whyWorn, ref, t
	next.powered = next.powered && c.on
	c.push(next)
}

// now is the state at t, before anything that happens at t.
func (c *chargeTale) now(t int64) chargeState {
	if len(c.steps) == 0 {
		return chargeState{charged: never, why: whyNever, ref: -1}
	}
	return c.steps[len(c.steps)-1].state(c.rules, t)
}

// step begins the next step from a state; a charge under way keeps its beginning.
func (c *chargeTale) step(t int64, st chargeState) chargeStep {
	next := chargeStep{at: t, powered: st.powered, since: t, full: st.full, left: st.left, charged: st.charged, why: st.why, ref: st.ref}
	if n := len(c.steps); n > 0 && st.powered {
		next.since = c.steps[n-1].since
	}
	return next
}

func (c *chargeTale) push(s chargeStep) {
	if n := len(c.steps); n > 0 && c.steps[n-1].at == s.at {
		c.steps[n-1] = s
		return
	}
	c.steps = append(c.steps, s)
}

func (c *chargeTale) told() story {
	s := story{at: make([]int64, len(c.steps)), steps: slices.Clip(c.steps)}
	for i := range c.steps {
		s.at[i] = c.steps[i].at
	}
	return s
}

// emit judges the charge at the start of a span.
func (l *chargeLine) emit(t int64, out []finding) []finding {
	if l.rules.need == 0 {
		return out
	}
	if t < l.first {
		return append(out, finding{code: codeChargeRecord, ref: -1, clears: never})
	}
	careful, _ := l.careful.state(l.rules, t)
	hopeful := careful
	if l.hopeful != nil {
		hopeful, _ = l.hopeful.state(l.rules, t)
	}
	switch {
	case careful.full:
	case hopeful.full:
		out = append(out, finding{code: codePower, ref: careful.ref, clears: never})
	default:
		out = append(out, finding{code: codeCharge, why: careful.why, ref: careful.ref, clears: clearing(careful), mark: careful.charged})
	}
	if due := l.topUpDue(careful); due < t && l.topUpDue(hopeful) < t {
		out = append(out, finding{code: codeTopUp, ref: careful.ref, clears: clearing(careful), mark: due})
	}
	return out
}

func clearing(st chargeState) int64 {
	if st.powered && !st.full {
		return st.done
	}
	return never
}

// topUpDue is when the next full charge is due: forever on a powered charger or where no charge is known.
func (l *chargeLine) topUpDue(st chargeState) int64 {
	if st.powered || st.charged == never || l.rules.topUp == 0 {
		return forever
	}
	return st.charged + l.rules.topUp
}

// fullBy is the top-up date as seen at the start of a span, zero when kept full, not needed or unknown.
func (l *chargeLine) fullBy(t int64) time.Time {
	st, ok := l.careful.state(l.rules, t)
	if !ok {
		return time.Time{}
	}
	return instant(l.topUpDue(st))
}
