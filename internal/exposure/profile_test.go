package exposure

import (
	"slices"
	"strings"
	"testing"

	"kitd/internal/fault"
)

func TestProfilesAreTheNineAndEachValueHasItsClause(t *testing.T) {
	want := []string{"us-osha-hc", "us-osha-pel", "us-msha-al", "us-msha-pel", "us-niosh", "eu-2003-10", "uk-2005", "ca-federal", "au-whs"}
	if got := ProfileIDs(); !slices.Equal(got, want) {
		t.Fatalf("profiles %v, want %v", got, want)
	}
	for _, p := range Profiles() {
		if len(p.Limits) == 0 {
			t.Errorf("%s has no limit", p.ID)
		}
		clauses := map[string]string{}
		for _, l := range p.Limits {
			clauses["limit "+l.ID] = l.Source.Clause
		}
		if p.Dose != nil {
			clauses["dose"] = p.Dose.Source.Clause
		}
		if p.Integration != nil {
			clauses["integration"] = p.Integration.Source.Clause
		}
		if p.Drift != nil {
			clauses["drift"] = p.Drift.Source.Clause
		}
		for what, clause := range clauses {
			if len(clause) < 8 {
				t.Errorf("%s, %s: no clause", p.ID, what)
			}
		}
	}
}

// The parameters, as the regulations print them: 29 CFR 1910.95, 30 CFR 62, NIOSH 98-126.
func TestCriteria(t *testing.T) {
	for id, want := range map[string][4]float64{
		"us-osha-hc": {90, 8, 5, 80}, "us-osha-pel": {90, 8, 5, 90}, "us-msha-al": {90, 8, 5, 80},
		"us-msha-pel": {90, 8, 5, 90}, "us-niosh": {85, 8, 3, 80},
	} {
		p, err := ProfileByID(id)
		if err != nil {
			t.Fatal(err)
		}
		if got := [4]float64{p.Dose.CriterionDB, p.Dose.CriterionHours, p.Dose.ExchangeDB, *p.Dose.ThresholdDB}; got != want {
			t.Errorf("%s: %v, want %v", id, got, want)
		}
	}
}

func TestProfilesAreCopies(t *testing.T) {
	first := Profiles()
	first[0].Limits[0].Value = 1
	*first[0].Dose.ThresholdDB = 1
	first[0].Integration.ToDB = 1
	again := Profiles()
	if again[0].Limits[0].Value != 50 || *again[0].Dose.ThresholdDB != 80 || again[0].Integration.ToDB != 130 {
		t.Error("changing a returned profile changed the built-in one")
	}
}

func TestUnknownProfileNamesThoseThereAre(t *testing.T) {
	_, err := ProfileByID("us-osha")
	if !fault.Is(err, fault.ExposureProfile) || !strings.Contains(err.Error(), "us-osha-pel") {
		t.Errorf("got %v", err)
	}
}

func TestReadProfilesRefusesUnusableOnes(t *testing.T) {
	for name, data := range map[string]string{
		"unknown key":      `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none","extra":1}]`,
		"no version":       `[{"id":"x","edition":"e","weighting":"A","response":"none"}]`,
		"C-weighted":       `[{"id":"x","edition":"e","version":1,"weighting":"C","response":"none"}]`,
		"exchange rate 0":  `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"slow","dose":{"criterion_db":90,"criterion_hours":8,"exchange_db":0}}]`,
		"dose without one": `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none","limits":[{"id":"l","quantity":"dose_percent","basis":"open_ear","comparison":"ge","value":50,"unit":"%","source":{"clause":"local"}}]}]`,
		"wrong unit":       `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none","limits":[{"id":"l","quantity":"peak_pa","basis":"open_ear","comparison":"ge","value":50,"unit":"dB","peak_weighting":"C","source":{"clause":"local"}}]}]`,
		"no clause":        `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none","limits":[{"id":"l","quantity":"lex_8h_db","basis":"open_ear","comparison":"ge","value":50,"unit":"dB","source":{"clause":""}}]}]`,
		"twice":            `[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none"},{"id":"x","edition":"e","version":2,"weighting":"A","response":"none"}]`,
	} {
		if _, err := ReadProfiles([]byte(data)); err == nil {
			t.Errorf("%s: read without an error", name)
		}
	}
	if _, err := ReadProfiles([]byte(`[{"id":"x","edition":"e","version":1,"weighting":"A","response":"none"}]`)); err != nil {
		t.Errorf("a sound profile: %v", err)
	}
}
