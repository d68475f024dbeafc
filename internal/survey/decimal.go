package survey

import (
	"bytes"
	"fmt"
	"math"
	"strings"
)

// DB is a level or a difference of levels in thousandths of a decibel. Field checks are judged in whole numbers, so that a
// difference of exactly 0.5 dB is exactly 0.5 dB: in binary floating point 114.5 − 114.0 is, 94.3 − 93.8 is not.
type DB int64

// The bounds of what a field check can show; a figure outside is a slip of the pen.
const (
	LowestDB  DB = -20_000
	HighestDB DB = 200_000
)

// ParseDB reads a decimal number of decibels with at most three decimals, such as "114", "-0.5" or "93.98".
func ParseDB(s string) (DB, error) {
	digits, negative := strings.CutPrefix(strings.TrimSpace(s), "-")
	whole, decimals, point := strings.Cut(digits, ".")
	if whole == "" || len(whole) > 6 || point && decimals == "" {
		return 0, fmt.Errorf("%q is not a number of decibels such as 114.0", s)
	}
	if len(decimals) > 3 {
		return 0, fmt.Errorf("%q has more than three decimals; write it to 0.001 dB", s)
	}
	var v DB
	for _, c := range whole + (decimals + "000")[:3] {
		if c < '0' || c > '9' {
			return 0, fmt.Errorf("%q is not a number of decibels such as 114.0", s)
		}
		v = v*10 + DB(c-'0')
	}
	if negative {
		v = -v
	}
	return v, nil
}

// RoundDB takes a level kept as a binary number, as certificates have it, to the nearest thousandth.
func RoundDB(f float64) DB { return DB(math.Round(f * 1000)) }

// Float gives the level for computations that are not compared with a limit here.
func (d DB) Float() float64 { return float64(d) / 1000 }

// Abs is the size of a difference.
func (d DB) Abs() DB { return max(d, -d) }

// String shows at least one decimal and no closing zeros beyond it: "114.0", "93.98", "-0.5".
func (d DB) String() string {
	sign := ""
	if d < 0 {
		sign = "-"
	}
	n := int64(d.Abs())
	s := fmt.Sprintf("%s%d.%03d", sign, n/1000, n%1000)
	return strings.TrimSuffix(strings.TrimSuffix(s, "0"), "0")
}

// MarshalJSON writes the exact decimal number.
func (d DB) MarshalJSON() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalJSON reads a JSON number, or a text that holds one, exactly.
func (d *DB) UnmarshalJSON(b []byte) error {
	v, err := ParseDB(string(bytes.Trim(b, `"`)))
	if err != nil {
		return err
	}
	*d = v
	return nil
}
