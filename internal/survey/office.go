package survey

import (
	"context"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Office is the service for everything about surveys. Every method takes the actor, sees only what the actor's scope sees, and
// answers alike for what is absent and what lies behind a wall.
type Office struct {
	Do, View func(context.Context, access.Actor, func(Store) error) error
	Files    archive.Keeper
	Codec    *archive.Codec
	Now      func() time.Time
	NewID    ident.Source
	Profile  func(id string) (exposure.Profile, error) // exposure.ProfileByID, or the owner's own
	Limit    int64                                     // bytes of a return file; 0: DefaultLimit
}

// DefaultLimit is the largest return file taken: 500 MB.
const DefaultLimit = 500_000_000

// Store is what surveys need kept. Reads answer with the fault "not there" for what is absent or out of the actor's scope;
// updates compare the version and answer with "changed meanwhile".
type Store interface {
	Record(trail.Change) error

	InsertClient(Client) error
	UpdateClient(Client) error
	ClientByID(ident.ID) (Client, error)
	ClientsSeen() ([]Client, error)
	InsertSite(Site) error
	UpdateSite(Site) error
	SiteByID(ident.ID) (Site, error)
	SitesOf(client ident.ID) ([]Site, error)
	InsertSurvey(Survey) error
	UpdateSurvey(Survey) error
	SurveyByID(ident.ID) (Survey, error)
	SurveysWhere(SurveyQuery) ([]Survey, error)
	NextSurveyNumber(counter string) (int, error)

	InsertWorker(Worker) error
	WorkerByID(ident.ID) (Worker, error)
	WorkersOf(client ident.ID) ([]Worker, error)
	SetWorkerName(worker ident.ID, name, by string) error
	WorkerName(worker ident.ID) (name string, found bool, err error)
	EraseWorkerName(worker ident.ID) (found bool, err error)

	InsertDay(WorkerDay) error
	UpdateDay(WorkerDay) error
	DayByID(ident.ID) (WorkerDay, error)
	DaysOf(survey ident.ID) ([]WorkerDay, error)
	InsertWear(Wear) error
	UpdateWear(Wear) error
	AppendWearFact(Wear, WearFact) error
	WearByID(ident.ID) (Wear, error)
	WearsOf(survey ident.ID) ([]Wear, error)
	WearsDuring(fleet.Span) ([]Wear, error)
	InsertCheck(Check) error
	ChecksOf(wear ident.ID) ([]Check, error)
	// ChecksAcross lists the checks of every wear that has an after-check with the calibrator in the time, across walls: for
	// judging the calibrator only, never to be shown.
	ChecksAcross(calibrator ident.ID, from, to time.Time) ([]Check, error)

	UnitsNamed(tagOrSerial string) ([]fleet.Unit, error)
	Dossiers(units []ident.ID, at time.Time) ([]fleet.Dossier, error)
	Certificate(ident.ID) (fleet.Certificate, error)
	AppendFacts(facts []fleet.Fact) error
	// LockUnits lets only one transaction at a time decide about the units.
	LockUnits(units []ident.ID) error

	LockReturns(file string) error
	InsertReturn(Return) error
	UpdateReturn(Return) error
	ReturnByID(ident.ID) (Return, error)
	ReturnsOfFile(hash string) ([]Return, error)
	ReturnsWhere(ReturnQuery) ([]Return, error)
	ReturnOfWear(wear ident.ID) (Return, bool, error)
	InsertReview(Return, Review) error

	LockDay(day ident.ID) error
	InsertResult(r Result, document []byte) error
	ResultByID(ident.ID) (Result, error)
	ResultsWhere(ResultQuery) ([]Result, error)
	CurrentResult(day ident.ID) (Result, bool, error)
	ReplacedBy(result ident.ID) (ident.ID, int, error)
	ResultsTouched(evidence ident.ID) ([]ident.ID, error)
}

// SurveyQuery selects surveys, newest first. Zero fields do not limit.
type SurveyQuery struct {
	Client ident.ID
	Before int // number: the cursor of the page before
	Limit  int
}

// ReturnQuery selects returns, newest first.
type ReturnQuery struct {
	State  ReturnState
	Survey ident.ID
	Before int
	Limit  int
}

// ResultQuery selects results, newest first.
type ResultQuery struct {
	Survey  ident.ID
	Current bool // only those that no other replaces
	Before  int
	Limit   int
}

// DefaultPage is how many rows a query gives that names no limit.
const DefaultPage = 100

func (o *Office) limit() int64 {
	if o.Limit > 0 {
		return o.Limit
	}
	return DefaultLimit
}

// mayRecord refuses accounts that only read.
func mayRecord(who access.Actor, what string) error {
	if !who.Books() {
		return fault.New(fault.NotAllowed, "what", what)
	}
	return nil
}

func bad(what, path, text string) error {
	return fault.New(fault.BadInput, "what", what).At(path, text)
}
