package exchange

import (
	"context"
	"io"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// Counter gives tables out and takes them in, through the services that keep what is in them and within the actor's walls.
type Counter struct {
	Pool   Pool
	Desk   Desk
	Office Office
}

// Pool is what the counter needs of the fleet; *fleet.Keeper says what each does.
type Pool interface {
	Everything(ctx context.Context, who access.Actor) ([]fleet.Dossier, error)
	Documents(ctx context.Context, who access.Actor) ([]fleet.Certificate, error)
	Depots(ctx context.Context, who access.Actor) ([]fleet.Depot, error)
	Kits(ctx context.Context, who access.Actor, depot ident.ID) ([]fleet.Kit, error)
	Laboratories(ctx context.Context, who access.Actor) ([]fleet.Laboratory, error)
	Import(ctx context.Context, who access.Actor, b fleet.Batch) (fleet.Report, error)
}

// Desk is what the counter needs of the desk.
type Desk interface {
	List(ctx context.Context, who access.Actor, q schedule.Query) (schedule.Page, error)
}

// Office is what the counter needs of surveys.
type Office interface {
	Clients(ctx context.Context, who access.Actor) ([]survey.Client, error)
	Checks(ctx context.Context, who access.Actor) ([]survey.Checked, error)
}

// Write writes everything of the noun that the actor sees, as a workbook or as CSV.
func (c Counter) Write(ctx context.Context, who access.Actor, n Noun, book bool, w io.Writer) error {
	s, err := c.Sheet(ctx, who, n)
	if err != nil {
		return err
	}
	if book {
		return WriteBook(w, s)
	}
	return WriteCSV(w, s)
}

// Sheet gathers everything of the noun that the actor sees.
func (c Counter) Sheet(ctx context.Context, who access.Actor, n Noun) (Sheet, error) {
	units, err := c.Pool.Everything(ctx, who)
	if err != nil {
		return Sheet{}, err
	}
	names, err := c.names(ctx, who, units)
	if err != nil {
		return Sheet{}, err
	}
	switch n {
	case Fleet:
		return FleetSheet(units, names), nil
	case Certificates:
		all, err := c.Pool.Documents(ctx, who)
		return CertificateSheet(all, names), err
	case Bookings:
		all, err := c.bookings(ctx, who)
		return BookingSheet(all, names), err
	case Checks:
		all, err := c.Office.Checks(ctx, who)
		return CheckSheet(all, names), err
	}
	return Sheet{}, fault.New(fault.NotThere, "noun", "table")
}

func (c Counter) bookings(ctx context.Context, who access.Actor) ([]schedule.Booking, error) {
	var all []schedule.Booking
	for q := (schedule.Query{Limit: 500}); ; {
		page, err := c.Desk.List(ctx, who, q)
		if err != nil {
			return nil, err
		}
		all = append(all, page.Bookings...)
		if q.After = page.Next; page.Next == "" {
			return all, nil
		}
	}
}

func (c Counter) names(ctx context.Context, who access.Actor, units []fleet.Dossier) (Names, error) {
	n := Names{Units: map[ident.ID]string{}}
	for _, d := range units {
		n.Units[d.Unit.ID] = d.Unit.Tag
	}
	clients, err := c.Office.Clients(ctx, who)
	if err != nil {
		return n, err
	}
	depots, err := c.Pool.Depots(ctx, who)
	if err != nil {
		return n, err
	}
	kits, err := c.Pool.Kits(ctx, who, ident.ID{})
	if err != nil {
		return n, err
	}
	labs, err := c.Pool.Laboratories(ctx, who)
	n.Clients = named(clients, func(x survey.Client) (ident.ID, string) { return x.ID, x.Code })
	n.Depots = named(depots, func(x fleet.Depot) (ident.ID, string) { return x.ID, x.Code })
	n.Kits = named(kits, func(x fleet.Kit) (ident.ID, string) { return x.ID, x.Code })
	n.Labs = named(labs, func(x fleet.Laboratory) (ident.ID, string) { return x.ID, x.Name })
	return n, err
}

func named[T any](all []T, one func(T) (ident.ID, string)) map[ident.ID]string {
	names := make(map[ident.ID]string, len(all))
	for _, x := range all {
		id, name := one(x)
		names[id] = name
	}
	return names
}

// Try says what taking the table in would do, and stores nothing. Faults name row and column as people find them in the table.
func (c Counter) Try(ctx context.Context, who access.Actor, t *Table) (fleet.Report, error) {
	return c.hand(ctx, who, t, fleet.Batch{DryRun: true})
}

// Take takes the table in. With expect, the Digest of a try, it does so only if that would still do the same (fault.Changed).
func (c Counter) Take(ctx context.Context, who access.Actor, t *Table, expect string) (fleet.Report, error) {
	return c.hand(ctx, who, t, fleet.Batch{Expect: expect})
}

func (c Counter) hand(ctx context.Context, who access.Actor, t *Table, b fleet.Batch) (fleet.Report, error) {
	clients, err := c.Office.Clients(ctx, who)
	if err != nil {
		return fleet.Report{}, err
	}
	switch t.Noun {
	case Fleet:
		b.Units, err = t.Units(func(code string) (ident.ID, bool) {
			for _, x := range clients {
				if fleet.FoldTag(x.Code) == fleet.FoldTag(code) {
					return x.ID, true
				}
			}
			return ident.ID{}, false
		})
	case Certificates:
		b.Certificates, err = t.CertificateRows()
	}
	if err != nil {
		return fleet.Report{}, err
	}
	report, err := c.Pool.Import(ctx, who, b)
	if err != nil {
		return report, Placed(t.Noun, err)
	}
	spell(t.Noun, report.Added, clients)
	spell(t.Noun, report.Changed, clients)
	return report, nil
}

// spell writes the fields of a report as columns, and clients by their codes.
func spell(n Noun, all []fleet.Planned, clients []survey.Client) {
	codes := map[string]string{}
	for _, x := range clients {
		codes[x.ID.String()] = x.Code
	}
	for _, p := range all {
		for i := range p.Differences {
			d := &p.Differences[i]
			if d.Field == "client" {
				d.Before, d.After = codes[d.Before], codes[d.After]
			}
			d.Field = n.spelled(d.Field)
		}
	}
}

// spelled is the column of a field that may stand behind a tag: "D-001, due".
func (n Noun) spelled(field string) string {
	for i := len(field) - 2; i >= 0; i-- {
		if field[i:i+2] == ", " {
			return field[:i+2] + n.heading(field[i+2:])
		}
	}
	return n.heading(field)
}
