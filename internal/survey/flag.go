package survey

import "strings"

// FlagCode names something a reader of a result must know.
type FlagCode string

// The flags. The return checks and the computation add theirs under their own codes (package exposure).
const (
	FlagNoBefore     FlagCode = "no-before-check"
	FlagNoAfter      FlagCode = "no-after-check"
	FlagNoLevel      FlagCode = "no-certified-level"
	FlagDrift        FlagCode = "drift"
	FlagAsReceived   FlagCode = "as-received"
	FlagCertificate  FlagCode = "certificate"
	FlagExtended     FlagCode = "extended"
	FlagLonger       FlagCode = "longer-than-shift"
	FlagClock        FlagCode = "clock"
	FlagShort        FlagCode = "short"
	FlagOneDay       FlagCode = "one-day"
	FlagOutcome      FlagCode = "outcome"
	FlagContradicted FlagCode = "contradicting-facts"
	FlagOtherUnit    FlagCode = "other-unit"
	FlagSetting      FlagCode = "setting"
	FlagOverridden   FlagCode = "worn-not-fit"
)

// Flag is said beside a result, never instead of it. Blocks names what can then not be assessed: profile ids, ISO9612, or
// everything.
type Flag struct {
	Code    FlagCode `json:"code"`
	Text    string   `json:"text"`
	Blocks  []string `json:"blocks,omitempty"`
	Seconds float64  `json:"seconds,omitempty"` // of the history, where it speaks of some
	FromS   *float64 `json:"from_s,omitempty"`  // where they are one stretch
	ToS     *float64 `json:"to_s,omitempty"`
}

// Everything stands in Blocks for every profile and the standard.
const Everything = "*"

// Blocked reports whether the flag makes the profile not assessable.
func (f Flag) Blocked(profile string) bool {
	for _, b := range f.Blocks {
		if b == Everything || b == profile {
			return true
		}
	}
	return false
}

var flagTexts = map[FlagCode]string{
	FlagNoBefore:     "There is no field check before the wear; not assessable under ISO 9612 (12.2).",
	FlagNoAfter:      "There is no field check after the wear; not assessable under ISO 9612 (12.2).",
	FlagNoLevel:      "No certificate states the level of a calibrator used, so the drift cannot be told.",
	FlagDrift:        "The checks before and after differ by {db} dB; not assessable where less is allowed: {what}.",
	FlagAsReceived:   "Before any adjustment the dosimeter was {db} dB off the calibrator; more than 1 dB is suspect.",
	FlagCertificate:  "Not assessable: certificate. {what}",
	FlagExtended:     "{what}",
	FlagLonger:       "The measurement is longer than the declared shift; its level is taken for the shift.",
	FlagClock:        "The measurement and the wear record differ: {what}. Look at the instrument's clock.",
	FlagShort:        "Only {what} of the shift were measured; the rest is as declared.",
	FlagOneDay:       "One measured day: the spread between days is not in the uncertainty. ISO 9612 (11.3) asks for three full days.",
	FlagOutcome:      "The wear ended as: {what}.",
	FlagContradicted: "{what}",
	FlagOtherUnit:    "The file names {name}, but it was linked to a wear of {tag}.",
	FlagSetting:      "The survey needs other settings: {what}.",
	FlagOverridden:   "The unit was not fit when it was put on: {what}.",
}

func flagOf(code FlagCode, args ...string) Flag {
	text := flagTexts[code]
	for i := 0; i+1 < len(args); i += 2 {
		text = strings.ReplaceAll(text, "{"+args[i]+"}", args[i+1])
	}
	return Flag{Code: code, Text: text}
}
