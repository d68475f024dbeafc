package exposure

// Check is one field check: what the instrument indicated and what the calibrator used is certified to give, in dB. Before
// a wear the reading is the one after adjustment, after it the one without adjustment.
type Check struct {
	IndicatedDB float64
	CertifiedDB float64
}

// Drift is the change of the deviation from the calibrator between two checks, in dB, in decimal arithmetic at 1e-6 dB.
// The two calibrators may differ.
func Drift(before, after Check) float64 {
	return float64(after.deviation()-before.deviation()) / microPerDB
}

// DriftWithin reports whether a drift does not pass a limit, either way; exactly the limit passes (ISO 9612:2009, 12.2:
// more than 0.5 dB discards the series).
func DriftWithin(drift, limitDB float64) bool {
	return max(micro(drift), -micro(drift)) <= micro(limitDB)
}

func (c Check) deviation() int64 { return micro(c.IndicatedDB) - micro(c.CertifiedDB) }
