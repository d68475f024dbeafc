package web

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/civil"
	"kitd/internal/exchange"
	"kitd/internal/exposure"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/notify"
	"kitd/internal/schedule"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
	"kitd/internal/survey"
)

// things are the furniture of a site: two dosimeters and a calibrator of the depot Alder Yard, all fit; the kit K-1; and for the
// walled client Quillon a survey with one wear of Friday 27 February, its return and result, and a booking.
type things struct {
	depot      fleet.Depot
	kit        fleet.Kit
	one, two   fleet.Unit // D-001, D-002
	calibrator fleet.Unit // C-001
	client     survey.Client
	survey     survey.Survey
	worker     survey.Worker
	wear       survey.Wear
	returned   survey.Return
	result     survey.Result
	booking    schedule.Booking // for the client: B-1
}

// doing adapts the store's Do or View to a domain's own Store interface, as cmd/kitd does.
func doing[S any](run func(context.Context, access.Actor, func(*store.Tx) error) error) func(context.Context, access.Actor, func(S) error) error {
	return func(ctx context.Context, who access.Actor, fn func(S) error) error {
		return run(ctx, who, func(tx *store.Tx) error { return fn(any(tx).(S)) })
	}
}

type services struct {
	pool   *fleet.Keeper
	desk   *schedule.Desk
	office *survey.Office
}

func serve(t *testing.T, h *storetest.House) services {
	t.Helper()
	codec, err := archive.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	now, id := h.Clock.Now, h.NewID
	return services{
		pool: &fleet.Keeper{Do: doing[fleet.Store](h.Do), View: doing[fleet.Store](h.View), Now: now, NewID: id},
		desk: &schedule.Desk{Do: doing[schedule.Store](h.Do), View: doing[schedule.Store](h.View), Now: now, NewID: id},
		office: &survey.Office{Do: doing[survey.Store](h.Do), View: doing[survey.Store](h.View), Now: now, NewID: id, Files: h.DB, Codec: codec,
			Profile: exposure.ProfileByID},
	}
}

// furnish puts the services and the things into a site.
func furnish(t *testing.T, h *storetest.House, d *Deps, keeper access.Account) *things {
	t.Helper()
	s := serve(t, h)
	d.Pool, d.Desk, d.Office, d.Repeats = s.pool, s.desk, s.office, store.Repeats{DB: h.DB}
	d.Stock, d.Originals = s.pool, h.DB
	d.Tables = exchange.Counter{Pool: s.pool, Desk: s.desk, Office: s.office}
	d.Ledger = &notify.Ledger{Do: doing[notify.LedgerStore](h.Do), View: doing[notify.LedgerStore](h.View), Now: h.Clock.Now, Rule: notify.CertificateRule()}
	who := access.Actor{Account: keeper.ID, Name: keeper.Name, Role: access.Coordinator, Scope: access.Scope{All: true}, Via: access.ViaPage}
	return furnisher{t, h, s, who, context.Background()}.all()
}

type furnisher struct {
	t   *testing.T
	h   *storetest.House
	s   services
	who access.Actor
	ctx context.Context
}

// made fails the test on an error and passes the value on.
func made[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatalf("furnishing the site: %+v", err)
		}
		return v
	}
}

func (f furnisher) all() *things {
	th := &things{}
	f.shelf(th)
	f.walled(th)
	return th
}

func (f furnisher) shelf(th *things) {
	t, pool := f.t, f.s.pool
	th.depot = made[fleet.Depot](t)(pool.AddDepot(f.ctx, f.who, fleet.Depot{Name: "Alder Yard", Code: "alder", Zone: "Europe/London"}))
	wick := made[fleet.Model](t)(pool.AddModel(f.ctx, f.who, fleet.Model{Name: "Wick 2", Maker: "Invented", Kind: fleet.Dosimeter, CalibrationMonths: 12, HoldsData: true, MemoryRuns: 8}))
	pitch := made[fleet.Model](t)(pool.AddModel(f.ctx, f.who, fleet.Model{Name: "Pitch 94", Maker: "Invented", Kind: fleet.Calibrator, CalibrationMonths: 12, ClassStd: "IEC 60942 class 1"}))
	unit := func(tag string, m fleet.Model) fleet.Unit {
		return made[fleet.Unit](t)(pool.AddUnit(f.ctx, f.who, fleet.Unit{Tag: tag, Serial: "S" + tag, Model: m.ID, Depot: th.depot.ID, Ownership: fleet.Owned}))
	}
	th.one, th.two, th.calibrator = unit("D-001", wick), unit("D-002", wick), unit("C-001", pitch)
	lab := made[fleet.Laboratory](t)(pool.AddLaboratory(f.ctx, f.who, fleet.Laboratory{Name: "Sedge Metrology", DueRule: fleet.Anniversary}))
	level := 94.0
	made[fleet.Certificate](t)(pool.EnterCertificate(f.ctx, f.who, fleet.Certificate{Number: "SM-1", Laboratory: lab.ID,
		Calibrated: civil.Date{Year: 2026, Month: 1, Day: 12}, Issued: civil.Date{Year: 2026, Month: 1, Day: 14},
		Lines: []fleet.Line{{Unit: th.one.ID, Verdict: fleet.Pass}, {Unit: th.two.ID, Verdict: fleet.Pass}, {Unit: th.calibrator.ID, Verdict: fleet.Pass, LevelDB: &level}}}))
	th.kit = made[fleet.Kit](t)(pool.AddKit(f.ctx, f.who, fleet.Kit{Name: "Kit 1", Code: "K-1", Depot: th.depot.ID}))
	if err := pool.SetKit(f.ctx, f.who, th.kit.ID, []ident.ID{th.one.ID, th.calibrator.ID}, time.Time{}); err != nil {
		t.Fatal(err)
	}
}

// walled makes what lies behind the client's wall.
func (f furnisher) walled(th *things) {
	t, office := f.t, f.s.office
	th.client = made[survey.Client](t)(office.AddClient(f.ctx, f.who, survey.Client{Code: "QUI", Name: "Quillon Castings"}))
	site := made[survey.Site](t)(office.AddSite(f.ctx, f.who, survey.Site{Client: th.client.ID, Name: "Foundry", Zone: "Europe/London"}))
	th.survey = made[survey.Survey](t)(office.AddSurvey(f.ctx, f.who, survey.Survey{Client: th.client.ID, Site: site.ID, Title: "Fettling shop",
		Days: []civil.Date{{Year: 2026, Month: 2, Day: 27}}, Profiles: []string{"eu-2003-10"}}))
	th.worker = made[survey.Worker](t)(office.AddWorker(f.ctx, f.who, survey.Worker{Client: th.client.ID, Pseudonym: "Hazel 2"}))
	begin := time.Date(2026, 2, 27, 8, 0, 0, 0, time.UTC)
	th.wear = made[survey.Wear](t)(office.StartWear(f.ctx, f.who, survey.Start{Survey: th.survey.ID, Worker: th.worker.ID, ShiftMinutes: 240, UnitTag: "D-001", Side: survey.Left, At: begin}))
	f.check(th, survey.Before, begin.Add(-10*time.Minute))
	made[survey.Wear](t)(office.StopWear(f.ctx, f.who, survey.Stop{Wear: th.wear.ID, At: begin.Add(4 * time.Hour), Outcome: survey.Complete}))
	f.check(th, survey.After, begin.Add(4*time.Hour+10*time.Minute))
	th.returned = made[survey.Return](t)(office.Receive(f.ctx, f.who, survey.Upload{Name: "hazel.csv", Body: bytes.NewReader(returnFile("D-001", begin, 240))}))
	accepted := made[survey.Acceptance](t)(office.Accept(f.ctx, f.who, survey.Judgement{Return: th.returned.ID, Reason: "plausible"}))
	if accepted.Result == nil {
		t.Fatalf("the accepted return has no result: %v", accepted.Pending)
	}
	th.returned, th.result = accepted.Return, *accepted.Result
	visit := schedule.Occurrence{Span: fleet.Span{From: f.h.Clock.Now().AddDate(0, 0, 7), To: f.h.Clock.Now().AddDate(0, 0, 8)}}
	th.booking = made[schedule.Outcome](t)(f.s.desk.Book(f.ctx, f.who, schedule.Wish{Title: "Quillon, second day", Client: th.client.ID,
		Ask: schedule.Ask{Dosimeters: 1}, StartDepot: th.depot.ID, Occurrences: []schedule.Occurrence{visit}})).Booking
}

func (f furnisher) check(th *things, when survey.When, at time.Time) {
	adjusted := survey.RoundDB(94)
	c := survey.Check{Wear: th.wear.ID, Calibrator: th.calibrator.ID, When: when, At: at, IndicatedDB: survey.RoundDB(94.1)}
	if when == survey.Before {
		c.Adjusted, c.AdjustedDB = true, &adjusted
	}
	made[survey.Check](f.t)(f.s.office.RecordCheck(f.ctx, f.who, c))
}

// returnFile is a return of one level a minute around 86 dB.
func returnFile(tag string, begin time.Time, n int) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# kitd-csv: 1\n# unit: %s\n# start: %s\n# step_s: 60\n# quantity: LAeq\nlevel_db\n", tag, begin.Format(time.RFC3339))
	for i := range n {
		fmt.Fprintf(&b, "%.1f\n", 84+float64(i%5))
	}
	return b.Bytes()
}
