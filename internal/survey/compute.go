package survey

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// cast is everything a result is made from, read in one transaction.
type cast struct {
	survey      Survey
	site        Site
	day         WorkerDay
	worker      Worker
	wear        Wear
	ret         Return
	review      Review
	checks      []Check // the two that are judged come with their calibrators
	drift       Drift
	unit        fleet.Dossier
	calibrators []fleet.Dossier
	files       map[ident.ID]string // originals of the certificates
	profiles    []exposure.Profile
	loc         *time.Location
	now         time.Time
	evidence    []Evidence
}

// tries is how often a computation starts over because what it was made from changed meanwhile.
const tries = 3

// Compute computes the exposure of the wear's worker-day from its accepted return and stores it as a result that nothing
// changes any more. Where the same content was computed before, that result is given; where it differs, the new result
// replaces it. Faults: nothing accepted, a day that is not fully declared, input that exposure refuses.
func (o *Office) Compute(ctx context.Context, who access.Actor, wear ident.ID) (Result, error) {
	if err := mayRecord(who, "computing a result needs a surveyor"); err != nil {
		return Result{}, err
	}
	for range tries {
		var c cast
		err := o.View(ctx, who, func(s Store) (err error) { c, err = o.gather(s, wear); return err })
		if err != nil {
			return Result{}, err
		}
		content, err := o.work(ctx, who, c)
		if err != nil {
			return Result{}, err
		}
		r, again, err := o.keep(ctx, who, c, content)
		if err != nil || !again {
			return r, err
		}
	}
	return Result{}, fault.New(fault.Changed, "noun", "worker-day")
}

// gather reads what the result rests on.
func (o *Office) gather(s Store, wear ident.ID) (c cast, err error) {
	c.now = o.now()
	if c.wear, err = s.WearByID(wear); err != nil {
		return c, err
	}
	var linked bool
	if c.ret, linked, err = s.ReturnOfWear(wear); err != nil {
		return c, err
	}
	c.review, _ = c.ret.Last()
	if !linked || c.ret.State != Accepted || c.review.Verdict != Accepted {
		return c, fault.New(fault.NothingAccepted)
	}
	if c.day, err = s.DayByID(c.wear.Day); err != nil {
		return c, err
	}
	if c.survey, err = s.SurveyByID(c.wear.Survey); err != nil {
		return c, err
	}
	if c.site, err = s.SiteByID(c.survey.Site); err != nil {
		return c, err
	}
	if c.worker, err = s.WorkerByID(c.wear.Worker); err != nil {
		return c, err
	}
	if c.loc, err = place(c.survey.Zone); err != nil {
		return c, err
	}
	if err := o.gatherChecks(s, &c); err != nil {
		return c, err
	}
	if err := o.gatherFiles(s, &c); err != nil {
		return c, err
	}
	c.evidence, err = c.rests()
	return c, err
}

// gatherFiles finds the archived originals of the certificates that govern.
func (o *Office) gatherFiles(s Store, c *cast) error {
	c.files = map[ident.ID]string{}
	for _, d := range append([]fleet.Dossier{c.unit}, c.calibrators...) {
		for _, l := range governing(d, c.span(), c.loc) {
			cert, err := s.Certificate(l.Certificate)
			if err != nil {
				return err
			}
			c.files[l.Certificate] = cert.File
		}
	}
	return nil
}

func (o *Office) gatherChecks(s Store, c *cast) error {
	var err error
	if c.profiles, err = o.profiles(c.survey.Profiles); err != nil {
		return err
	}
	checks, err := s.ChecksOf(c.wear.ID)
	if err != nil {
		return err
	}
	ids := []ident.ID{c.wear.Unit}
	for _, k := range checks {
		if !slices.Contains(ids, k.Calibrator) {
			ids = append(ids, k.Calibrator)
		}
	}
	dossiers, err := s.Dossiers(ids, c.now)
	if err != nil {
		return err
	}
	for _, d := range dossiers {
		if d.Unit.ID == c.wear.Unit {
			c.unit = d
		} else {
			c.calibrators = append(c.calibrators, d)
		}
	}
	if c.unit.Unit.ID.IsZero() {
		return fault.New(fault.NotThere, "noun", "unit")
	}
	c.checks = checks
	c.drift = JudgeDrift(checks, levelsFrom(c.calibrators, c.loc), DriftLimits(c.profiles))
	return nil
}

// work computes. It reads the history from the archive, outside of any transaction.
func (o *Office) work(ctx context.Context, who access.Actor, c cast) (Content, error) {
	h, peaks, err := o.unpack(ctx, who, c.ret.History)
	if err != nil {
		return Content{}, err
	}
	cover, err := c.day.Cover(c.ret.History.Length())
	if err != nil {
		return Content{}, err
	}
	measured, err := exposure.Compute(h, peaks, c.profiles, exposure.Context{Exclusions: c.review.Exclusions, Instrument: exposure.Personal})
	if err != nil {
		return Content{}, err
	}
	day, err := dayMetrics(h, peaks, c.profiles, c.review.Exclusions, cover, measured.DurationHours)
	if err != nil {
		return Content{}, err
	}
	content := Content{
		Engine: exposure.EngineVersion, Edition: exposure.MethodEdition, Method: MethodOneWear,
		Subject: c.subject(), Inputs: c.inputs(cover), Measured: measured, Day: day, Drift: c.drift,
		Flags: c.flags(cover, h, peaks, measured), Evidence: c.evidence,
	}
	content.assess(c.profiles)
	return content, nil
}

// dayMetrics puts the declared gaps beside the measurement. Gaps of a stated level become steps of that level after the
// measured ones, those without exposure become steps that are kept without energy, and the working time scales the measured
// part up over the gaps that it represents: with f the factor by which the measured time is taken, every other gap enters
// with 1/f of its length, so that scaling the whole to the shift gives each its own time.
func dayMetrics(h exposure.History, peaks *exposure.Peaks, profiles []exposure.Profile, cuts []exposure.Exclusion, cover Cover, counted float64) (exposure.Metrics, error) {
	other := 0.0
	for _, g := range cover.Gaps {
		if g.Kind != GapSame {
			other += g.Length.Hours()
		}
	}
	shift := cover.Shift.Hours()
	if shift-other <= 0 {
		return exposure.Metrics{}, fault.New(fault.UndeclaredGap, "what", "the declared gaps are as long as the shift; declare gaps and shift hours anew")
	}
	factor := (shift - other) / counted
	levels, cuts := h.Levels.DB(), slices.Clone(cuts)
	for _, g := range cover.Gaps {
		if g.Kind == GapSame || g.Length <= 0 {
			continue
		}
		length := g.Length.Hours() * 3600 / factor
		begin := float64(len(levels)) * h.StepSeconds
		level := 0.0
		if g.Kind == GapLevel {
			level = g.LevelDB.Float()
		}
		for range int(math.Ceil(length/h.StepSeconds - 1e-9)) {
			levels = append(levels, level)
		}
		end := float64(len(levels)) * h.StepSeconds
		if g.Kind == GapNotExposed {
			cuts = append(cuts, exposure.Exclusion{FromS: begin, ToS: begin + length, Reason: "declared gap, not exposed", Treat: exposure.NotExposed})
		}
		if rest := end - begin - length; rest > 1e-6 {
			cuts = append(cuts, exposure.Exclusion{FromS: begin + length, ToS: end, Reason: "beyond the declared gap", Treat: exposure.Remove})
		}
	}
	return extended(h, peaks, profiles, cuts, levels, shift)
}

// extended computes the day from the history with steps added; the added steps have no peak.
func extended(h exposure.History, peaks *exposure.Peaks, profiles []exposure.Profile, cuts []exposure.Exclusion, levels []float64, shift float64) (exposure.Metrics, error) {
	aligned := peaks != nil && peaks.Levels.Len() == h.Levels.Len()
	if len(levels) > h.Levels.Len() {
		longer, err := exposure.NewLevels(levels)
		if err != nil {
			return exposure.Metrics{}, err
		}
		if aligned {
			all := append(peaks.Levels.DB(), make([]float64, len(levels)-h.Levels.Len())...)
			more, err := exposure.NewLevels(all)
			if err != nil {
				return exposure.Metrics{}, err
			}
			peaks = &exposure.Peaks{Weighting: peaks.Weighting, Levels: more}
		}
		h.Levels = longer
	}
	return exposure.Compute(h, peaks, profiles, exposure.Context{ShiftHours: shift, Exclusions: cuts, Instrument: exposure.Personal})
}

// unpack reads a stored history back.
func (o *Office) unpack(ctx context.Context, who access.Actor, st Stored) (exposure.History, *exposure.Peaks, error) {
	h := exposure.History{StepSeconds: st.StepSeconds, Quantity: st.Quantity, Gaps: st.Gaps}
	var err error
	if h.Levels, err = o.unpackLevels(ctx, who, st.Levels, st.PerDB); err != nil || st.Peaks == "" {
		return h, nil, err
	}
	levels, err := o.unpackLevels(ctx, who, st.Peaks, st.PeaksPerDB)
	return h, &exposure.Peaks{Weighting: st.PeakWeighting, Levels: levels}, err
}

func (o *Office) unpackLevels(ctx context.Context, who access.Actor, hash string, perDB int) (exposure.Levels, error) {
	l := exposure.Levels{PerDB: perDB}
	name, err := archive.ParseHash(hash)
	if err != nil {
		return l, err
	}
	packed, err := o.fetch(ctx, who, name)
	if err != nil {
		return l, err
	}
	if perDB > 100 {
		l.Fine, err = archive.Unpack[int32](o.Codec, packed)
	} else {
		l.Coarse, err = archive.Unpack[uint16](o.Codec, packed)
	}
	if err != nil {
		err = fault.New(fault.FileDamaged, "hash", hash).Because(err)
	}
	return l, err
}

// keep stores the content as a result, unless it is the current one already. It asks for another round when what the content
// rests on changed since it was gathered.
func (o *Office) keep(ctx context.Context, who access.Actor, was cast, content Content) (r Result, again bool, err error) {
	hash, err := HashOf(content)
	if err != nil {
		return r, false, err
	}
	err = o.Do(ctx, who, func(s Store) error {
		again = false
		if err := s.LockDay(was.day.ID); err != nil {
			return err
		}
		c, err := o.gather(s, was.wear.ID)
		if err != nil {
			return err
		}
		if again = !slices.Equal(c.evidence, was.evidence); again {
			return nil
		}
		current, found, err := s.CurrentResult(was.day.ID)
		if err != nil {
			return err
		}
		if found && current.ContentHash == hash {
			r = current
			return nil
		}
		r = Result{ID: o.NewID(), Client: c.wear.Client, Survey: c.survey.ID, Day: c.day.ID, Wear: c.wear.ID, Return: c.ret.ID,
			Computed: o.now(), By: who.Name, Content: content}
		if found {
			r.Replaces = current.ID
		}
		return o.issue(s, &r)
	})
	return r, again, err
}

func (o *Office) issue(s Store, r *Result) (err error) {
	if r.Number, err = s.NextSurveyNumber("result"); err != nil {
		return err
	}
	document, err := r.Seal()
	if err != nil {
		return err
	}
	if err := s.InsertResult(*r, document); err != nil {
		return err
	}
	return s.Record(trail.Change{Noun: "result", ID: r.ID, Verb: "compute", Client: r.Client,
		After: map[string]any{"number": r.Number, "wear": r.Wear, "return": r.Return, "replaces": r.Replaces, "hash": r.Hash}})
}

// fetch reads a packed history whole; packed, a history of the greatest length fits in memory.
func (o *Office) fetch(ctx context.Context, who access.Actor, hash archive.Hash) ([]byte, error) {
	r, _, err := o.Files.Get(ctx, who, hash)
	if err != nil {
		return nil, err
	}
	raw, err := io.ReadAll(r)
	return raw, errors.Join(err, r.Close())
}
