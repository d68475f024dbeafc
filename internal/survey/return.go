package survey

import (
	"time"

	"kitd/internal/exposure"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// Return is the measurement that comes back from a wear. Its original bytes stay in the archive unchanged; what was read from
// them is kept beside it in packed form.
type Return struct {
	ID       ident.ID    `json:"id"`
	Number   int         `json:"number"`
	Client   ident.ID    `json:"client,omitzero"` // zero until it is linked: then only who sent it in, and accounts that see every client, see it
	Sender   ident.ID    `json:"sender,omitzero"` // account
	Name     string      `json:"name"`            // of the file as sent
	File     string      `json:"file"`            // SHA-256 of the original, hex
	Size     int64       `json:"size"`            // bytes
	Received time.Time   `json:"received"`
	By       string      `json:"by"`
	State    ReturnState `json:"state"`
	Wear     ident.ID    `json:"wear,omitzero"`
	UnitName string      `json:"unit_name"` // tag as written in the file
	Serial   string      `json:"serial"`    // serial as written in the file
	History  Stored      `json:"history"`
	Clock    Clock       `json:"clock"`
	Version  int         `json:"version"`

	Reviews    []Review    `json:"reviews,omitempty"`    // in the order they were made; the last one counts
	Candidates []Candidate `json:"candidates,omitempty"` // while it needs linking: wears in sight of whoever asks
}

// ReturnState is where a return stands.
type ReturnState string

// The states of a return.
const (
	NeedsLinking ReturnState = "needs linking"
	Linked       ReturnState = "linked"
	Accepted     ReturnState = "accepted"
	Rejected     ReturnState = "rejected"
)

// Stored is a time history in packed form: hashes name the packed levels and peaks in the archive.
type Stored struct {
	Start         time.Time         `json:"start"` // of the first step, as the instrument's clock had it
	StepSeconds   float64           `json:"step_s"`
	Count         int               `json:"count"`
	Quantity      exposure.Quantity `json:"quantity"`
	PerDB         int               `json:"per_db"` // steps of one decibel
	Levels        string            `json:"levels"`
	Peaks         string            `json:"peaks,omitempty"`
	PeaksPerDB    int               `json:"peaks_per_db,omitempty"`
	PeakWeighting string            `json:"peak_weighting,omitempty"`
	StartTaken    bool              `json:"start_taken,omitempty"` // the file names no start: that of the wear was taken
	Gaps          []exposure.Steps  `json:"gaps,omitempty"`
}

// Length is the time the history spans.
func (s Stored) Length() time.Duration {
	return time.Duration(float64(s.Count) * s.StepSeconds * float64(time.Second))
}

// Clock is how far the instrument's clock was ahead of true time when it was read out. It is a step that can be taken back:
// the times in the original and in the history stay as the instrument had them.
type Clock struct {
	OffsetMS int64  `json:"offset_ms"` // milliseconds the instrument was ahead
	Reason   string `json:"reason,omitempty"`
}

// Start is the true time of the first step.
func (r Return) Start() time.Time {
	return r.History.Start.Add(-time.Duration(r.Clock.OffsetMS) * time.Millisecond)
}

// Span is the true time the history covers.
func (r Return) Span() fleet.Span {
	return fleet.Span{From: r.Start(), To: r.Start().Add(r.History.Length())}
}

// Label is what people call the return.
func (r Return) Label() string { return ReturnLabel(r.Number) }

// Review is one person's word on a return. Reviews are appended; the last one counts.
type Review struct {
	ID         ident.ID             `json:"id"`
	Return     ident.ID             `json:"return"`
	Wear       ident.ID             `json:"wear"` // it was linked to then
	Verdict    ReturnState          `json:"verdict"`
	At         time.Time            `json:"at"`
	By         string               `json:"by"`
	Reason     string               `json:"reason,omitempty"`
	Exclusions []exposure.Exclusion `json:"exclusions,omitempty"`
	Fact       ident.ID             `json:"fact,omitzero"` // the fleet fact that the data were read and accepted
}

// Last is the review that counts; false when there is none.
func (r Return) Last() (Review, bool) {
	if len(r.Reviews) == 0 {
		return Review{}, false
	}
	return r.Reviews[len(r.Reviews)-1], true
}
