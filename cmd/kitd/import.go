package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"kitd/internal/exchange"
	"kitd/internal/fleet"
)

type importCmd struct {
	What    string `arg:"" enum:"fleet,certificates" help:"fleet or certificates."`
	File    string `arg:"" optional:"" help:"CSV or workbook (.xlsx), or - for standard input."`
	DryRun  bool   `name:"dry-run" help:"Say what would be added and changed, and store nothing."`
	Columns bool   `help:"List the columns with what belongs in them, and read nothing."`
	settings
}

// Help is the longer text of --help.
func (importCmd) Help() string {
	return "The first row names the columns, in any order. Days are written 2026-01-12, figures with a decimal point. A column that is missing " +
		"leaves things as they are, an empty cell empties. Everything is stored or nothing; a table that says what is on record already changes nothing."
}

// Run takes one table in and says what it did.
func (c *importCmd) Run(ctx context.Context, s streams) error {
	noun := exchange.Noun(c.What)
	if c.Columns {
		return listColumns(s.out, noun)
	}
	if c.File == "" {
		return fmt.Errorf("give a file, or - for standard input; `kitd import %s --columns` lists what belongs in it", c.What)
	}
	in := s.in
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		in = f
	}
	table, err := exchange.Read(noun, in)
	if err != nil {
		return err
	}
	return within(ctx, c.settings, func(h *house) error {
		var report fleet.Report
		var err error
		if c.DryRun {
			report, err = h.counter().Try(ctx, operator(), table)
		} else {
			report, err = h.counter().Take(ctx, operator(), table, "")
		}
		if err == nil {
			err = printReport(s.out, report, c.DryRun)
		}
		return err
	})
}

func listColumns(w io.Writer, n exchange.Noun) error {
	for _, c := range n.Columns() {
		needed := ""
		if c.Needed {
			needed = "needed; "
		}
		if _, err := fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%-26s %s%s", c.Name, needed, c.Help), " ;")); err != nil {
			return err
		}
	}
	return nil
}

func printReport(w io.Writer, r fleet.Report, dry bool) error {
	for _, line := range exchange.Told(r) {
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	sum := fmt.Sprintf("%d added, %d changed, %d unchanged", len(r.Added), len(r.Changed), r.Unchanged)
	if dry {
		sum = fmt.Sprintf("dry run, nothing was stored: %d to add, %d to change, %d unchanged", len(r.Added), len(r.Changed), r.Unchanged)
	}
	_, err := fmt.Fprintln(w, sum)
	return err
}
