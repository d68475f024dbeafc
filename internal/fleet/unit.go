package fleet

import (
	"time"
	_ "time/tzdata" // zones must be known on machines without zone files

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
	TopUpDays     int `json:"top_up_days"`    // longest time from one full charge to the next; 0: no such rule
	ReadyDays     int `json:"ready_days"`     // days of 24 hours "full" counts off the charger before a survey; 0: no limit by days
	RunMinutes    int `json:"run_minutes"`    // run time on a full charge
	Positions     int `json:"positions"`      // charger places, for chargers
	PowerHours    int `json:"power_hours"`    // chargers: how long a sighting of power holds; 0: until the next one

	CalibrationMonths int  `json:"calibration_months"` // laboratory interval; 0: needs no certificate
	MemoryRuns        int  `json:"memory_runs"`        // runs the memory holds before it must be cleared; at least 1
	HoldsData         bool `json:"holds_data"`         // a wear leaves data in the unit

	Entered time.Time `json:"entered"`
	Version int       `json:"version"`
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

// Membership puts a unit in a kit from one instant to another; a zero To means until further notice. Both ends are told
// separately, so each has its moment of entry.
type Membership struct {
	Kit     ident.ID  `json:"kit"`
	Unit    ident.ID  `json:"unit"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to,omitzero"`
	Entered time.Time `json:"entered"`
	Ended   time.Time `json:"ended,omitzero"` // when To was entered
}

// Location is the depot's zone. Zones are checked when a depot is entered; one that the zone data no longer know counts as UTC.
func (d Depot) Location() *time.Location {
	loc, err := time.LoadLocation(d.Zone)
	if err != nil {
		return time.UTC
	}
	return loc
}
