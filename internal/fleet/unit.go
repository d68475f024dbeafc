package fleet

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// Kind says what a unit is. Kinds are data of the model, the list is closed because the rules differ.
type Kind string

// The kinds of unit.
const (
	Dosimeter  Kind = "dosimeter"
	Calibrator Kind = "calibrator"
	Meter      Kind = "sound level meter"
	Charger    Kind = "charger"
	DataLink   Kind = "data link"
)

// Model is a make and type of unit with the rules that hold for all of them. Durations and intervals are owner's data.
type Model struct {
	ID       ident.ID `json:"id"`
	Name     string   `json:"name"`
	Maker    string   `json:"maker"`
	Kind     Kind     `json:"kind"`
	ClassStd string   `json:"class"` // class and standard as printed on the unit, e.g. "IEC 61252", "IEC 60942 class 1"

	ChargeMinutes int `json:"charge_minutes"` // a full charge; 0: not rechargeable by kitd's rules
	TopUpDays     int `json:"top_up_days"`    // longest idle time off the charger
	ReadyDays     int `json:"ready_days"`     // days "full" counts off the charger before a survey
	RunMinutes    int `json:"run_minutes"`    // run time on a full charge
	Positions     int `json:"positions"`      // charger places, for chargers

	CalibrationMonths int  `json:"calibration_months"` // laboratory interval; 0: needs no certificate
	MemoryRuns        int  `json:"memory_runs"`        // runs the memory holds before it must be cleared; at least 1
	HoldsData         bool `json:"holds_data"`         // a wear leaves data in the unit
}

// Ownership says whose unit it is.
type Ownership string

// The forms of ownership. Rented and client-owned units are bounded by their hire dates.
const (
	Owned       Ownership = "owned"
	Rented      Ownership = "rented"
	ClientOwned Ownership = "client-owned"
)

// Unit is one physical thing with a tag and a serial.
type Unit struct {
	ID         ident.ID   `json:"id"`
	Tag        string     `json:"tag"`    // unique whatever the case; shown as entered
	Serial     string     `json:"serial"` // of the body
	Model      ident.ID   `json:"model"`
	Depot      ident.ID   `json:"depot"`      // home
	Microphone string     `json:"microphone"` // serial at entry; later ones are facts
	Firmware   string     `json:"firmware"`   // at entry; later ones are facts
	Ownership  Ownership  `json:"ownership"`
	Client     ident.ID   `json:"client"`    // owner, for client-owned units
	HireFrom   civil.Date `json:"hire_from"` // zero: unbounded
	HireTo     civil.Date `json:"hire_to"`   // last day, included
	Entered    time.Time  `json:"entered"`
	Version    int        `json:"version"`
}

// Depot is where kits live.
type Depot struct {
	ID      ident.ID `json:"id"`
	Name    string   `json:"name"`
	Code    string   `json:"code"` // short, unique, used in addresses
	Zone    string   `json:"zone"` // IANA name
	Hours   []Hours  `json:"hours"`
	Version int      `json:"version"`
}

// Hours is one staffed period of a weekday in the depot's zone, in minutes from midnight.
type Hours struct {
	Weekday time.Weekday `json:"weekday"`
	From    int          `json:"from"`
	To      int          `json:"to"`
}

// Kit is a named case of units; its composition is dated.
type Kit struct {
	ID      ident.ID `json:"id"`
	Name    string   `json:"name"`
	Code    string   `json:"code"` // short, unique, used in addresses and calendars
	Depot   ident.ID `json:"depot"`
	Version int      `json:"version"`
}

// Membership puts a unit in a kit from one instant to another; a zero To means until further notice.
type Membership struct {
	Kit  ident.ID  `json:"kit"`
	Unit ident.ID  `json:"unit"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}
