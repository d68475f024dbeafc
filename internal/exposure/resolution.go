package exposure

import "math"

const (
	maxLevel    = 200       // dB; above it nothing in air is a sound level
	microPerDB  = 1_000_000 // the resolution at which levels are compared: 1e-6 dB
	refPressure = 2e-5      // Pa, the reference of levels in air (ISO 1683)
)

// Level rounds a level to 1e-6 dB, the form in which levels are compared and stored.
func Level(db float64) float64 { return math.Round(db*microPerDB) / microPerDB }

// Share rounds a dose or a sound exposure to 1e-6 of itself, and never coarser than four decimals: the form in which doses
// are compared and stored.
func Share(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	digits := 6 - int(math.Floor(math.Log10(math.Abs(x))))
	scale := math.Pow10(min(max(digits, 4), 22))
	if scaled := x * scale; math.Abs(scaled) < 1<<53 {
		return math.Round(scaled) / scale
	}
	return x
}

// PeakPressure turns a peak level in dB into Pa.
func PeakPressure(db float64) float64 { return refPressure * math.Pow(10, db/20) }

// PeakLevel turns a peak pressure in Pa into dB; zero or less has no level and gives -Inf.
func PeakLevel(pa float64) float64 {
	if pa <= 0 {
		return math.Inf(-1)
	}
	return 20 * math.Log10(pa/refPressure)
}

func micro(db float64) int64 { return int64(math.Round(db * microPerDB)) }

// known gives a pointer to a level rounded for storing, or nil when there is no level (no sound energy, no time).
func known(db float64) *float64 {
	if math.IsNaN(db) || math.IsInf(db, 0) {
		return nil
	}
	db = Level(db)
	return &db
}

// share gives a pointer to a dose rounded for storing, or nil when it is undefined.
func share(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	x = Share(x)
	return &x
}
