package store

import (
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/notify"
)

// Lapses gives every unit in service, within the actor's walls, whose certificate coverage ends on or before until.
func (tx *Tx) Lapses(until civil.Date) ([]notify.Lapse, error) {
	now := tx.now()
	span := fleet.Span{From: now, To: now.Add(time.Millisecond)}
	pool, err := tx.Pool(span, now)
	if err != nil {
		return nil, err
	}
	var lapses []notify.Lapse
	for _, b := range pool.Scan(span, now, 0) {
		if b.Ends.IsZero() || b.Ends.After(until) {
			continue
		}
		d, ok := pool.Dossier(b.Unit)
		if !ok {
			continue
		}
		if place := fleet.Whereabouts(d, now, now); place.State == fleet.Lost || place.State == fleet.Retired {
			continue
		}
		lapses = append(lapses, lapse(d, b.Ends, now))
	}
	return lapses, nil
}

// lapse names the bookings that reach beyond the last covered day and are not over.
func lapse(d fleet.Dossier, ends civil.Date, now time.Time) notify.Lapse {
	loc := d.Depot.Location()
	l := notify.Lapse{Unit: d.Unit.ID, Tag: d.Unit.Tag, Owner: d.Unit.Client, Kind: d.Model.Kind, Depot: d.Depot.ID, DepotName: d.Depot.Name, Zone: loc, Due: ends}
	latest := civil.Date{}
	for _, line := range d.Lines {
		if line.Superseded.IsZero() && !line.Calibrated.Before(latest) {
			latest, l.Certificate, l.Since = line.Calibrated, line.Number, line.Entered
		}
	}
	for _, p := range d.Promises {
		if p.Gone.IsZero() && p.Span.To.After(ends.End(loc)) && p.Span.To.After(now) {
			l.Breaks = append(l.Breaks, notify.Broken{Booking: p.Booking, Client: p.Client, Label: p.Label, Span: p.Span})
		}
	}
	return l
}

// ToRemind gives the coordinators with an address who keep their account, with what each may see.
func (tx *Tx) ToRemind() ([]notify.Recipient, error) {
	all, err := tx.Accounts()
	var to []notify.Recipient
	for _, a := range all {
		if a.Role == access.Coordinator && !a.Disabled && a.Mail != "" {
			to = append(to, notify.Recipient{Account: a.ID, Name: a.Display, Address: a.Mail, Scope: a.Scope()})
		}
	}
	return to, err
}

var _ notify.Store = (*Tx)(nil)
