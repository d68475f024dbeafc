package web

import (
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/web/look"
	"kitd/web/when"
)

// strip draws the coming weeks of one unit from the first day asked for on.
func (t teller) strip(first time.Time, outlook []fleet.Stretch, promises []fleet.Promise, v fleet.Verdict, p fleet.Place) look.Strip {
	s := look.Strip{First: civil.Of(first.In(t.loc)).Start(t.loc), Now: t.now, Due: v.FullBy, Blocks: t.blocks(promises, p)}
	for _, o := range outlook {
		s.Base = append(s.Base, look.Stretch{From: o.Span.From, To: o.Span.To, Fit: o.Fit})
	}
	if !v.CertEnds.IsZero() {
		s.Ends = v.CertEnds.End(t.loc)
	}
	s.Words = t.stripWords(s, v)
	return s
}

// blocks stand on the line: promises, and a stay at a laboratory.
func (t teller) blocks(promises []fleet.Promise, p fleet.Place) []look.Block {
	var out []look.Block
	for _, x := range promises {
		if x.Gone.IsZero() && x.Span.To.After(t.now) {
			out = append(out, look.Block{From: x.Span.From, To: x.Span.To})
		}
	}
	if p.State == fleet.AtLaboratory {
		due := p.Due
		if due.IsZero() {
			due = t.now.AddDate(1, 0, 0)
		}
		out = append(out, look.Block{From: p.Since, To: due, Laboratory: true})
	}
	return out
}

// stripWords says the same as the line.
func (t teller) stripWords(s look.Strip, v fleet.Verdict) string {
	text := ""
	for _, b := range s.Base {
		word := "Not fit "
		if b.Fit {
			word = "Fit "
		}
		text += word + t.days(b.From, b.To) + ". "
	}
	for _, b := range s.Blocks {
		word := "Promised "
		if b.Laboratory {
			word = "At laboratory "
		}
		text += word + t.days(b.From, b.To) + ". "
	}
	if !v.CertEnds.IsZero() {
		text += "Certificate ends " + when.Day(v.CertEnds, t.today()) + ". "
	}
	if !v.FullBy.IsZero() {
		text += "Full charge due " + when.Day(civil.Of(v.FullBy.In(t.loc)), t.today()) + "."
	}
	return text
}

func (t teller) days(from, to time.Time) string {
	first, last := civil.Of(from.In(t.loc)), civil.Of(to.Add(-time.Second).In(t.loc))
	return when.Days(first, last, t.today())
}
