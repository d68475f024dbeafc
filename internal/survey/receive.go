package survey

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/archive"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Upload is a return file on its way in.
type Upload struct {
	Name string
	Body io.Reader
}

// Receive takes a return file: the original goes into the archive as it streams in, is read on the way, and is linked to the
// wear it can only belong to; otherwise it waits for a person, with candidates. The same file again gives the return that is
// there. A file that is empty, too large or cannot be read is a fault, and nothing of it is kept.
func (o *Office) Receive(ctx context.Context, who access.Actor, up Upload) (Return, error) {
	if err := mayRecord(who, "sending a return in needs a surveyor"); err != nil {
		return Return{}, err
	}
	r := Return{ID: o.NewID(), Sender: who.Account, Name: strings.TrimSpace(up.Name), Received: o.now(), By: who.Name, State: NeedsLinking, Version: 1}
	file, read, err := o.readIn(ctx, who, up)
	if err != nil {
		return Return{}, err
	}
	r.File, r.Size = file.Hash.String(), file.Size
	r.UnitName, r.Serial = read.Unit, read.Serial
	if r.History, err = o.pack(ctx, who, read); err != nil {
		return Return{}, err
	}
	fresh := r
	err = o.Do(ctx, who, func(s Store) error {
		r = fresh // the work may run again from the start
		known, err := sameFile(s, r.File)
		if err != nil {
			return err
		}
		if known != nil {
			r = *known
			return o.candidates(s, &r)
		}
		return o.takeIn(s, &r)
	})
	return r, err
}

// readIn stores and reads in one pass. A file that cannot be read ends the storing with the same error, so that nothing of
// it is kept.
func (o *Office) readIn(ctx context.Context, who access.Actor, up Upload) (archive.File, *exposure.Return, error) {
	pr, pw := io.Pipe()
	p := &passing{name: up.Name, in: up.Body, out: pw, done: make(chan struct{})}
	go p.parse(pr)
	file, err := o.Files.Put(ctx, who, p, o.limit())
	_ = pw.CloseWithError(errStopped) // where the storing ended early; after the end it does nothing
	<-p.done
	switch {
	case p.n == 0 && (err == nil || errors.Is(err, errEmpty)):
		return archive.File{}, nil, fault.New(fault.EmptyFile, "name", up.Name)
	case p.broken != nil:
		return archive.File{}, nil, p.broken
	case p.refused:
		return archive.File{}, nil, p.err
	case fault.Is(err, fault.TooLarge):
		return archive.File{}, nil, fault.New(fault.TooLarge, "noun", "return file", "limit", fmt.Sprintf("%g MB", float64(o.limit())/1e6))
	case err != nil:
		return archive.File{}, nil, err
	}
	return file, p.read, nil
}

var (
	errStopped = errors.New("survey: the upload ended early")
	errEmpty   = errors.New("survey: an empty file")
)

// passing hands on what is stored to the reader of the file. At the end it waits for its verdict.
type passing struct {
	name string
	in   io.Reader
	out  *io.PipeWriter
	n    int64
	done chan struct{}
	read *exposure.Return // both are set when done is closed
	err  error

	refused bool  // the storing was ended because the file cannot be read
	broken  error // the upload ended before the file did
}

// parse reads the file as it passes. A mistake in the reader must not end the server, only this upload.
func (p *passing) parse(pr *io.PipeReader) {
	defer close(p.done)
	defer func() {
		if r := recover(); r != nil {
			p.err = fault.New(fault.Unexpected).Because(fmt.Errorf("survey: reading a return file: %v", r))
			_ = pr.CloseWithError(p.err)
		}
	}()
	p.read, p.err = exposure.ParseCSV(pr, exposure.Limits{})
	_ = pr.CloseWithError(p.err) // without an error it was read to its end
}

// Read implements io.Reader.
func (p *passing) Read(b []byte) (int, error) {
	n, err := p.in.Read(b)
	p.n += int64(n)
	if n > 0 {
		if _, werr := p.out.Write(b[:n]); werr != nil {
			p.refused = true
			return n, werr
		}
	}
	switch {
	case err == nil:
		return n, nil
	case err != io.EOF: // io.ErrUnexpectedEOF too, which must not reach the archive: there it marks the last chunk
		p.broken = fault.New(fault.UploadBroken, "name", p.name).Because(errors.New(err.Error()))
		return n, p.broken
	}
	if p.n == 0 {
		return 0, errEmpty
	}
	_ = p.out.Close()
	<-p.done
	if p.err != nil {
		p.refused = true
		return n, p.err
	}
	return n, io.EOF
}

// pack stores levels and peaks in packed form.
func (o *Office) pack(ctx context.Context, who access.Actor, read *exposure.Return) (Stored, error) {
	h := read.History
	st := Stored{StepSeconds: h.StepSeconds, Count: h.Levels.Len(), Quantity: h.Quantity, PerDB: h.Levels.PerDB, Gaps: h.Gaps}
	if !read.Start.IsZero() {
		st.Start = read.Start.UTC().Truncate(time.Millisecond)
	}
	var err error
	if st.Levels, err = o.packLevels(ctx, who, h.Levels); err != nil || read.Peaks == nil {
		return st, err
	}
	st.PeaksPerDB, st.PeakWeighting = read.Peaks.Levels.PerDB, read.Peaks.Weighting
	st.Peaks, err = o.packLevels(ctx, who, read.Peaks.Levels)
	return st, err
}

func (o *Office) packLevels(ctx context.Context, who access.Actor, l exposure.Levels) (string, error) {
	var packed []byte
	var err error
	if l.Fine != nil {
		packed, err = archive.Pack(o.Codec, l.Fine)
	} else {
		packed, err = archive.Pack(o.Codec, l.Coarse)
	}
	if err != nil {
		return "", fault.New(fault.TooLarge, "noun", "time history", "limit", fmt.Sprintf("%d levels", archive.MaxLevels)).Because(err)
	}
	f, err := o.Files.Put(ctx, who, bytes.NewReader(packed), int64(len(packed)))
	return f.Hash.String(), err
}

// sameFile finds the return that these bytes are already, as far as the actor sees.
func sameFile(s Store, hash string) (*Return, error) {
	if err := s.LockReturns(hash); err != nil {
		return nil, err
	}
	known, err := s.ReturnsOfFile(hash)
	if err != nil || len(known) == 0 {
		return nil, err
	}
	return &known[0], nil
}

func (o *Office) takeIn(s Store, r *Return) error {
	wear, candidates, err := o.match(s, *r)
	if err != nil {
		return err
	}
	r.Candidates = candidates
	if !wear.IsZero() {
		w, err := s.WearByID(wear)
		if err != nil {
			return err
		}
		r.State, r.Wear, r.Client, r.Candidates = Linked, w.ID, w.Client, nil
	}
	if r.Number, err = s.NextSurveyNumber("return"); err != nil {
		return err
	}
	if err := s.InsertReturn(*r); err != nil {
		return err
	}
	return s.Record(returnChange(*r, "receive", nil))
}

// match looks for wears in the actor's sight.
func (o *Office) match(s Store, r Return) (ident.ID, []Candidate, error) {
	if r.History.Start.IsZero() {
		return ident.ID{}, nil, nil
	}
	claim := Claim{Span: r.Span()}
	var err error
	if claim.Units, err = named(s, r.UnitName, r.Serial); err != nil {
		return ident.ID{}, nil, err
	}
	wears, err := s.WearsDuring(claim.Span)
	if err != nil {
		return ident.ID{}, nil, err
	}
	taken := map[ident.ID]bool{}
	for _, w := range wears {
		if _, taken[w.ID], err = s.ReturnOfWear(w.ID); err != nil {
			return ident.ID{}, nil, err
		}
	}
	wear, candidates := Match(claim, wears, func(w ident.ID) bool { return taken[w] }, o.now())
	return wear, candidates, nil
}

// named gives the units that the file can mean. A name that no unit has leaves nothing to rely on.
func named(s Store, names ...string) ([]ident.ID, error) {
	var ids []ident.ID
	for _, name := range names {
		if name == "" {
			continue
		}
		units, err := s.UnitsNamed(name)
		if err != nil || len(units) == 0 {
			return nil, err
		}
		for _, u := range units {
			if !slices.Contains(ids, u.ID) {
				ids = append(ids, u.ID)
			}
		}
	}
	return ids, nil
}

// candidates fills in where a return that waits could belong, as things stand now and as the actor sees.
func (o *Office) candidates(s Store, r *Return) error {
	if r.State != NeedsLinking {
		return nil
	}
	_, candidates, err := o.match(s, *r)
	r.Candidates = candidates
	return err
}

// Link says which wear a waiting return belongs to. Where the file names no start, the wear's start is taken.
func (o *Office) Link(ctx context.Context, who access.Actor, id, wear ident.ID, version int) (Return, error) {
	return o.change(ctx, who, id, version, "link", func(s Store, r *Return) error {
		if r.State == Accepted {
			return fault.New(fault.ReturnReviewed, "return", r.Label(), "state", string(r.State))
		}
		w, err := s.WearByID(wear)
		if err != nil {
			return err
		}
		if !r.Client.IsZero() && r.Client != w.Client {
			return fault.New(fault.NotThere, "noun", "wear")
		}
		if other, taken, err := s.ReturnOfWear(wear); err != nil {
			return err
		} else if taken && other.ID != r.ID {
			return fault.New(fault.WearTaken, "return", other.Label())
		}
		r.State, r.Wear, r.Client = Linked, w.ID, w.Client
		if r.History.Start.IsZero() {
			r.History.Start, r.History.StartTaken = w.Start, true
		}
		return nil
	})
}

// SetClock records how far the instrument's clock was ahead when it was read out; zero takes the step back. The original and
// the history stay as they are. A return that waits for its wear is matched again.
func (o *Office) SetClock(ctx context.Context, who access.Actor, id ident.ID, version int, clock Clock) (Return, error) {
	clock.Reason = strings.TrimSpace(clock.Reason)
	if clock.OffsetMS != 0 && clock.Reason == "" {
		return Return{}, bad("a clock offset needs a reason", "reason", "say how it was found")
	}
	if d := time.Duration(clock.OffsetMS) * time.Millisecond; d.Abs() > 366*24*time.Hour {
		return Return{}, bad("a clock is at most a year off", "offset_ms", "milliseconds the instrument was ahead")
	}
	return o.change(ctx, who, id, version, "set clock", func(s Store, r *Return) error {
		r.Clock = clock
		if r.State != NeedsLinking {
			return nil
		}
		wear, candidates, err := o.match(s, *r)
		if err != nil {
			return err
		}
		r.Candidates = candidates
		if !wear.IsZero() {
			w, err := s.WearByID(wear)
			if err != nil {
				return err
			}
			r.State, r.Wear, r.Client, r.Candidates = Linked, w.ID, w.Client, nil
		}
		return nil
	})
}

// change is one versioned change of a return with its entry in the audit trail. Version zero: whatever it is by now.
func (o *Office) change(ctx context.Context, who access.Actor, id ident.ID, version int, verb string, fn func(Store, *Return) error) (Return, error) {
	if err := mayRecord(who, "changing a return needs a surveyor"); err != nil {
		return Return{}, err
	}
	var r Return
	err := o.Do(ctx, who, func(s Store) (err error) {
		if r, err = s.ReturnByID(id); err != nil {
			return err
		}
		if version != 0 && version != r.Version {
			return fault.New(fault.Changed, "noun", "return")
		}
		before := returnState(r)
		if err := fn(s, &r); err != nil {
			return err
		}
		r.Version++
		if err := s.UpdateReturn(r); err != nil {
			return err
		}
		return s.Record(returnChange(r, verb, before))
	})
	return r, err
}

func returnState(r Return) map[string]any {
	return map[string]any{"number": r.Number, "file": r.File, "state": r.State, "wear": r.Wear, "clock_offset_ms": r.Clock.OffsetMS,
		"reviews": len(r.Reviews)}
}

func returnChange(r Return, verb string, before any) trail.Change {
	last, _ := r.Last()
	return trail.Change{Noun: NounReturn, ID: r.ID, Verb: verb, Client: r.Client, Before: before, After: returnState(r),
		Private: map[string]any{"name": r.Name, "unit_name": r.UnitName, "serial": r.Serial, "clock_reason": r.Clock.Reason,
			"reason": last.Reason, "exclusions": last.Exclusions}}
}

// Judgement is what a person says of a linked return: with Accept the data count as read and the result is computed; Exclusions,
// each with its reason, are taken out of the history.
type Judgement struct {
	Return     ident.ID
	Version    int // that was looked at; 0: whatever it is by now
	Reason     string
	Exclusions []exposure.Exclusion
}

// Acceptance is what came of accepting a return. Pending says why there is no result yet, a fault; the acceptance stands.
type Acceptance struct {
	Return  Return
	Result  *Result
	Pending error
}

// Accept records that the reviewer found the return good, tells the fleet that the unit's data were read, and computes the
// result. A later review of the same return is possible and counts from then on; earlier results stay.
func (o *Office) Accept(ctx context.Context, who access.Actor, j Judgement) (Acceptance, error) {
	r, err := o.change(ctx, who, j.Return, j.Version, "accept", func(s Store, r *Return) error {
		if r.Wear.IsZero() {
			return fault.New(fault.ReturnUnlinked, "return", r.Label())
		}
		if err := checkExclusions(*r, j.Exclusions); err != nil {
			return err
		}
		if other, taken, err := s.ReturnOfWear(r.Wear); err != nil {
			return err
		} else if taken && other.ID != r.ID {
			return fault.New(fault.WearTaken, "return", other.Label())
		}
		return o.accept(s, who, r, j)
	})
	if err != nil {
		return Acceptance{}, err
	}
	a := Acceptance{Return: r}
	res, err := o.Compute(ctx, who, r.Wear)
	if err != nil {
		a.Pending = err
		return a, nil
	}
	a.Result = &res
	return a, nil
}

func (o *Office) accept(s Store, who access.Actor, r *Return, j Judgement) error {
	w, err := s.WearByID(r.Wear)
	if err != nil {
		return err
	}
	rev := Review{ID: o.NewID(), Return: r.ID, Wear: r.Wear, Verdict: Accepted, At: o.now(), By: who.Name, Reason: j.Reason, Exclusions: j.Exclusions}
	if last, ok := r.Last(); ok && last.Verdict == Accepted && last.Wear == r.Wear {
		rev.Fact = last.Fact
	} else {
		rev.Fact = o.NewID()
		f := fleet.Fact{ID: rev.Fact, Unit: w.Unit, Occurred: rev.At, Entered: rev.At, By: who.Name, Body: fleet.ReturnAccepted{Wear: w.ID}}
		if err := s.AppendFacts([]fleet.Fact{f}); err != nil {
			return err
		}
	}
	r.State = Accepted
	r.Reviews = append(slices.Clone(r.Reviews), rev)
	return s.InsertReview(*r, rev)
}

// Reject records that the return is not to be used, and why. It feeds no result from then on; results it fed before stay, and
// say so. The unit's data count as unread again.
func (o *Office) Reject(ctx context.Context, who access.Actor, j Judgement) (Return, error) {
	if strings.TrimSpace(j.Reason) == "" {
		return Return{}, bad("rejecting a return needs a reason", "reason", "say why it is not to be used")
	}
	return o.change(ctx, who, j.Return, j.Version, "reject", func(s Store, r *Return) error {
		if r.State == Rejected {
			return fault.New(fault.ReturnReviewed, "return", r.Label(), "state", string(r.State))
		}
		rev := Review{ID: o.NewID(), Return: r.ID, Wear: r.Wear, Verdict: Rejected, At: o.now(), By: who.Name, Reason: strings.TrimSpace(j.Reason)}
		if last, ok := r.Last(); ok && last.Verdict == Accepted {
			w, err := s.WearByID(last.Wear)
			if err != nil {
				return err
			}
			f := fleet.Fact{ID: o.NewID(), Unit: w.Unit, Occurred: rev.At, Entered: rev.At, By: who.Name,
				Body: fleet.Retracted{Fact: last.Fact, Reason: r.Label() + " was rejected"}}
			if err := s.AppendFacts([]fleet.Fact{f}); err != nil {
				return err
			}
		}
		r.State = Rejected
		r.Reviews = append(slices.Clone(r.Reviews), rev)
		return s.InsertReview(*r, rev)
	})
}

func checkExclusions(r Return, exclusions []exposure.Exclusion) error {
	length := r.History.Length().Seconds()
	for i, e := range exclusions {
		switch {
		case strings.TrimSpace(e.Reason) == "":
			return bad("an exclusion needs a reason", fmt.Sprintf("exclusions/%d/reason", i), "say why it is left out")
		case !(e.FromS >= 0 && e.FromS < e.ToS && e.ToS <= length):
			return bad("an exclusion lies inside the measurement and ends after it begins", fmt.Sprintf("exclusions/%d", i), fmt.Sprintf("seconds from 0 to %g", length))
		case e.Treat != exposure.Remove && e.Treat != exposure.NotExposed:
			return bad("an exclusion is either removed or counts as not exposed", fmt.Sprintf("exclusions/%d/treat", i), "remove or not_exposed")
		}
	}
	return nil
}
