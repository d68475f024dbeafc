package main

import (
	"bytes"
	"context"
	"os"
	"strings"

	"kitd/internal/exchange"
)

type exportCmd struct {
	What   string `arg:"" enum:"fleet,certificates,bookings,checks" help:"fleet, certificates, bookings or checks."`
	Format string `enum:"csv,xlsx," default:"" help:"csv or xlsx; without it, by the name of the file, else csv."`
	Out    string `short:"o" help:"File to write; without it, standard output." placeholder:"FILE"`
	settings
}

// Run writes one table. A file comes into being only when the table is complete.
func (c *exportCmd) Run(ctx context.Context, s streams) error {
	book := c.Format == "xlsx" || c.Format == "" && strings.HasSuffix(strings.ToLower(c.Out), ".xlsx")
	return within(ctx, c.settings, func(h *house) error {
		var b bytes.Buffer
		if err := h.counter().Write(ctx, operator(), exchange.Noun(c.What), book, &b); err != nil {
			return err
		}
		if c.Out != "" {
			return os.WriteFile(c.Out, b.Bytes(), 0o600)
		}
		_, err := s.out.Write(b.Bytes())
		return err
	})
}

func (h *house) counter() exchange.Counter {
	return exchange.Counter{Pool: h.pool, Desk: h.desk, Office: h.office}
}
