package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/agenda"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/notify"
	"kitd/internal/store"
)

// traced is what rests on a unit.
type traced struct {
	Tag          string         `json:"tag"`
	Serial       string         `json:"serial"`
	Certificates []tracedLine   `json:"certificates"`
	Results      []tracedResult `json:"results"`
}

type tracedLine struct {
	Number     string     `json:"number"`
	Laboratory string     `json:"laboratory"`
	Calibrated civil.Date `json:"calibrated"`
	LastDay    civil.Date `json:"last_covered_day"`
	Superseded bool       `json:"superseded,omitempty"`
}

type tracedResult struct {
	Number   string     `json:"number"`
	Date     civil.Date `json:"date"`
	Hash     string     `json:"sha256"`
	Computed time.Time  `json:"computed"`
}

// trace collects a unit's certificates and every result that rests on it, as dosimeter or as calibrator.
func (h *house) trace(ctx context.Context, who access.Actor, tag string) (traced, error) {
	now := h.now()
	view, err := h.pool.Unit(ctx, who, tag, fleet.Span{From: now, To: now.Add(time.Hour)}, time.Time{})
	if err != nil {
		return traced{}, err
	}
	t := traced{Tag: view.Dossier.Unit.Tag, Serial: view.Dossier.Unit.Serial, Certificates: []tracedLine{}, Results: []tracedResult{}}
	for _, l := range view.Dossier.Lines {
		t.Certificates = append(t.Certificates, tracedLine{l.Number, l.LabName, l.Calibrated, l.Due, !l.Superseded.IsZero()})
	}
	ids, err := h.office.Touched(ctx, who, view.Dossier.Unit.ID)
	if err != nil {
		return traced{}, err
	}
	for _, id := range ids {
		r, err := h.office.ResultOf(ctx, who, id)
		if err != nil {
			return traced{}, err
		}
		t.Results = append(t.Results, tracedResult{fmt.Sprintf("R-%d", r.Result.Number), r.Result.Content.Subject.Date, r.Result.Hash, r.Result.Computed})
	}
	return t, nil
}

// dueAhead is how far the feed of everything due looks.
const dueAhead = 400

// due lists the days on which certificates end, within the actor's walls, for the feed.
func (h *house) due(ctx context.Context, who access.Actor) ([]agenda.Notice, error) {
	_, view := rooms(h.db, func(tx *store.Tx) notify.Store { return tx })
	var notices []agenda.Notice
	err := view(ctx, who, func(s notify.Store) error {
		lapses, err := s.Lapses(civil.Of(h.now().UTC()).AddDays(dueAhead))
		if err != nil {
			return err
		}
		notices = nil
		for _, l := range lapses {
			notices = append(notices, agenda.Notice{Key: strings.ToLower(l.Unit.String()) + "-" + l.Due.String(), Day: l.Due,
				Text: l.Tag + ": certificate " + l.Certificate + " ends", Detail: l.DepotName, Entered: l.Since})
		}
		return nil
	})
	return notices, err
}
