package demo

import (
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// present makes the work that waits today: something out, something held, something at the laboratory, something mistyped.
func (s *story) present() {
	s.at(quern, -3, 14, 0)
	s.facts(fleet.Fact{Unit: s.units["C-004"].ID, Body: fleet.Held{Reason: "Two dosimeters failed on it; compare it with C-003 before anything else."}},
		fleet.Fact{Unit: s.units["D-014"].ID, Body: fleet.Custody{State: fleet.AtLaboratory, Depot: s.depots[quern].ID, Holder: "Ostrey Metrology", Due: s.day(quern, 6, 17)}})
	s.charge(harrow, -2, series("D", 5, 8)...)
	out := visit{depot: harrow, kit: "K-02", client: "BRF", title: "Bracken Forge, repeat after new dampers"}
	s.at(harrow, -2, 14, 0)
	booking := s.bookDays(out, 0, 1)
	s.handOut(out, booking, s.at(harrow, -1, 15, 30))
	// The booking of D-009 was made while its certificate seemed to cover it.
	s.at(harrow, -1, 16, 0)
	s.try("book D-009", func() error {
		_, err := s.Desk.Book(s.ctx, s.surveyor, s.wish("Sallow Quay, one more fettler", harrow, "SQF", ident.ID{}, schedule.Ask{Unit: s.units["D-009"].ID}, 11, 7, 12, 16))
		return err
	})
	s.correct()
	s.onCharge(harrow, s.at(harrow, -1, 17, 0), append(series("D", 1, 4), "D-009", "D-010")...)
	s.onCharge(quern, s.at(quern, -1, 8, 30), "D-011")
}

// correct enters the certificate of D-009 anew: the year of the calibration date had been mistyped.
func (s *story) correct() {
	s.try("correct KL-3129", func() error {
		view, err := s.Pool.Unit(s.ctx, s.coordinator, "D-009", s.span(harrow, 0, 1), s.Clock.Now())
		if err != nil {
			return err
		}
		wrong := view.Dossier.Lines[0]
		fixed := wrong
		fixed.ID, fixed.Due = ident.ID{}, fleet.Line{}.Due
		_, err = s.Pool.EnterCertificate(s.ctx, s.coordinator, fleet.Certificate{Number: "KL-3129", Laboratory: s.labs["Kestle Laboratory"].ID,
			Calibrated: s.today.AddDays(-357), Issued: s.today.AddDays(-355), Supersedes: wrong.Certificate, Lines: []fleet.Line{fixed},
			Note: "The calibration date had been typed half a year too late."})
		return err
	})
	s.try("reassess", func() error {
		_, err := s.Desk.Reassess(s.ctx, asJob("reassess"))
		return err
	})
}

func (s *story) bookDays(v visit, first, last int) ident.ID {
	var id ident.ID
	s.try("book "+v.title, func() error {
		out, err := s.Desk.Book(s.ctx, s.surveyor, s.wish(v.title, v.depot, v.client, ident.ID{}, schedule.Ask{Kit: s.kits[v.kit].ID}, first, 7, last, 16))
		id = out.ID
		return err
	})
	return id
}

// ahead books the coming month.
func (s *story) ahead() {
	s.Clock.set(s.Clock.behind())
	for _, b := range []struct {
		visit
		first, last int
	}{
		{visit{depot: harrow, kit: "K-01", client: "SQF", title: "Sallow Quay, core shop"}, 2, 3},
		{visit{depot: quern, kit: "K-03", client: "QLC", title: "Quillon plant 2, pattern shop"}, 5, 6},
		{visit{depot: harrow, kit: "K-02", client: "BRF", title: "Bracken Forge, night shift"}, 7, 8},
		{visit{depot: harrow, kit: "K-01", client: "BRF", title: "Bracken Forge, die shop"}, 9, 9},
		{visit{depot: harrow, kit: "K-02", client: "SQF", title: "Sallow Quay, loading bay"}, 14, 15},
		{visit{depot: quern, kit: "K-03", client: "QLC", title: "Quillon plant 2, melt deck"}, 16, 17},
		{visit{depot: harrow, kit: "K-01", client: "SQF", title: "Sallow Quay, fettlers again"}, 21, 22},
		{visit{depot: harrow, kit: "K-02", client: "BRF", title: "Bracken Forge, hammer crew again"}, 28, 29},
	} {
		s.bookDays(b.visit, b.first, b.last)
	}
}
