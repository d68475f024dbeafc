package fleet

import (
	"time"

	"kitd/internal/ident"
)

// SoonDays is how many days before its end a certificate is "due soon" where nobody asks for another number.
const SoonDays = 30

// Assess answers whether the unit of the dossier is fit for the span, as known at the moment: facts, certificates, corrections
// and promises entered later do not count, nor do later retractions. The span must be valid. Times in reasons are shown in the
// zone of the depot.
func Assess(d Dossier, span Span, at time.Time) Verdict { return AssessSoon(d, span, at, SoonDays) }

// AssessSoon is Assess with another number of days for "due soon".
func AssessSoon(d Dossier, span Span, at time.Time, soonDays int) Verdict {
	ms := at.UnixMilli()
	t := lay(&d, d.Depot.Location(), ms, powerOf(d.Power, ms))
	return t.verdict(span, at, soonDays, seesAll)
}

// powerOf reads the power of each charger at most once.
func powerOf(supplies map[ident.ID]Supply, at int64) func(ident.ID) *powerLine {
	lines := map[ident.ID]*powerLine{}
	return func(id ident.ID) *powerLine {
		if l, ok := lines[id]; ok {
			return l
		}
		l := linePower(supplies[id], at)
		lines[id] = &l
		return &l
	}
}

func seesAll(ident.ID) bool { return true }

// verdict puts the findings into words. sees says which clients' names may be told.
func (t *timeline) verdict(span Span, at time.Time, soonDays int, sees func(ident.ID) bool) Verdict {
	from, to := span.From.UnixMilli(), span.To.UnixMilli()
	found := t.find(from, to, nil)
	soon := codes(found)&(1<<codeCertificate) == 0 && t.dueSoon(from, soonDays)
	v := Verdict{
		Unit: t.d.Unit.ID, Span: span, AsKnownAt: at, Fit: len(found) == 0, State: t.state(found, from, soon),
		CertEnds: t.cover.endsAt(from), FullBy: t.charge.fullBy(from),
	}
	w := wording{t: t, clock: clockAt(t.loc, at), sees: sees, at: at.UnixMilli()}
	for _, f := range found {
		v.Reasons = append(v.Reasons, w.reason(f))
	}
	for _, c := range contradictions(t.facts, t.cover.lines) {
		v.Contra = append(v.Contra, w.contra(c))
	}
	return v
}
