package survey

import (
	"time"

	"kitd/internal/ident"
)

// Check is a field check: a calibrator on the microphone before or after a wear.
type Check struct {
	ID           ident.ID  `json:"id"`
	Client       ident.ID  `json:"client"`
	Wear         ident.ID  `json:"wear"`
	Unit         ident.ID  `json:"unit"`
	Calibrator   ident.ID  `json:"calibrator"`
	When         When      `json:"when"`
	At           time.Time `json:"at"`
	IndicatedDB  DB        `json:"indicated_db"`          // before any adjustment
	Adjusted     bool      `json:"adjusted"`              // whether the dosimeter was adjusted to the calibrator
	AdjustedDB   *DB       `json:"adjusted_db,omitempty"` // reading after the adjustment
	TemperatureC *float64  `json:"temperature_c,omitempty"`
	PressureHPa  *float64  `json:"pressure_hpa,omitempty"`
	Place        string    `json:"place,omitempty"`
	Entered      time.Time `json:"entered"`
	By           string    `json:"by"`
}

// When says on which side of the wear a check lies.
type When string

// The two sides.
const (
	Before When = "before"
	After  When = "after"
)

// Settled is the reading the dosimeter started from: after the adjustment if there was one.
func (c Check) Settled() DB {
	if c.Adjusted && c.AdjustedDB != nil {
		return *c.AdjustedDB
	}
	return c.IndicatedDB
}

// wrong says what makes the check unreadable, as a field and a text; empty when nothing does.
func (c Check) wrong() (field, text string) {
	out := func(d DB) bool { return d < LowestDB || d > HighestDB }
	switch {
	case c.When != Before && c.When != After:
		return "when", "a check is made before or after the wear"
	case c.Wear.IsZero():
		return "wear", "name the wear the check belongs to"
	case c.Calibrator.IsZero():
		return "calibrator", "name the calibrator"
	case c.At.IsZero():
		return "at", "say when the check was made"
	case out(c.IndicatedDB):
		return "indicated_db", "a level lies between -20 and 200 dB"
	case c.Adjusted && c.AdjustedDB == nil:
		return "adjusted_db", "give the reading after the adjustment"
	case !c.Adjusted && c.AdjustedDB != nil:
		return "adjusted_db", "there is a reading after an adjustment, but no adjustment"
	case c.AdjustedDB != nil && out(*c.AdjustedDB):
		return "adjusted_db", "a level lies between -20 and 200 dB"
	case c.TemperatureC != nil && !(*c.TemperatureC > -90 && *c.TemperatureC < 90):
		return "temperature_c", "a temperature lies between -90 and 90 degrees Celsius"
	case c.PressureHPa != nil && !(*c.PressureHPa > 300 && *c.PressureHPa < 1200):
		return "pressure_hpa", "a static pressure lies between 300 and 1200 hPa"
	}
	return "", ""
}
