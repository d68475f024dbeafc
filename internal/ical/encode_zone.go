package ical

import (
	"fmt"
	"time"
)

// timezone writes the VTIMEZONE of the calendar's zone (RFC 5545, 3.6.5): each change of offset that its times can meet, one
// by one, so that a reader needs no rule and no data of its own.
func (w *writer) timezone(c Calendar) {
	from, to := reachOf(c)
	if from.IsZero() {
		return
	}
	w.raw("BEGIN", "VTIMEZONE")
	w.text("TZID", c.Zone.String())
	t := from.In(c.Zone)
	start, _ := t.ZoneBounds()
	if start.IsZero() {
		start = time.Date(FirstYear, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	for n := 0; n < MaxObservances; n++ {
		w.observance(start.In(c.Zone))
		_, next := start.In(c.Zone).ZoneBounds()
		if next.IsZero() || next.After(to) {
			break
		}
		start = next
	}
	w.raw("END", "VTIMEZONE")
}

// reachOf is the span of the calendar's times, with room for a client that moves an event to next year.
func reachOf(c Calendar) (from, to time.Time) {
	from, to = c.Reach[0], c.Reach[1]
	for _, e := range c.Events {
		if from.IsZero() || e.Start.Before(from) {
			from = e.Start
		}
		if e.End.After(to) {
			to = e.End
		}
		for _, p := range e.More {
			if p.End.After(to) {
				to = p.End
			}
		}
	}
	return from, to.AddDate(1, 0, 0)
}

// observance writes the part that begins with the change at t: its onset is read with the offset before the change.
func (w *writer) observance(t time.Time) {
	name, offset := t.Zone()
	_, before := t.Add(-time.Second).Zone()
	part := "STANDARD"
	if t.IsDST() {
		part = "DAYLIGHT"
	}
	w.raw("BEGIN", part)
	w.raw("DTSTART", t.UTC().Add(time.Duration(before)*time.Second).Format("20060102T150405"))
	w.raw("TZOFFSETFROM", offsetText(before))
	w.raw("TZOFFSETTO", offsetText(offset))
	w.text("TZNAME", name)
	w.raw("END", part)
}

func offsetText(seconds int) string {
	sign := '+'
	if seconds < 0 {
		sign, seconds = '-', -seconds
	}
	s := fmt.Sprintf("%c%02d%02d", sign, seconds/3600, seconds/60%60)
	if seconds%60 != 0 {
		s += fmt.Sprintf("%02d", seconds%60)
	}
	return s
}
