package fleet

import (
	"slices"
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// ReasonKind sorts reasons of "not fit" by what can be done about them.
type ReasonKind string

// The kinds. The desk refuses on blocking reasons; work can be planned before the hand-out; unknown needs somebody to look.
const (
	Blocking ReasonKind = "blocking"
	Work     ReasonKind = "work"
	Unknown  ReasonKind = "unknown"
)

// ReasonCode names a reason for programs.
type ReasonCode string

// The reasons.
const (
	ReasonCertificate  ReasonCode = "certificate"   // not covered for the whole interval
	ReasonHold         ReasonCode = "hold"          // held back until signed off
	ReasonPromise      ReasonCode = "promise"       // promised to somebody else
	ReasonCustody      ReasonCode = "custody"       // still out, at a laboratory, lost, retired
	ReasonHire         ReasonCode = "hire"          // outside the hire dates
	ReasonCharge       ReasonCode = "charge"        // not full
	ReasonTopUp        ReasonCode = "top-up"        // idle past its top-up interval
	ReasonChargeRecord ReasonCode = "charge-record" // no charge history
	ReasonUnread       ReasonCode = "unread"        // data not read or not accepted
	ReasonClear        ReasonCode = "clear"         // memory full of data that were read: to be cleared
	ReasonPower        ReasonCode = "power"         // charger whose power nobody has seen
	ReasonEmpty        ReasonCode = "empty"         // a kit without units
)

// Evidence points at the record a reason rests on.
type Evidence struct {
	Noun  string   `json:"noun"` // "certificate", "fact", "booking"
	ID    ident.ID `json:"id"`
	Label string   `json:"label"` // what people call it
}

// Reason is one cause of "not fit", with what it rests on and when it clears by itself or by planned work.
type Reason struct {
	Kind     ReasonKind        `json:"kind"`
	Code     ReasonCode        `json:"code"`
	Form     string            `json:"form"` // which sentence of the catalogue
	Args     map[string]string `json:"args,omitempty"`
	Clears   time.Time         `json:"clears,omitzero"` // zero: nobody knows
	Evidence []Evidence        `json:"evidence"`
}

// State is the one word (and mark) a unit is shown with.
type State string

// The states, in the order of how much they need a person.
const (
	StateHeld    State = "held back"
	StateUnread  State = "unread data"
	StateNotFit  State = "not fit"
	StateUnknown State = "unknown"
	StateDueSoon State = "due soon"
	StateOut     State = "out"
	StateFit     State = "fit"
)

// States lists the states, the one that needs a person most first.
func States() []State {
	return []State{StateHeld, StateUnread, StateNotFit, StateUnknown, StateDueSoon, StateOut, StateFit}
}

// Need ranks a state by how much it needs a person: 0 for the most.
func (s State) Need() int { return slices.Index(States(), s) }

// Verdict is the answer to "is this unit fit for that interval, as known at that moment?".
type Verdict struct {
	Unit      ident.ID   `json:"unit"`
	Span      Span       `json:"span"`
	AsKnownAt time.Time  `json:"as_known_at"`
	Fit       bool       `json:"fit"` // no reason of any kind
	State     State      `json:"state"`
	Reasons   []Reason   `json:"reasons"`
	CertEnds  civil.Date `json:"certificate_ends,omitzero"` // last covered day of the coverage in force at the span's start
	FullBy    time.Time  `json:"full_by,omitzero"`          // when the next full charge is due; zero: kept full, none needed or unknown
	Contra    []string   `json:"contradictions,omitempty"`  // facts that cannot both be true, in words
}

// Blocked reports whether a blocking reason stands.
func (v Verdict) Blocked() bool {
	for _, r := range v.Reasons {
		if r.Kind == Blocking {
			return true
		}
	}
	return false
}

// Promise is a unit promised to a booking for an interval (lead and lag included).
type Promise struct {
	Unit    ident.ID `json:"unit"`
	Booking ident.ID `json:"booking"`
	Client  ident.ID `json:"client,omitzero"`
	Span    Span     `json:"span"`
	Label   string   `json:"label"` // "S-112, T. Osk"; empty across a client wall

	Entered time.Time `json:"entered,omitzero"` // when the promise was made; zero: before anybody asks
	Gone    time.Time `json:"gone,omitzero"`    // when it was given up or replaced; zero: it stands
}

// Dossier is everything the rules need to know about one unit. Facts are ordered by Occurred, then Entered, then ID.
type Dossier struct {
	Unit     Unit                `json:"unit"`
	Model    Model               `json:"model"`
	Depot    Depot               `json:"depot"`
	Kit      ident.ID            `json:"kit,omitzero"` // present kit, zero for none
	KitCode  string              `json:"kit_code,omitempty"`
	Facts    []Fact              `json:"facts"`
	Lines    []Line              `json:"lines"`
	Promises []Promise           `json:"promises"`        // sorted by From
	Power    map[ident.ID]Supply `json:"power,omitempty"` // the chargers it ever stood on
	For      ident.ID            `json:"for,omitzero"`    // the booking under test: its own promise and hand-out do not count against it
}

// Supply is what is known of the power of one charger.
type Supply struct {
	Tag   string `json:"tag"`
	Hours int    `json:"hours"` // how long a sighting holds; 0: until the next one
	Facts []Fact `json:"facts"` // PowerSeen and Retracted, ordered as in Dossier
}
