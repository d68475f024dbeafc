package caldav

import (
	"fmt"
	"strings"
	"time"

	"kitd/internal/ical"
	"kitd/internal/schedule"
)

// content is the object of a booking: what a client sent, byte for byte, or the booking rendered. It depends on nothing but the
// booking, so that equal ETags mean equal bytes.
func content(b schedule.Booking) []byte {
	if b.Calendar.Raw != nil {
		return b.Calendar.Raw
	}
	return ical.Encode(ical.Calendar{Zone: zoneOf(b), Events: []ical.Entry{entryOf(b)}})
}

// zoneOf is the zone a booking was made in; nil for one given in instants.
func zoneOf(b schedule.Booking) *time.Location {
	loc := ical.Location(b.Occurrences[0].FromCivil.Zone)
	if loc == nil || loc.String() == "UTC" {
		return nil
	}
	return loc
}

// entryOf renders a booking.
func entryOf(b schedule.Booking) ical.Entry {
	first := b.Occurrences[0].Span
	e := ical.Entry{
		UID: b.Calendar.UID, Stamp: b.Changed, Created: b.Entered, Modified: b.Changed, Sequence: b.Version - 1,
		Start: first.From, End: first.To, Summary: b.Title, Description: describe(b), Status: "CONFIRMED",
	}
	if e.Summary == "" {
		e.Summary = b.Label()
	}
	if b.State == schedule.AtRisk {
		e.Status = "TENTATIVE"
	}
	for _, o := range b.Occurrences[1:] {
		e.More = append(e.More, ical.Period{Start: o.Span.From, End: o.Span.To})
	}
	return e
}

// describe says what a booking holds, in lines.
func describe(b schedule.Booking) string {
	lines := []string{fmt.Sprintf("Booking %s for %s: %s.", b.Label(), b.OwnerName, b.State)}
	tags := make([]string, len(b.Units))
	for i, u := range b.Units {
		tags[i] = u.Tag
	}
	if len(tags) > 0 {
		lines = append(lines, "Units: "+strings.Join(tags, ", "))
	}
	for _, r := range b.Risk {
		for _, reason := range r.Reasons {
			lines = append(lines, r.Tag+": "+reason.Text())
		}
	}
	return strings.Join(lines, "\n")
}
