package web

import (
	"mime"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/survey"
)

// apiReturn is a return as programs see it.
type apiReturn struct {
	ID         ident.ID           `json:"id"`
	Number     string             `json:"number"`
	Version    int                `json:"version"`
	Name       string             `json:"name"`
	File       string             `json:"sha256"` // of the original
	Size       int64              `json:"size"`
	Received   time.Time          `json:"received"`
	By         string             `json:"by"`
	State      survey.ReturnState `json:"state"`
	Wear       ident.ID           `json:"wear,omitzero"`
	UnitName   string             `json:"unit_name"`
	Start      time.Time          `json:"start"` // true time of the first step
	StepS      float64            `json:"step_s"`
	Count      int                `json:"count"`
	Candidates []apiCandidate     `json:"candidates,omitzero"` // wears it may belong to, while that is open
}

type apiCandidate struct {
	Wear           ident.ID  `json:"wear"`
	UnitTag        string    `json:"unit_tag"`
	Start          time.Time `json:"start"`
	Stop           time.Time `json:"stop,omitzero"`
	OverlapMinutes float64   `json:"overlap_minutes"`
	Taken          bool      `json:"taken"`     // another return is linked to it
	SameUnit       bool      `json:"same_unit"` // it is a wear of the unit the file names
}

func apiReturnOf(r survey.Return) apiReturn {
	out := apiReturn{ID: r.ID, Number: r.Label(), Version: r.Version, Name: r.Name, File: r.File, Size: r.Size, Received: r.Received, By: r.By,
		State: r.State, Wear: r.Wear, UnitName: r.UnitName, Start: r.Start(), StepS: r.History.StepSeconds, Count: r.History.Count}
	for _, k := range r.Candidates {
		out.Candidates = append(out.Candidates, apiCandidate{k.Wear, k.UnitTag, k.Start, k.Stop, k.Overlap.Minutes(), k.Taken, k.SameUnit})
	}
	return out
}

// apiReceive takes a return file as the body, streamed. The same file again gives the return that is there, with or without an
// idempotency key: 201 for a new one, 200 for a known one.
func (s *Server) apiReceive(c echo.Context) error {
	if err := knownQuery(c, "name"); err != nil {
		return err
	}
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || kind != "text/csv" && kind != "application/octet-stream" {
		return fault.New(fault.WrongMedia, "type", c.Request().Header.Get("Content-Type"), "wanted", "text/csv")
	}
	name := c.QueryParam("name")
	if name == "" {
		return badQuery("name", "Give the name of the file.")
	}
	began := s.Now().UTC().Truncate(time.Millisecond)
	r, err := s.Office.Receive(ctx(c), actor(c), survey.Upload{Name: name, Body: c.Request().Body})
	if err != nil {
		return err
	}
	status := http.StatusCreated
	if r.Received.Before(began) {
		status = http.StatusOK
	}
	c.Response().Header().Set("ETag", etag(r.Version))
	return answerJSON(c, status, apiReturnOf(r))
}
