package exposure

import "math"

// Instrument is the kind of instrument, for its share of the uncertainty.
type Instrument string

// The instruments of ISO 9612:2009, Table C.5.
const (
	Personal Instrument = "personal" // personal sound exposure meter, IEC 61252
	Class1   Instrument = "class1"   // sound level meter of class 1, IEC 61672-1
	Class2   Instrument = "class2"   // sound level meter of class 2, IEC 61672-1
)

// Coverage is the factor of the one-sided 95 % interval (ISO 9612:2009, C.2).
const Coverage = 1.65

// PositionUncertainty is u3 in dB, the standard uncertainty of the microphone position (ISO 9612:2009, C.6).
const PositionUncertainty = 1.0

// Uncertainty is u2 in dB, the standard uncertainty of the instrument, and whether the kind is known (ISO 9612:2009, Table C.5).
func (i Instrument) Uncertainty() (u2 float64, ok bool) {
	switch i {
	case Personal, Class2:
		return 1.5, true
	case Class1:
		return 0.7, true
	}
	return 0, false
}

// expanded is the part of the expanded uncertainty, in dB, that instrument and microphone position bring on their own.
func (i Instrument) expanded() float64 {
	u2, _ := i.Uncertainty()
	return Coverage * math.Sqrt(float64(u2*u2)+float64(PositionUncertainty*PositionUncertainty))
}
