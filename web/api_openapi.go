package web

import (
	_ "embed"
	"net/http"

	"github.com/labstack/echo/v4"
)

// openapi describes /api in OpenAPI 3.1; a test holds it and the table of routes together.
//
//go:embed openapi.json
var openapi []byte

func (s *Server) apiDescription(c echo.Context) error {
	c.Response().Header().Set("Cache-Control", "public, max-age=300")
	return sendJSON(c, http.StatusOK, openapi)
}
