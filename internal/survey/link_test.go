package survey

import (
	"testing"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

func TestMatchNeverGuesses(t *testing.T) {
	day := time.Date(2026, 11, 18, 0, 0, 0, 0, time.UTC)
	at := func(h float64) time.Time { return day.Add(time.Duration(h * float64(time.Hour))) }
	span := func(from, to float64) fleet.Span { return fleet.Span{From: at(from), To: at(to)} }
	d12, d13 := ident.ID{12}, ident.ID{13}
	morning := Wear{ID: ident.ID{1}, Unit: d12, UnitTag: "D-012", Start: at(7), Stop: at(11)}
	noon := Wear{ID: ident.ID{2}, Unit: d12, UnitTag: "D-012", Start: at(11.5), Stop: at(15)}
	other := Wear{ID: ident.ID{3}, Unit: d13, UnitTag: "D-013", Start: at(7), Stop: at(15)}
	open := Wear{ID: ident.ID{4}, Unit: d12, UnitTag: "D-012", Start: at(7)}
	for _, c := range []struct {
		name       string
		units      []ident.ID
		span       fleet.Span
		wears      []Wear
		taken      ident.ID
		want       ident.ID
		candidates int
	}{
		{"one wear of the unit", []ident.ID{d12}, span(7, 11), []Wear{morning, noon, other}, ident.ID{}, morning.ID, 1},
		{"a wear still open", []ident.ID{d12}, span(7, 15), []Wear{open}, ident.ID{}, open.ID, 1},
		{"two wears of the unit", []ident.ID{d12}, span(7, 15), []Wear{morning, noon}, ident.ID{}, ident.ID{}, 2},
		{"no wear at that time", []ident.ID{d12}, span(16, 20), []Wear{morning, noon, other}, ident.ID{}, ident.ID{}, 0},
		{"spans that only touch", []ident.ID{d12}, span(11, 11.5), []Wear{morning, noon}, ident.ID{}, ident.ID{}, 0},
		{"unit not known", nil, span(7, 11), []Wear{other}, ident.ID{}, ident.ID{}, 1},
		{"two units answer to the name", []ident.ID{d12, d13}, span(7, 11), []Wear{morning}, ident.ID{}, ident.ID{}, 1},
		{"only a wear of another unit", []ident.ID{d12}, span(7, 15), []Wear{other}, ident.ID{}, ident.ID{}, 1},
		{"another return is linked already", []ident.ID{d12}, span(7, 11), []Wear{morning}, morning.ID, ident.ID{}, 1},
		{"less than half of the wear", []ident.ID{d12}, span(10, 10.5), []Wear{morning}, ident.ID{}, ident.ID{}, 1},
		{"less than half of the measurement", []ident.ID{d12}, span(0, 8), []Wear{morning}, ident.ID{}, ident.ID{}, 1},
	} {
		got, candidates := Match(Claim{Units: c.units, Span: c.span}, c.wears, func(w ident.ID) bool { return w == c.taken && !w.IsZero() }, at(15))
		if got != c.want || len(candidates) != c.candidates {
			t.Errorf("%s: linked to %v of %d candidates, want %v of %d", c.name, got, len(candidates), c.want, c.candidates)
		}
	}
}

func TestCanonicalFormDoesNotDependOnOrder(t *testing.T) {
	a, err := HashOf(map[string]any{"b": 1, "a": []any{"<x>", 0.1}})
	if err != nil {
		t.Fatal(err)
	}
	b, err := HashOf(struct {
		B int   `json:"b"`
		A []any `json:"a"`
	}{1, []any{"<x>", 0.1}})
	if err != nil {
		t.Fatal(err)
	}
	if a != b {
		t.Errorf("%s and %s differ for the same members in another order", a, b)
	}
	text, err := Canonical(map[string]any{"b": "<é>", "a": 1e-7})
	if err != nil || string(text) != `{"a":1e-7,"b":"<é>"}` {
		t.Errorf("canonical form %s, %v", text, err)
	}
}
