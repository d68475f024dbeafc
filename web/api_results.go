package web

import (
	"fmt"
	"net/http"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"kitd/internal/ident"
	"kitd/internal/survey"
)

// apiResult is a result as programs see it: the document that is stored, with its hash, and what became of it since.
type apiResult struct {
	ID         ident.ID       `json:"id"`
	Number     string         `json:"number"`
	SHA256     string         `json:"sha256"`               // of document, byte for byte
	ReplacedBy ident.ID       `json:"replaced_by,omitzero"` // the result that stands instead
	Withdrawn  bool           `json:"withdrawn"`            // its return was rejected since
	Caution    string         `json:"caution"`
	Document   jsontext.Value `json:"document"`
}

// caution goes with every result: noise harms people, and a number is not a judgement.
const caution = "A computed value supports, and never replaces, the judgement of a competent person under the law that applies at the workplace."

func (s *Server) apiResult(c echo.Context) error {
	id, err := idParam(c, "id", "result")
	if err != nil {
		return err
	}
	v, err := s.Office.ResultOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	document, err := survey.Canonical(v.Result)
	if err != nil {
		return err
	}
	tag := fmt.Sprintf(`"%s-%d-%t"`, v.Result.Hash, v.Replaced.Number, v.Withdrew)
	c.Response().Header().Set("ETag", tag)
	if c.Request().Header.Get("If-None-Match") == tag {
		return c.NoContent(http.StatusNotModified)
	}
	return answerJSON(c, http.StatusOK, apiResult{ID: id, Number: v.Result.Label(), SHA256: v.Result.Hash, ReplacedBy: v.Replaced.ID, Withdrawn: v.Withdrew,
		Caution: caution, Document: document})
}
