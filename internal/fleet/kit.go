package fleet

import (
	"slices"
	"time"

	"kitd/internal/ident"
)

// KitVerdict is the answer for a kit: fit only when every unit in it is.
type KitVerdict struct {
	Kit     Kit         `json:"kit"`
	Span    Span        `json:"span"`
	Fit     bool        `json:"fit"`
	State   State       `json:"state"`             // the state of the unit that needs a person most
	Reasons []Reason    `json:"reasons,omitempty"` // of the kit itself; those of units are with the members
	Members []Member    `json:"members"`
	Changes []time.Time `json:"changes,omitempty"` // when its composition changes inside the span
}

// Member is one unit of a kit with its verdict.
type Member struct {
	Tag     string  `json:"tag"`
	Kind    Kind    `json:"kind"`
	Verdict Verdict `json:"verdict"`
}

// Blocked reports whether a blocking reason stands against any unit, or the kit holds none.
func (k KitVerdict) Blocked() bool {
	return len(k.Members) == 0 || slices.ContainsFunc(k.Members, func(m Member) bool { return m.Verdict.Blocked() })
}

// Composition gives the units in the kit at t, and the instants inside the span after t at which that changes, as known at
// the moment.
func Composition(members []Membership, kit ident.ID, span Span, at time.Time) (units []ident.ID, changes []time.Time) {
	for _, m := range members {
		if m.Kit != kit || m.Entered.After(at) {
			continue
		}
		to := m.To
		if m.Ended.After(at) {
			to = time.Time{}
		}
		in := Span{m.From, to}
		if to.IsZero() {
			in.To = instantEnd
		}
		if !in.Valid() {
			continue
		}
		if in.Contains(span.From) {
			units = append(units, m.Unit)
		} else if in.Overlaps(span) {
			changes = append(changes, m.From)
		}
		if !to.IsZero() && span.From.Before(to) && to.Before(span.To) {
			changes = append(changes, to)
		}
	}
	slices.SortFunc(changes, time.Time.Compare)
	return units, slices.CompactFunc(changes, time.Time.Equal)
}

// instantEnd is later than anything kitd plans.
var instantEnd = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// AssessKit judges a kit by the dossiers of the units in it at the start of the span; see Composition.
func AssessKit(k Kit, units []Dossier, span Span, at time.Time) KitVerdict {
	v := KitVerdict{Kit: k, Span: span, State: StateFit, Fit: len(units) > 0}
	if len(units) == 0 {
		v.State = StateNotFit
		v.Reasons = []Reason{{Kind: Blocking, Code: ReasonEmpty, Form: "kit-empty", Args: args{"kit": k.Code}, Evidence: []Evidence{{"kit", k.ID, k.Code}}}}
	}
	for _, d := range units {
		m := Member{d.Unit.Tag, d.Model.Kind, Assess(d, span, at)}
		v.Members = append(v.Members, m)
		v.Fit = v.Fit && m.Verdict.Fit
		if m.Verdict.State.Need() < v.State.Need() {
			v.State = m.Verdict.State
		}
	}
	slices.SortFunc(v.Members, func(a, b Member) int { return CompareTags(a.Tag, b.Tag) })
	return v
}
