// Package survey holds a visit to a site for a client from the people on it to the results of it: worker-days, wears, field
// checks, the returns that come back and the immutable results computed from them, each with its chain of evidence.
package survey

import (
	"slices"
	"strconv"
	"time"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/ident"
)

// Client is whom surveys are made for. All data of a client lie behind its wall.
type Client struct {
	ID      ident.ID  `json:"id"`
	Code    string    `json:"code"` // short, unique whatever the case
	Name    string    `json:"name"`
	Note    string    `json:"note,omitempty"`
	Entered time.Time `json:"entered"`
	By      string    `json:"by"`
	Version int       `json:"version"`
}

// Site is a place of a client; worker-days are dated in its zone.
type Site struct {
	ID      ident.ID  `json:"id"`
	Client  ident.ID  `json:"client"`
	Name    string    `json:"name"`
	Zone    string    `json:"zone"` // IANA name
	Note    string    `json:"note,omitempty"`
	Entered time.Time `json:"entered"`
	By      string    `json:"by"`
	Version int       `json:"version"`
}

// Survey is a visit to a site: days, groups of people, and the regulation profiles the results are judged by.
type Survey struct {
	ID       ident.ID     `json:"id"`
	Number   int          `json:"number"` // counts from 1, shown as S-12
	Client   ident.ID     `json:"client"`
	Site     ident.ID     `json:"site"`
	Title    string       `json:"title"`
	Zone     string       `json:"zone"` // of the site when the survey was entered
	Days     []civil.Date `json:"days"`
	Groups   []Group      `json:"groups"`
	Profiles []string     `json:"profiles"` // ids; their versions are pinned when a result is computed
	Needs    []Setting    `json:"needs,omitempty"`
	Note     string       `json:"note,omitempty"`
	Entered  time.Time    `json:"entered"`
	By       string       `json:"by"`
	Version  int          `json:"version"`
}

// Group is a similar exposure group of the survey.
type Group struct {
	ID   ident.ID `json:"id"`
	Name string   `json:"name"`
	Size int      `json:"size"` // workers in it; 0: not known
}

// Setting is what an instrument has to log so that the survey's profiles can be computed.
type Setting struct {
	Quantity  string  `json:"quantity"`   // "LAeq", "LASmax", "LCpeak"
	IntervalS float64 `json:"interval_s"` // seconds between logged values, at most; 0: any
}

// quantities are what a setting can ask for.
var quantities = []string{string(exposure.LAeq), string(exposure.LASmax), "LApeak", "LCpeak", "LZpeak"}

// NeedsOf gives the settings the profiles ask for: levels each second, slow-weighted ones for doses of more than 3 dB a
// doubling (OSHA letter of interpretation, 10 December 1986: equivalent levels do not give them), C-weighted peaks for limits
// of C-weighted peaks. A dosimeter may have to log several at once.
func NeedsOf(profiles []exposure.Profile) []Setting {
	needs := []Setting{}
	add := func(quantity string) {
		if !slices.ContainsFunc(needs, func(s Setting) bool { return s.Quantity == quantity }) {
			needs = append(needs, Setting{quantity, 1})
		}
	}
	for _, p := range profiles {
		if p.Dose != nil && p.Response == "slow" && p.Dose.ExchangeDB > 3.5 {
			add(string(exposure.LASmax))
		} else {
			add(string(exposure.LAeq))
		}
		for _, l := range p.Limits {
			if l.PeakWeighting == "C" {
				add("LCpeak")
			}
		}
	}
	return needs
}

// Label is what people call the survey.
func (s Survey) Label() string { return SurveyLabel(s.Number) }

// SurveyLabel writes the short number of a survey.
func SurveyLabel(n int) string { return "S-" + strconv.Itoa(n) }

// ResultLabel writes the short number of a result.
func ResultLabel(n int) string { return "R-" + strconv.Itoa(n) }

// ReturnLabel writes the short number of a return.
func ReturnLabel(n int) string { return "return " + strconv.Itoa(n) }

// Worker is a person under a pseudonym. The name, where it is kept at all, lives in one protected table and nowhere else.
type Worker struct {
	ID        ident.ID  `json:"id"`
	Client    ident.ID  `json:"client"`
	Pseudonym string    `json:"pseudonym"` // unique within the client, whatever the case
	Entered   time.Time `json:"entered"`
	By        string    `json:"by"`
}
