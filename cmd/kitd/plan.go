package main

import (
	"fmt"
	"time"

	"kitd/internal/planning"
)

// planCmd groups the planners on paper: one JSON problem in, one JSON answer out, no database.
type planCmd struct {
	Charge    planChargeCmd    `cmd:"" help:"Plan charging: which unit on which charger position, when on, when off."`
	Placement planPlacementCmd `cmd:"" help:"Place bookings on units: as many bookings as possible, all or nothing each."`
}

// problem is what both planners read.
type problem struct {
	Problem string        `required:"" placeholder:"FILE" help:"JSON problem, or - for standard input."`
	Limit   time.Duration `default:"10s" help:"Answer with the best found after this time."`
	Effort  int           `default:"1" help:"Multiply the step limits of the search, from 1 to 1000."`
}

type planChargeCmd struct{ problem }

// Run plans charging.
func (c *planChargeCmd) Run(s streams) error { return c.run(s, planning.RunCharge) }

type planPlacementCmd struct{ problem }

// Run places bookings.
func (c *planPlacementCmd) Run(s streams) error { return c.run(s, planning.RunPlacement) }

func (c *problem) run(s streams, plan func([]byte, planning.Limits) ([]byte, error)) error {
	if c.Limit <= 0 || c.Effort < 1 || c.Effort > 1000 {
		return fmt.Errorf("--limit is a time above 0 such as 10s, and --effort is from 1 to 1000; `kitd plan --help`")
	}
	doc, err := readDocument(c.Problem, s.in)
	if err != nil {
		return err
	}
	end := time.Now().Add(c.Limit)
	out, err := plan(doc, planning.Limits{Expired: func() bool { return time.Now().After(end) }, Effort: c.Effort})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s\n", out)
	return err
}
