package archive_test

import (
	"encoding/hex"
	"slices"
	"testing"

	"kitd/internal/archive"
)

// Histories that were packed once must be read by every later version.
func TestOldHistoriesStayReadable(t *testing.T) {
	c := codec(t)
	narrow, wide := []uint16{820, 821, 815, 1400, 0}, []int32{-5, 1 << 30, 7}
	for _, old := range []struct{ narrow, wide string }{{"01020528b52ffd040051000068020b92ef060000040abaea4c39", "01040328b52ffd0400610000090af10000ff0000ff00807f636da901"}} {
		raw, err := hex.DecodeString(old.narrow)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := archive.Unpack[uint16](c, raw); err != nil || !slices.Equal(got, narrow) {
			t.Errorf("%s is read as %v, %v", old.narrow, got, err)
		}
		if raw, err = hex.DecodeString(old.wide); err != nil {
			t.Fatal(err)
		}
		if got, err := archive.Unpack[int32](c, raw); err != nil || !slices.Equal(got, wide) {
			t.Errorf("%s is read as %v, %v", old.wide, got, err)
		}
	}
}
