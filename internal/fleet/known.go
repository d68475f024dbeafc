package fleet

import (
	"bytes"
	"cmp"
	"slices"
	"time"

	"kitd/internal/ident"
)

// known gives the facts that count at the moment: entered by then, and not retracted by a fact entered by then. A retraction
// may itself be retracted; it reaches only facts entered before it. latest is the last moment at which any fact was entered.
func known(facts []Fact, at int64) (counted []Fact, latest int64) {
	latest = never
	plain := true
	for i := range facts {
		latest = max(latest, facts[i].Entered.UnixMilli())
		if _, ok := facts[i].Body.(Retracted); ok {
			plain = false
		}
	}
	sorted := slices.IsSortedFunc(facts, byOccurred)
	if plain && sorted && latest <= at {
		return facts, latest
	}
	gone := retracted(facts, at)
	counted = make([]Fact, 0, len(facts))
	for _, f := range facts {
		if _, ok := f.Body.(Retracted); ok || f.Entered.UnixMilli() > at || gone[f.ID] {
			continue
		}
		counted = append(counted, f)
	}
	if !sorted {
		slices.SortStableFunc(counted, byOccurred)
	}
	return counted, latest
}

// Standing gives the facts of the dossier that count at the moment, ordered by when they happened.
func Standing(d Dossier, at time.Time) []Fact {
	facts, _ := known(d.Facts, at.UnixMilli())
	return facts
}

// retracted gives the facts that are withdrawn at the moment. The last word counts first.
func retracted(facts []Fact, at int64) map[ident.ID]bool {
	entered := make(map[ident.ID]Fact, len(facts))
	var words []Fact
	for _, f := range facts {
		entered[f.ID] = f
		if _, ok := f.Body.(Retracted); ok && f.Entered.UnixMilli() <= at {
			words = append(words, f)
		}
	}
	slices.SortFunc(words, func(a, b Fact) int { return byEntered(b, a) })
	gone := map[ident.ID]bool{}
	for _, w := range words {
		target, ok := entered[w.Body.(Retracted).Fact]
		if ok && !gone[w.ID] && byEntered(target, w) < 0 {
			gone[target.ID] = true
		}
	}
	return gone
}

// byEntered orders facts by when they came to be known.
func byEntered(a, b Fact) int {
	return cmp.Or(a.Entered.Compare(b.Entered), bytes.Compare(a.ID[:], b.ID[:]))
}

// byOccurred orders facts by when they happened.
func byOccurred(a, b Fact) int {
	return cmp.Or(a.Occurred.Compare(b.Occurred), byEntered(a, b))
}
