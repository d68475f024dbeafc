package survey

import (
	"context"
	"math"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// ResultView is a result as it is shown: the value in parts for a sentence, the plot, the chain, and what became of it since.
type ResultView struct {
	Result   Result
	Value    Value
	Profiles []ProfileView
	History  []Stretched
	Chain    []ChainLink
	Replaced Pointer // the result that replaces this one; zero: it stands
	Former   Pointer // the result it replaced
	Withdrew bool    // its return was rejected since
	Moved    bool    // what it rests on has changed since: computing again would replace it
}

// Pointer names a result by id and number.
type Pointer struct {
	ID     ident.ID
	Number int
}

// Value holds the parts of the sentence: "Hazel 2 (fettlers) was exposed to 88.2 dB on 18 November".
type Value struct {
	Quantity   string   // "L_EX,8h"
	DB         *float64 // nil: no sound energy
	ExpandedDB *float64 // nil: not assessable under ISO 9612
	Hours      float64  // of the shift
	Measured   float64  // hours
	PeakDB     *float64
	PeakWeight string
	Assessable bool // under ISO 9612
	Why        []Flag
}

// ProfileView is what one profile says.
type ProfileView struct {
	exposure.ProfileResult
	Name       string
	Assessable bool
	Because    []FlagCode
	Drift      *DriftResult
}

// Stretched is one stretch of the plot, a minute or more.
type Stretched struct {
	AtS   float64 // seconds from the start
	MinDB float64
	MaxDB float64
	LeqDB float64
	Gap   bool // nothing was measured; the levels are zero
}

// ChainLink is one link of the chain of evidence, from the result back to the calibrator's certificate.
type ChainLink struct {
	What   string // in words, "Calibrator's certificate"
	Label  string
	Detail string
	Noun   string
	ID     ident.ID
	Hash   string
}

// ResultOf gives a result with everything its page shows.
func (o *Office) ResultOf(ctx context.Context, who access.Actor, id ident.ID) (ResultView, error) {
	var v ResultView
	var stored Stored
	err := o.View(ctx, who, func(s Store) (err error) {
		if v.Result, err = s.ResultByID(id); err != nil {
			return err
		}
		r, err := s.ReturnByID(v.Result.Return)
		if err != nil {
			return err
		}
		stored = r.History
		last, _ := r.Last()
		v.Withdrew = last.Verdict == Rejected
		if v.Replaced.ID, v.Replaced.Number, err = s.ReplacedBy(id); err != nil {
			return err
		}
		now, err := o.gather(s, v.Result.Wear)
		v.Moved = v.Replaced.ID.IsZero() && (err != nil || !slices.Equal(now.evidence, v.Result.Content.Evidence))
		if v.Result.Replaces.IsZero() {
			return nil
		}
		former, err := s.ResultByID(v.Result.Replaces)
		v.Former = Pointer{former.ID, former.Number}
		return err
	})
	if err != nil {
		return ResultView{}, err
	}
	h, _, err := o.unpack(ctx, who, stored)
	if err != nil {
		return ResultView{}, err
	}
	v.History = Decimate(h)
	v.Value, v.Profiles, v.Chain = v.Result.value(), v.Result.profiles(o.Profile), v.Result.Chain()
	return v, nil
}

func (r Result) value() Value {
	c := r.Content
	v := Value{Quantity: "L_EX,8h", DB: c.Day.LEX8hDB, Hours: c.Inputs.ShiftHours, Measured: c.Inputs.MeasuredHours,
		PeakDB: c.Day.PeakDB, PeakWeight: c.Day.PeakWeighting, Assessable: c.Assessable(ISO9612)}
	if c.Uncertainty != nil {
		v.ExpandedDB = &c.Uncertainty.ExpandedDB
	}
	for _, f := range c.Flags {
		if f.Blocked(ISO9612) {
			v.Why = append(v.Why, f)
		}
	}
	return v
}

// profiles names each profile as it is called today; everything else is as stored.
func (r Result) profiles(lookup func(string) (exposure.Profile, error)) []ProfileView {
	var out []ProfileView
	for _, p := range r.Content.Day.Profiles {
		v := ProfileView{ProfileResult: p, Name: p.Profile}
		if known, err := lookup(p.Profile); err == nil {
			v.Name = known.Name
		}
		for _, a := range r.Content.Assessments {
			if a.Profile == p.Profile {
				v.Assessable, v.Because = a.Assessable, a.Because
			}
		}
		for _, l := range r.Content.Drift.Limits {
			if l.Profile == p.Profile {
				v.Drift = &l
			}
		}
		out = append(out, v)
	}
	return out
}

// Chain gives the links from the result to the calibrator's certificate, from the evidence pinned in it.
func (r Result) Chain() []ChainLink {
	c := r.Content
	chain := []ChainLink{{What: "Result", Label: r.Label(), Noun: "result", ID: r.ID, Hash: r.Hash,
		Detail: "computed " + stamp(r.Computed) + ", " + c.Engine + ", " + c.Method}}
	names := map[string]string{NounReview: "Review", NounReturn: "Return", NounWear: "Wear", NounDay: "Worker-day", NounCheck: "Field check",
		NounDosimeter: "Dosimeter", NounCalibrator: "Calibrator", NounCertificate: "Certificate", NounExtension: "Extension", NounProfile: "Profile"}
	for _, e := range c.Evidence {
		what := names[e.Noun]
		if e.Noun == NounCertificate {
			what = r.owner(e) + "'s certificate"
		}
		chain = append(chain, ChainLink{What: what, Label: e.Label, Detail: e.Detail, Noun: e.Noun, ID: e.ID, Hash: e.Hash})
	}
	return chain
}

// owner says in words whose certificate it is.
func (r Result) owner(cert Evidence) string {
	for _, e := range r.Content.Evidence {
		if e.ID == cert.Of && e.Noun == NounCalibrator {
			return "Calibrator"
		}
	}
	return "Dosimeter"
}

// plotPoints is how many stretches a plot has at most: a day of minutes.
const plotPoints = 24 * 60

// Decimate gives lowest, highest and energy-equivalent level of each minute; of several minutes at once where the history is
// longer than a day, of each step where the steps are longer than a minute.
func Decimate(h exposure.History) []Stretched {
	n := h.Levels.Len()
	if n == 0 {
		return nil
	}
	minutes := math.Max(1, math.Ceil(h.Seconds()/60/plotPoints))
	per := max(1, int(math.Round(minutes*60/h.StepSeconds)))
	silent := make([]bool, n)
	for _, g := range h.Gaps {
		for i := g.From; i < g.To; i++ {
			silent[i] = true
		}
	}
	out := make([]Stretched, 0, n/per+1)
	for from := 0; from < n; from += per {
		out = append(out, stretch(h, silent, from, min(from+per, n)))
	}
	return out
}

func stretch(h exposure.History, silent []bool, from, to int) Stretched {
	s := Stretched{AtS: float64(from) * h.StepSeconds, Gap: true}
	energy, counted := 0.0, 0
	for i := from; i < to; i++ {
		if silent[i] {
			continue
		}
		l := h.Levels.At(i)
		if s.Gap {
			s.MinDB, s.MaxDB, s.Gap = l, l, false
		}
		s.MinDB, s.MaxDB = min(s.MinDB, l), max(s.MaxDB, l)
		energy += math.Pow(10, l/10)
		counted++
	}
	if counted > 0 {
		s.LeqDB = exposure.Level(10 * math.Log10(energy/float64(counted)))
	}
	return s
}

// Verify computes the hashes of a stored result anew and says whether both are what was stored.
func Verify(r Result) error {
	again := r
	if _, err := again.Seal(); err != nil {
		return err
	}
	if again.Hash != r.Hash || again.ContentHash != r.ContentHash {
		return fault.New(fault.FileDamaged, "hash", r.Hash)
	}
	return nil
}

// Results lists results, newest first.
func (o *Office) Results(ctx context.Context, who access.Actor, q ResultQuery) ([]Result, error) {
	return seen(ctx, o, who, func(s Store) ([]Result, error) { return s.ResultsWhere(q) })
}

// Touched gives the results that rest on a record, whatever it is: a unit, a certificate, one of its lines, a check, a wear, a
// return. It is the forward trace that a recall starts from, and the inverse of a result's chain.
func (o *Office) Touched(ctx context.Context, who access.Actor, id ident.ID) ([]ident.ID, error) {
	return seen(ctx, o, who, func(s Store) ([]ident.ID, error) { return s.ResultsTouched(id) })
}

// seen runs one read in a transaction of its own.
func seen[T any](ctx context.Context, o *Office, who access.Actor, read func(Store) (T, error)) (T, error) {
	var out T
	err := o.View(ctx, who, func(s Store) (err error) { out, err = read(s); return err })
	return out, err
}

// Clients lists the clients in sight, by code.
func (o *Office) Clients(ctx context.Context, who access.Actor) ([]Client, error) {
	return seen(ctx, o, who, func(s Store) ([]Client, error) { return s.ClientsSeen() })
}

// ClientOf gives one client.
func (o *Office) ClientOf(ctx context.Context, who access.Actor, id ident.ID) (Client, error) {
	return seen(ctx, o, who, func(s Store) (Client, error) { return s.ClientByID(id) })
}

// Sites lists the sites of a client, by name.
func (o *Office) Sites(ctx context.Context, who access.Actor, client ident.ID) ([]Site, error) {
	return seen(ctx, o, who, func(s Store) ([]Site, error) { return s.SitesOf(client) })
}

// Surveys lists surveys, newest first.
func (o *Office) Surveys(ctx context.Context, who access.Actor, q SurveyQuery) ([]Survey, error) {
	return seen(ctx, o, who, func(s Store) ([]Survey, error) { return s.SurveysWhere(q) })
}

// Workers lists the pseudonyms of a client.
func (o *Office) Workers(ctx context.Context, who access.Actor, client ident.ID) ([]Worker, error) {
	return seen(ctx, o, who, func(s Store) ([]Worker, error) { return s.WorkersOf(client) })
}

// SurveyView is a survey with its site, people, days and wears.
type SurveyView struct {
	Survey  Survey
	Client  Client
	Site    Site
	Workers []Worker
	Days    []WorkerDay
	Wears   []Wear
}

// SurveyOf gives a survey with everything its page shows.
func (o *Office) SurveyOf(ctx context.Context, who access.Actor, id ident.ID) (SurveyView, error) {
	return seen(ctx, o, who, func(s Store) (v SurveyView, err error) {
		if v.Survey, err = s.SurveyByID(id); err != nil {
			return v, err
		}
		if v.Client, err = s.ClientByID(v.Survey.Client); err != nil {
			return v, err
		}
		if v.Site, err = s.SiteByID(v.Survey.Site); err != nil {
			return v, err
		}
		if v.Workers, err = s.WorkersOf(v.Survey.Client); err != nil {
			return v, err
		}
		if v.Days, err = s.DaysOf(id); err != nil {
			return v, err
		}
		v.Wears, err = s.WearsOf(id)
		return v, err
	})
}

// WearView is a wear with its day, checks, the judgement of them, and its return.
type WearView struct {
	Wear    Wear
	Day     WorkerDay
	Survey  Survey
	Worker  Worker
	Checks  []Check
	Drift   Drift
	Return  *Return
	Current *Pointer // result of the day
	Contra  []string
	AsOf    time.Time
}

// WearOf gives a wear with everything its page shows.
func (o *Office) WearOf(ctx context.Context, who access.Actor, id ident.ID) (WearView, error) {
	return seen(ctx, o, who, func(s Store) (v WearView, err error) {
		v.AsOf = o.now()
		if v.Wear, err = s.WearByID(id); err != nil {
			return v, err
		}
		v.Contra = v.Wear.Contradictions()
		if v.Day, err = s.DayByID(v.Wear.Day); err != nil {
			return v, err
		}
		if v.Survey, err = s.SurveyByID(v.Wear.Survey); err != nil {
			return v, err
		}
		if v.Worker, err = s.WorkerByID(v.Wear.Worker); err != nil {
			return v, err
		}
		err = o.fillWear(s, &v)
		return v, err
	})
}

func (o *Office) fillWear(s Store, v *WearView) (err error) {
	if v.Checks, err = s.ChecksOf(v.Wear.ID); err != nil {
		return err
	}
	levels, err := o.levels(s, v.Survey, v.Checks)
	if err != nil {
		return err
	}
	profiles, err := o.profiles(v.Survey.Profiles)
	if err != nil {
		return err
	}
	v.Drift = JudgeDrift(v.Checks, levels, DriftLimits(profiles))
	r, found, err := s.ReturnOfWear(v.Wear.ID)
	if err != nil {
		return err
	}
	if found {
		v.Return = &r
	}
	current, found, err := s.CurrentResult(v.Day.ID)
	if found {
		v.Current = &Pointer{current.ID, current.Number}
	}
	return err
}

// Returns lists returns, newest first.
func (o *Office) Returns(ctx context.Context, who access.Actor, q ReturnQuery) ([]Return, error) {
	return seen(ctx, o, who, func(s Store) ([]Return, error) { return s.ReturnsWhere(q) })
}

// ReturnOf gives a return with its reviews; while it needs linking, with the wears it may belong to.
func (o *Office) ReturnOf(ctx context.Context, who access.Actor, id ident.ID) (Return, error) {
	return seen(ctx, o, who, func(s Store) (Return, error) {
		r, err := s.ReturnByID(id)
		if err != nil {
			return r, err
		}
		err = o.candidates(s, &r)
		return r, err
	})
}
