package fleet

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/ident"
)

// Fact is something that happened to a unit. Facts are appended, never changed: they carry when it happened and when it was
// entered, a wrong one is retracted by a later one, contradicting facts both stand.
type Fact struct {
	ID       ident.ID  `json:"id"`
	Unit     ident.ID  `json:"unit"`
	Occurred time.Time `json:"occurred"`
	Entered  time.Time `json:"entered"`
	By       string    `json:"by"` // account name
	Note     string    `json:"note,omitempty"`
	Body     Body      `json:"body"`
}

// LateAfter is how long after it happened a fact counts as entered late where nobody asks for another time.
const LateAfter = time.Hour

// Late reports whether the fact was entered more than d after it happened.
func (f Fact) Late(d time.Duration) bool { return f.Entered.Sub(f.Occurred) > d }

// Body is what a fact says. FactKind is the stable name under which it is stored.
type Body interface{ FactKind() string }

// The bodies of facts.
type (
	// ChargeOn: the unit was put on a charger position.
	ChargeOn struct {
		Charger  ident.ID `json:"charger"`
		Position int      `json:"position"` // from 1
	}
	// ChargeOff: the unit was taken off; Full is what the person saw, nil when nobody looked.
	ChargeOff struct {
		Full *bool `json:"full,omitempty"`
	}
	// PowerSeen is said of a charger: power was good (or not) at that moment.
	PowerSeen struct {
		Good bool `json:"good"`
	}
	// Opening sets the charge state of a unit at go-live by a named statement.
	Opening struct {
		Full      bool   `json:"full"`
		Statement string `json:"statement"`
	}
	// Custody: the unit changed hands or place.
	Custody struct {
		State   CustodyState `json:"state"`
		Depot   ident.ID     `json:"depot,omitzero"`   // in depot, or where it is due back
		Booking ident.ID     `json:"booking,omitzero"` // out on which booking
		Client  ident.ID     `json:"client,omitzero"`  // whose booking, so that the wall hides holder and booking
		Holder  string       `json:"holder,omitempty"` // who has it
		Due     time.Time    `json:"due,omitzero"`     // when it is expected back
	}
	// Held: taken out of service until signed off.
	Held struct {
		Reason string `json:"reason"`
		Rule   string `json:"rule,omitempty"` // name of the rule, empty when a person held it
	}
	// SignedOff ends a hold.
	SignedOff struct {
		Hold   ident.ID `json:"hold"` // the Held fact
		Reason string   `json:"reason"`
	}
	// Worn: a wear ended; the unit holds its data until the return is accepted.
	Worn struct {
		Wear    ident.ID `json:"wear"`
		Client  ident.ID `json:"client,omitzero"`
		Minutes int      `json:"minutes"` // run time used
	}
	// ReturnAccepted: the data of a wear were read and accepted.
	ReturnAccepted struct {
		Wear ident.ID `json:"wear"`
	}
	// Cleared: the memory was cleared. Reason names the override where unread data were lost.
	Cleared struct {
		Reason string `json:"reason,omitempty"`
	}
	// CoverageEnded: a repair, a new microphone or metrological firmware ended the certificate's coverage at once.
	CoverageEnded struct {
		Cause      string `json:"cause"`                // "repair", "microphone", "firmware"
		Microphone string `json:"microphone,omitempty"` // new serial
		Firmware   string `json:"firmware,omitempty"`   // new version
	}
	// Extended: the due date of a certificate line was moved by a named decision; printed on results.
	Extended struct {
		Line   ident.ID   `json:"line"`
		Due    civil.Date `json:"due"`
		Reason string     `json:"reason"`
	}
	// Retracted: an earlier fact was wrong.
	Retracted struct {
		Fact   ident.ID `json:"fact"`
		Reason string   `json:"reason"`
	}
)

// CustodyState says where a unit is.
type CustodyState string

// The states of custody.
const (
	InDepot      CustodyState = "in depot"
	Out          CustodyState = "out"
	AtLaboratory CustodyState = "at laboratory"
	InTransit    CustodyState = "in transit"
	Lost         CustodyState = "lost"
	Retired      CustodyState = "retired"
)

// FactKind names the body for storage.
func (ChargeOn) FactKind() string { return "charge-on" }

// FactKind names the body for storage.
func (ChargeOff) FactKind() string { return "charge-off" }

// FactKind names the body for storage.
func (PowerSeen) FactKind() string { return "power-seen" }

// FactKind names the body for storage.
func (Opening) FactKind() string { return "opening" }

// FactKind names the body for storage.
func (Custody) FactKind() string { return "custody" }

// FactKind names the body for storage.
func (Held) FactKind() string { return "held" }

// FactKind names the body for storage.
func (SignedOff) FactKind() string { return "signed-off" }

// FactKind names the body for storage.
func (Worn) FactKind() string { return "worn" }

// FactKind names the body for storage.
func (ReturnAccepted) FactKind() string { return "return-accepted" }

// FactKind names the body for storage.
func (Cleared) FactKind() string { return "cleared" }

// FactKind names the body for storage.
func (CoverageEnded) FactKind() string { return "coverage-ended" }

// FactKind names the body for storage.
func (Extended) FactKind() string { return "extended" }

// FactKind names the body for storage.
func (Retracted) FactKind() string { return "retracted" }
