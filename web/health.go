package web

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/web/static"
)

// healthz answers as long as the process can.
func (s *Server) healthz(c echo.Context) error {
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.String(http.StatusOK, "ok\n")
}

// readyz answers 200 when the database answers too, 503 otherwise. Why not is in the log: the caller is nobody in particular.
func (s *Server) readyz(c echo.Context) error {
	c.Response().Header().Set("Cache-Control", "no-store")
	within, cancel := context.WithTimeout(ctx(c), 5*time.Second)
	defer cancel()
	if err := s.Ready(within); err != nil {
		visitOf(c.Request()).cause = err
		return c.String(http.StatusServiceUnavailable, "not ready: the database does not answer; the log names the cause\n")
	}
	return c.String(http.StatusOK, "ready\n")
}

// staticFile serves the style sheet, marks and font.
func (s *Server) staticFile(c echo.Context) error {
	static.Handler().ServeHTTP(c.Response(), c.Request())
	return nil
}
