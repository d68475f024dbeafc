package planning

// Limits bound the search of one answer. The zero value has the default step limits and no clock, so answers repeat exactly.
type Limits struct {
	// Expired says that the time is over: the search then ends with the best answer it has. nil never expires. It is asked often
	// and must be cheap.
	Expired func() bool
	// Effort multiplies the default step limits; 0 means 1.
	Effort int
}

// The default step limits: states are those of an exact search, work counts touched numbers and bounds the improvement of an
// answer that is already good.
const (
	defaultStates = 400_000
	defaultWork   = 25_000_000
)

// budget is what is left of the limits of one answer.
type budget struct {
	expired func() bool
	states  int
	work    int
	ticks   int
	over    bool // the clock ran out
	cut     bool // something was left out because a limit was met
}

func newBudget(l Limits) *budget {
	effort := max(l.Effort, 1)
	return &budget{expired: l.Expired, states: defaultStates * effort, work: defaultWork * effort}
}

// late asks the clock.
func (b *budget) late() bool {
	if !b.over && b.expired != nil && b.expired() {
		b.over, b.cut = true, true
	}
	return b.over
}

// state takes one state and says whether it was still allowed.
func (b *budget) state() bool {
	b.states--
	if b.ticks++; b.ticks&255 == 0 {
		b.late()
	}
	if b.states < 0 {
		b.cut = true
	}
	return !b.over && b.states >= 0
}

// spend takes work and says whether it was still allowed.
func (b *budget) spend(n int) bool {
	b.work -= n
	if b.work < 0 {
		b.cut = true
	}
	return b.work >= 0 && !b.late()
}

// part is a budget of its own that shares the clock: side questions may not eat the answer's states.
func (b *budget) part(states, work int) *budget {
	return &budget{expired: b.expired, states: states, work: work, over: b.over}
}

// stopped is the sentence of an answer whose search ended early; empty when it did not.
func (b *budget) stopped() string {
	switch {
	case b.over:
		return "the search stopped at its time limit; what is not marked as proved may still be improved"
	case b.cut:
		return "the search stopped at its step limit; what is not marked as proved may still be improved"
	}
	return ""
}
