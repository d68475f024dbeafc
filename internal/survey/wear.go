package survey

import (
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Wear is one dosimeter on one worker for one period. What happened is kept as WearFacts; the fields here are what the latest
// facts say.
type Wear struct {
	ID      ident.ID   `json:"id"`
	Client  ident.ID   `json:"client"`
	Survey  ident.ID   `json:"survey"`
	Day     ident.ID   `json:"day"`
	Worker  ident.ID   `json:"worker"`
	Unit    ident.ID   `json:"unit"`
	UnitTag string     `json:"unit_tag"` // as it was when the wear was entered
	Side    Side       `json:"side"`
	Start   time.Time  `json:"start"`
	Stop    time.Time  `json:"stop,omitzero"` // zero: still worn, or nobody said
	Outcome Outcome    `json:"outcome,omitempty"`
	Entered time.Time  `json:"entered"`
	By      string     `json:"by"`
	Facts   []WearFact `json:"facts,omitempty"`
	Version int        `json:"version"`
}

// Side is the shoulder the microphone sits on: that of the more exposed ear (ISO 9612, 12.3).
type Side string

// The sides.
const (
	Left  Side = "left"
	Right Side = "right"
)

// Outcome says how a wear ended.
type Outcome string

// The outcomes.
const (
	Complete   Outcome = "complete"
	CutShort   Outcome = "cut short"
	LostWear   Outcome = "lost"
	ClearedOut Outcome = "cleared" // the memory was cleared before it was read
	Refused    Outcome = "refused" // the worker did not want it
	Unattended Outcome = "unattended"
	Swapped    Outcome = "swapped" // the dosimeter was exchanged for another
)

// Valid reports whether the outcome is one of the list.
func (o Outcome) Valid() bool {
	switch o {
	case Complete, CutShort, LostWear, ClearedOut, Refused, Unattended, Swapped:
		return true
	}
	return false
}

// HoldsData reports whether after such an end the unit may hold data that must be read.
func (o Outcome) HoldsData() bool { return o != LostWear && o != ClearedOut && o != Refused }

// WearFact is one thing said of a wear: appended, never changed, with both times.
type WearFact struct {
	ID       ident.ID  `json:"id"`
	Wear     ident.ID  `json:"wear"`
	Kind     string    `json:"kind"` // WearStarted, WearStopped
	Occurred time.Time `json:"occurred"`
	Entered  time.Time `json:"entered"`
	By       string    `json:"by"`
	Outcome  Outcome   `json:"outcome,omitempty"`
	Note     string    `json:"note,omitempty"`
	Override string    `json:"override,omitempty"` // why it was worn although the unit was not fit
	NotFit   []string  `json:"not_fit,omitempty"`  // reason codes that stood when it started
}

// The kinds of wear facts.
const (
	WearStarted = "started"
	WearStopped = "stopped"
)

// Late is the delay after which an entry is marked as entered late (common practice, no source).
const Late = 15 * time.Minute

// Late reports whether the fact was entered more than a quarter of an hour after it happened.
func (f WearFact) Late() bool { return f.Entered.Sub(f.Occurred) > Late }

// Span is the time the dosimeter was on the worker. A wear without a stop lasts until now.
func (w Wear) Span(now time.Time) fleet.Span {
	to := w.Stop
	if to.IsZero() {
		to = now
	}
	return fleet.Span{From: w.Start, To: to}
}

// Contradictions says in words which facts of the wear cannot both be true.
func (w Wear) Contradictions() []string {
	var out []string
	last := map[string]WearFact{}
	for _, f := range w.Facts {
		if p, ok := last[f.Kind]; ok && !p.Occurred.Equal(f.Occurred) {
			out = append(out, "Two times are on record for "+f.Kind+": "+stamp(p.Occurred)+" by "+p.By+" and "+stamp(f.Occurred)+" by "+f.By+"; the later entry counts.")
		}
		last[f.Kind] = f
	}
	if !w.Stop.IsZero() && !w.Start.Before(w.Stop) {
		out = append(out, "The stop, "+stamp(w.Stop)+", is not after the start, "+stamp(w.Start)+".")
	}
	return out
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05Z") }
