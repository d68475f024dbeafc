package exposure

import "math"

// AtEarLevels are levels under the protectors, where they are known. For a worker without protectors they are the open-ear
// ones.
type AtEarLevels struct {
	LEX8hDB *float64
	PeakDB  *float64 // C-weighted
}

// standing is what verdicts are made from. nil levels: no energy, or not measured.
type standing struct {
	lex           *float64
	lexAdjusted   *float64 // with the adder for long shifts
	dose          *float64 // of the shift, %
	peakDB        *float64
	peakWeighting string
	maxDB         *float64

	roughEnergy bool // the levels are maxima: equivalent levels come out too high
	roughDose   bool // equivalent levels for a slow-weighted dose
	roughMax    bool // equivalent levels for the highest slow level
	silent      bool // no energy at all
	atEar       *AtEarLevels
	band        float64 // expanded uncertainty of instrument and position, dB
	exchange    float64 // of the profile's dose, dB
}

// judge compares one limit.
func (s standing) judge(l Limit) Verdict {
	v := Verdict{ID: l.ID, Duty: l.Duty, Quantity: l.Quantity, Basis: l.Basis, Comparison: l.Comparison, Limit: l.Value, Unit: l.Unit}
	v.Value = s.value(l)
	if v.Value == nil {
		v.State = NotAssessable
		if s.silent && l.Quantity != PeakDB && l.Quantity != PeakPa {
			v.State = NotMet
		}
		return v
	}
	value := *v.Value
	if l.Quantity == PeakPa {
		value = *s.peak(l)
	}
	reached := l.reached(value)
	v.State = NotMet
	switch {
	case s.rough(l.Quantity):
		v.State = EstimateOnly
	case reached && l.Basis == AtEar && s.earLevel(l.Quantity) == nil:
		v.State, v.Value = NotAssessable, nil
		return v
	case reached:
		v.State = Met
	}
	v.WithinUncertainty = math.Abs(Level(s.distance(l, value))) <= Level(s.band)
	return v
}

// value is the value the limit is compared with, in the limit's unit, rounded for comparing; nil when there is none.
func (s standing) value(l Limit) *float64 {
	switch l.Quantity {
	case DosePercent:
		return s.dose
	case LEX8h:
		if ear := s.earLevel(LEX8h); l.Basis == AtEar && ear != nil {
			return known(*ear)
		}
		return s.lex
	case LEX8hAdjusted:
		return s.lexAdjusted
	case LevelMax:
		return s.maxDB
	}
	peak := s.peak(l)
	if peak != nil && l.Quantity == PeakPa {
		return share(PeakPressure(*peak))
	}
	return peak
}

// peak is the peak level in dB that may decide the limit, nil when there is none of its weighting.
func (s standing) peak(l Limit) *float64 {
	if ear := s.earLevel(l.Quantity); l.Basis == AtEar && ear != nil {
		return known(*ear)
	}
	if l.PeakWeighting != "any" && s.peakWeighting != l.PeakWeighting {
		return nil
	}
	return s.peakDB
}

func (s standing) earLevel(q Measure) *float64 {
	switch {
	case s.atEar == nil:
		return nil
	case q == LEX8h:
		return s.atEar.LEX8hDB
	case q == PeakDB || q == PeakPa:
		return s.atEar.PeakDB
	}
	return nil
}

func (s standing) rough(q Measure) bool {
	switch q {
	case DosePercent:
		return s.roughDose
	case LEX8h, LEX8hAdjusted:
		return s.roughEnergy
	case LevelMax:
		return s.roughMax
	}
	return false
}

// reached compares a value in the limit's unit, but a pressure by its level in dB.
func (l Limit) reached(value float64) bool {
	limit := l.Value
	switch l.Quantity {
	case PeakPa:
		value, limit = Level(value), Level(PeakLevel(limit))
	case DosePercent:
		value, limit = Share(value), Share(limit)
	default:
		value, limit = Level(value), Level(limit)
	}
	if l.Comparison == AtOrAbove {
		return value >= limit
	}
	return value > limit
}

// distance is how far the value, as reached takes it, lies above the limit, in dB.
func (s standing) distance(l Limit, value float64) float64 {
	switch l.Quantity {
	case PeakPa:
		return value - PeakLevel(l.Value)
	case DosePercent:
		return s.exchange / math.Log10(2) * math.Log10(value/l.Value)
	}
	return value - l.Value
}
