package fleet

import (
	"bytes"
	"cmp"
	"slices"
	"sort"
	"time"

	"kitd/internal/civil"
)

// coverWhy says why a stretch of time is not covered by a certificate.
type coverWhy uint8

const (
	coverOK       coverWhy = iota
	coverNone              // no certificate on record
	coverBefore            // the first certificate comes later
	coverFail              // the newest certificate failed the unit
	coverUnstated          // the newest certificate states no conformity
	coverDue               // the due date has passed
	coverEvent             // a repair, a new microphone or metrological firmware
)

// coverPiece holds from its instant to the next piece's.
type coverPiece struct {
	from int64
	why  coverWhy
	line int32 // index into the known lines, -1 for none
	ref  int32 // index of the fact that moved or ended it, -1 for none
}

// coverLine is the certificate coverage of one unit over time.
type coverLine struct {
	needed bool
	lines  []Line
	pieces []coverPiece
	ends   []civil.Date // last covered day of each line, zero for lines that cover nothing
	latest int64        // last moment at which a line was entered or superseded
}

// lineCover builds the coverage as known at the moment. On each day the newest calibration governs; only Pass covers, from
// the day of calibration to the end of the last covered day in the depot's zone. What happened to the unit on a later day than
// the calibration ends it at once. Several lines of one day: the worst governs.
func lineCover(d *Dossier, facts []Fact, loc *time.Location, at int64) coverLine {
	c := coverLine{needed: d.Model.CalibrationMonths > 0, latest: never}
	if !c.needed {
		return c
	}
	for _, l := range d.Lines {
		entered, gone := l.Entered.UnixMilli(), msOr(l.Superseded, forever)
		c.latest = max(c.latest, entered)
		if gone != forever {
			c.latest = max(c.latest, gone)
		}
		if entered <= at && at < gone {
			c.lines = append(c.lines, l)
		}
	}
	slices.SortFunc(c.lines, byCalibrated)
	c.cut(facts, loc)
	return c
}

func byCalibrated(a, b Line) int {
	return cmp.Or(a.Calibrated.Compare(b.Calibrated), cmp.Compare(a.Verdict.weight(), b.Verdict.weight()),
		a.Entered.Compare(b.Entered), bytes.Compare(a.ID[:], b.ID[:]))
}

// weight orders verdicts from harmless to grave.
func (v LabVerdict) weight() int {
	switch v {
	case Pass:
		return 0
	case Fail:
		return 2
	}
	return 1
}

// cut makes the pieces, line by line.
func (c *coverLine) cut(facts []Fact, loc *time.Location) {
	why := coverBefore
	if len(c.lines) == 0 {
		why = coverNone
	}
	c.pieces = append(c.pieces, coverPiece{never, why, -1, -1})
	c.ends = make([]civil.Date, len(c.lines))
	for i := range c.lines {
		next := int64(forever)
		if i+1 < len(c.lines) {
			next = c.lines[i+1].Calibrated.Start(loc).UnixMilli()
		}
		c.cutLine(i, next, facts, loc)
	}
}

func (c *coverLine) cutLine(i int, next int64, facts []Fact, loc *time.Location) {
	l := &c.lines[i]
	start := l.Calibrated.Start(loc).UnixMilli()
	if l.Verdict != Pass {
		why := coverUnstated
		if l.Verdict == Fail {
			why = coverFail
		}
		c.push(coverPiece{start, why, int32(i), -1}, next)
		return
	}
	due, moved := dueOf(l, facts)
	end := coverPiece{due.End(loc).UnixMilli(), coverDue, int32(i), int32(moved)}
	c.ends[i] = due
	if ref := endedBy(l, facts, loc); ref >= 0 && facts[ref].Occurred.UnixMilli() < end.from {
		end = coverPiece{facts[ref].Occurred.UnixMilli(), coverEvent, int32(i), int32(ref)}
		c.ends[i] = civil.Of(facts[ref].Occurred.In(loc))
	}
	end.from = max(end.from, start)
	c.push(coverPiece{start, coverOK, int32(i), int32(moved)}, next)
	c.push(end, next)
}

// push adds a piece that begins before the next line governs; a piece of no length gives way to the one after it.
func (c *coverLine) push(p coverPiece, next int64) {
	if p.from >= next {
		return
	}
	if n := len(c.pieces); p.from <= c.pieces[n-1].from {
		p.from = c.pieces[n-1].from
		c.pieces[n-1] = p
		return
	}
	c.pieces = append(c.pieces, p)
}

// dueOf is the due date of a line after the last decision to move it, with the index of that fact.
func dueOf(l *Line, facts []Fact) (civil.Date, int) {
	due, ref := l.Due, -1
	for i := range facts {
		if e, ok := facts[i].Body.(Extended); ok && e.Line == l.ID {
			due, ref = e.Due, i
		}
	}
	return due, ref
}

// endedBy finds the first event, on a later day than the calibration, that ends the line's coverage.
func endedBy(l *Line, facts []Fact, loc *time.Location) int {
	after := l.Calibrated.End(loc).UnixMilli()
	for i := range facts {
		if _, ok := facts[i].Body.(CoverageEnded); ok && facts[i].Occurred.UnixMilli() >= after {
			return i
		}
	}
	return -1
}

// at gives the index of the piece that holds at t.
func (c *coverLine) at(t int64) int {
	return sort.Search(len(c.pieces), func(i int) bool { return c.pieces[i].from > t }) - 1
}

// emit finds the first instant of the span that is not covered.
func (c *coverLine) emit(from, to int64, out []finding) []finding {
	if !c.needed {
		return out
	}
	for i := c.at(from); i < len(c.pieces) && c.pieces[i].from < to; i++ {
		if p := c.pieces[i]; p.why != coverOK {
			return append(out, finding{code: codeCertificate, cover: p.why, line: int(p.line), ref: int(p.ref),
				mark: p.from, inside: p.from > from, clears: c.resumes(i)})
		}
	}
	return out
}

// resumes is when a known later certificate covers again.
func (c *coverLine) resumes(i int) int64 {
	for _, p := range c.pieces[i+1:] {
		if p.why == coverOK {
			return p.from
		}
	}
	return never
}

// endsAt is the last covered day of the line that governs at t.
func (c *coverLine) endsAt(t int64) civil.Date {
	if !c.needed {
		return civil.Date{}
	}
	if l := c.pieces[c.at(t)].line; l >= 0 {
		return c.ends[l]
	}
	return civil.Date{}
}
