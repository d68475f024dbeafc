package web

import (
	"context"
	"time"

	"kitd/internal/access"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// Pool is what pages and API need of the fleet; *fleet.Keeper says what each does.
type Pool interface {
	Shelf(ctx context.Context, who access.Actor, q fleet.ShelfQuery) (fleet.ShelfPage, error)
	Unit(ctx context.Context, who access.Actor, tag string, span fleet.Span, at time.Time) (fleet.UnitView, error)
	Record(ctx context.Context, who access.Actor, facts ...fleet.Fact) ([]fleet.Fact, error)
	Depots(ctx context.Context, who access.Actor) ([]fleet.Depot, error)
	Kits(ctx context.Context, who access.Actor, depot ident.ID) ([]fleet.Kit, error)
	Kit(ctx context.Context, who access.Actor, code string, span fleet.Span, at time.Time) (fleet.KitView, error)
	SetKit(ctx context.Context, who access.Actor, kit ident.ID, units []ident.ID, from time.Time) error
	Laboratories(ctx context.Context, who access.Actor) ([]fleet.Laboratory, error)
	IntendClear(ctx context.Context, who access.Actor, unit ident.ID, at time.Time, override string) (fleet.Fact, error)
	EnterCertificate(ctx context.Context, who access.Actor, x fleet.Certificate) (fleet.Certificate, error)
	AllUnits(ctx context.Context, who access.Actor, span fleet.Span) (*fleet.Pool, error)
}

// Desk is what pages and API need of the desk; *schedule.Desk says what each does.
type Desk interface {
	Answer(ctx context.Context, who access.Actor, w schedule.Wish) (schedule.Answer, error)
	Book(ctx context.Context, who access.Actor, w schedule.Wish) (schedule.Outcome, error)
	Move(ctx context.Context, who access.Actor, id ident.ID, version int, w schedule.Wish) (schedule.Outcome, error)
	Cancel(ctx context.Context, who access.Actor, id ident.ID, version int, reason string) (schedule.Outcome, error)
	Get(ctx context.Context, who access.Actor, id ident.ID) (schedule.Booking, error)
	List(ctx context.Context, who access.Actor, q schedule.Query) (schedule.Page, error)
	Busy(ctx context.Context, who access.Actor, units []ident.ID, span fleet.Span) ([]schedule.Block, error)
	HandOut(ctx context.Context, who access.Actor, id ident.ID, h schedule.HandOut) (schedule.Outcome, error)
	CheckIn(ctx context.Context, who access.Actor, id ident.ID, c schedule.CheckIn) (schedule.Outcome, error)
	AnswerMove(ctx context.Context, who access.Actor, id ident.ID, w schedule.Wish) (schedule.Answer, error)
	TakeBack(ctx context.Context, who access.Actor, id ident.ID, at time.Time, reason string) (schedule.Outcome, error)
}

// Office is what pages and API need of surveys, returns and results; *survey.Office says what each does.
type Office interface {
	Clients(ctx context.Context, who access.Actor) ([]survey.Client, error)
	Receive(ctx context.Context, who access.Actor, up survey.Upload) (survey.Return, error)
	ResultOf(ctx context.Context, who access.Actor, id ident.ID) (survey.ResultView, error)
	Surveys(ctx context.Context, who access.Actor, q survey.SurveyQuery) ([]survey.Survey, error)
	Sites(ctx context.Context, who access.Actor, client ident.ID) ([]survey.Site, error)
	SurveyOf(ctx context.Context, who access.Actor, id ident.ID) (survey.SurveyView, error)
	WearOf(ctx context.Context, who access.Actor, id ident.ID) (survey.WearView, error)
	Returns(ctx context.Context, who access.Actor, q survey.ReturnQuery) ([]survey.Return, error)
	ReturnOf(ctx context.Context, who access.Actor, id ident.ID) (survey.Return, error)
	Results(ctx context.Context, who access.Actor, q survey.ResultQuery) ([]survey.Result, error)

	AddClient(ctx context.Context, who access.Actor, c survey.Client) (survey.Client, error)
	AddSite(ctx context.Context, who access.Actor, site survey.Site) (survey.Site, error)
	AddSurvey(ctx context.Context, who access.Actor, v survey.Survey) (survey.Survey, error)
	AddWorker(ctx context.Context, who access.Actor, w survey.Worker) (survey.Worker, error)
	AddDay(ctx context.Context, who access.Actor, d survey.WorkerDay) (survey.WorkerDay, error)
	ChangeDay(ctx context.Context, who access.Actor, d survey.WorkerDay) (survey.WorkerDay, error)
	StartWear(ctx context.Context, who access.Actor, in survey.Start) (survey.Wear, error)
	StopWear(ctx context.Context, who access.Actor, in survey.Stop) (survey.Wear, error)
	RecordCheck(ctx context.Context, who access.Actor, c survey.Check) (survey.Check, error)

	Link(ctx context.Context, who access.Actor, id, wear ident.ID, version int) (survey.Return, error)
	Accept(ctx context.Context, who access.Actor, j survey.Judgement) (survey.Acceptance, error)
	Reject(ctx context.Context, who access.Actor, j survey.Judgement) (survey.Return, error)
	Compute(ctx context.Context, who access.Actor, wear ident.ID) (survey.Result, error)
}

// The services serve.
var (
	_ Pool   = (*fleet.Keeper)(nil)
	_ Desk   = (*schedule.Desk)(nil)
	_ Office = (*survey.Office)(nil)
)

// Repeats remembers the answers to calls that carried an idempotency key, for each account by itself. The same key with another
// request is fault.KeyReused.
type Repeats interface {
	Answered(ctx context.Context, who access.Actor, key string, request [32]byte) (status int, body []byte, found bool, err error)
	Answer(ctx context.Context, who access.Actor, key string, request [32]byte, status int, body []byte) error
}
