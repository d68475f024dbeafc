package main

import (
	"context"
	"log/slog"
	"path/filepath"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"kitd/internal/demo"
	"kitd/internal/fleet"
	"kitd/internal/survey"
)

// poolCommand makes a database for a script: `pool demo FILE` with everything of the demo, `pool bare FILE` with the depots AY and
// QS, a model, a kit, a laboratory and a client, and no unit.
func poolCommand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: pool demo|bare FILE")
	}
	clock, now := demo.NewClock(time.Now), time.Now
	if args[0] == "demo" {
		now = clock.Now
	}
	h, err := open(context.Background(), settings{Database: "sqlite:" + filepath.Join(ts.Getenv("WORK"), args[1]), MailFrom: "kitd@localhost"}, now, slog.New(slog.DiscardHandler), true)
	ts.Check(err)
	if args[0] == "demo" {
		_, err = demo.Build(context.Background(), demo.House{Gate: h.gate, Pool: h.pool, Desk: h.desk, Office: h.office, Clock: clock})
	} else {
		err = bare(h)
	}
	ts.Check(err)
	ts.Check(h.close())
}

func bare(h *house) error {
	ctx, who := context.Background(), operator()
	depot, err := h.pool.AddDepot(ctx, who, fleet.Depot{Name: "Alder Yard", Code: "AY", Zone: "Europe/London"})
	if err != nil {
		return err
	}
	if _, err = h.pool.AddDepot(ctx, who, fleet.Depot{Name: "Quern Street", Code: "QS", Zone: "Europe/London"}); err != nil {
		return err
	}
	if _, err = h.pool.AddModel(ctx, who, fleet.Model{Name: "Wick 2", Maker: "Invented", Kind: fleet.Dosimeter, CalibrationMonths: 12}); err != nil {
		return err
	}
	if _, err = h.pool.AddKit(ctx, who, fleet.Kit{Name: "Kit 1", Code: "K-1", Depot: depot.ID}); err != nil {
		return err
	}
	if _, err = h.pool.AddLaboratory(ctx, who, fleet.Laboratory{Name: "Sedge Metrology", DueRule: fleet.Anniversary}); err != nil {
		return err
	}
	_, err = h.office.AddClient(ctx, who, survey.Client{Code: "QUI", Name: "Quillon Castings"})
	return err
}
