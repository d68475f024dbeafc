package survey

import (
	"cmp"
	"slices"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Candidate is a wear a return may belong to, with what speaks for or against it.
type Candidate struct {
	Wear     ident.ID      `json:"wear"`
	UnitTag  string        `json:"unit_tag"`
	Start    time.Time     `json:"start"`
	Stop     time.Time     `json:"stop,omitzero"`
	Overlap  time.Duration `json:"overlap"`         // nanoseconds shared with the measurement
	Taken    bool          `json:"taken,omitempty"` // another return is linked to it
	SameUnit bool          `json:"same_unit"`       // it is a wear of the unit the file names
}

// Claim is what a file says of itself.
type Claim struct {
	Units []ident.ID // units with the tag or serial in it, whatever the case; none when it names none or an unknown one
	Span  fleet.Span // of the measurement, the clock's offset taken off
}

// Match looks for the wear a measurement belongs to. It links only what cannot be anything else: the file names exactly one
// known unit, exactly one wear of that unit shares time with the measurement, no other return is linked to it, and the shared
// time is at least half of each. In every other case it gives the candidates, best first, and a person chooses.
func Match(c Claim, wears []Wear, taken func(wear ident.ID) bool, now time.Time) (ident.ID, []Candidate) {
	var candidates []Candidate
	for _, w := range wears {
		span := w.Span(now)
		shared := overlap(c.Span, span)
		if shared <= 0 {
			continue
		}
		candidates = append(candidates, Candidate{
			Wear: w.ID, UnitTag: w.UnitTag, Start: w.Start, Stop: w.Stop, Overlap: shared,
			Taken: taken(w.ID), SameUnit: slices.Contains(c.Units, w.Unit),
		})
	}
	slices.SortFunc(candidates, betterFirst)
	own := 0
	for _, k := range candidates {
		if k.SameUnit {
			own++
		}
	}
	if len(c.Units) != 1 || own != 1 || candidates[0].Taken || !candidates[0].fills(c.Span, now) {
		return ident.ID{}, candidates
	}
	return candidates[0].Wear, candidates[:1]
}

func betterFirst(a, b Candidate) int {
	return cmp.Or(boolFirst(a.SameUnit, b.SameUnit), cmp.Compare(b.Overlap, a.Overlap), a.Start.Compare(b.Start), slices.Compare(a.Wear[:], b.Wear[:]))
}

func boolFirst(a, b bool) int {
	switch {
	case a && !b:
		return -1
	case b && !a:
		return 1
	}
	return 0
}

// fills reports whether the shared time is at least half of the measurement and of the wear (common practice, no source).
func (k Candidate) fills(measured fleet.Span, now time.Time) bool {
	worn := Wear{Start: k.Start, Stop: k.Stop}.Span(now)
	return 2*k.Overlap >= measured.To.Sub(measured.From) && 2*k.Overlap >= worn.To.Sub(worn.From)
}

func overlap(a, b fleet.Span) time.Duration {
	from, to := a.From, a.To
	if b.From.After(from) {
		from = b.From
	}
	if b.To.Before(to) {
		to = b.To
	}
	return to.Sub(from)
}
