package archive_test

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"kitd/internal/archive"
)

func codec(t testing.TB) *archive.Codec {
	t.Helper()
	c, err := archive.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func roundTrip[T archive.Level](t interface{ Fatalf(string, ...any) }, c *archive.Codec, levels []T) {
	packed, err := archive.Pack(c, levels)
	if err != nil {
		t.Fatalf("pack: %v", err)
	}
	got, err := archive.Unpack[T](c, packed)
	if err != nil || !slices.Equal(got, levels) {
		t.Fatalf("%v came back as %v, %v", levels, got, err)
	}
}

func TestPackRoundTrip(t *testing.T) {
	c := codec(t)
	roundTrip(t, c, []uint16{})
	roundTrip(t, c, []uint16{0, math.MaxUint16, 0, 1, math.MaxUint16 - 1})
	roundTrip(t, c, []int32{math.MinInt32, math.MaxInt32, 0, -1, math.MinInt32})
	roundTrip(t, c, shift(28_800))
	rapid.Check(t, func(rt *rapid.T) {
		roundTrip(rt, c, rapid.SliceOf(rapid.Uint16()).Draw(rt, "u16"))
		roundTrip(rt, c, rapid.SliceOf(rapid.Int32()).Draw(rt, "i32"))
	})
}

func TestPackedFormIsSmallAndFixed(t *testing.T) {
	c := codec(t)
	levels := shift(28_800)
	packed, err := archive.Pack(c, levels)
	if err != nil {
		t.Fatal(err)
	}
	plain := c2zstd(t, levels)
	if len(packed) >= len(plain) {
		t.Errorf("packed %d bytes, zstd of the raw values %d", len(packed), len(plain))
	}
	if packed[0] != 1 || packed[1] != 2 {
		t.Errorf("the form begins with % x, want 01 02", packed[:2])
	}
}

func TestUnpackNoticesDamage(t *testing.T) {
	c := codec(t)
	good, err := archive.Pack(c, shift(500))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := archive.Unpack[int32](c, good); err == nil {
		t.Error("16-bit values were read as 32-bit ones")
	}
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 0x40
		if got, err := archive.Unpack[uint16](c, bad); err == nil && !slices.Equal(got, shift(500)) {
			t.Errorf("a changed byte %d went unnoticed", i)
		}
		if _, err := archive.Unpack[uint16](c, good[:i]); err == nil {
			t.Errorf("a cut at byte %d went unnoticed", i)
		}
	}
}

func TestPackRefusesTooMany(t *testing.T) {
	if _, err := archive.Pack(codec(t), make([]uint16, archive.MaxLevels+1)); err == nil {
		t.Error("more than MaxLevels were packed")
	}
}

func FuzzUnpack(f *testing.F) {
	c := codec(f)
	for _, n := range []int{0, 1, 300} {
		packed, err := archive.Pack(c, shift(n))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(packed)
	}
	wide, err := archive.Pack(c, []int32{5, -7, 1 << 30})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(wide)
	f.Fuzz(func(t *testing.T, b []byte) {
		if levels, err := archive.Unpack[uint16](c, b); err == nil {
			roundTrip(t, c, levels)
		}
		if levels, err := archive.Unpack[int32](c, b); err == nil {
			roundTrip(t, c, levels)
		}
	})
}

// BenchmarkPack packs one shift; the reference is zstd over the raw values.
func BenchmarkPack(b *testing.B) {
	c, levels := codec(b), shift(28_800)
	b.Run("planes", func(b *testing.B) {
		for b.Loop() {
			if _, err := archive.Pack(c, levels); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("reference-raw-zstd", func(b *testing.B) {
		for b.Loop() {
			c2zstd(b, levels)
		}
	})
}

var rawEncoder, _ = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))

func c2zstd(t testing.TB, levels []uint16) []byte {
	t.Helper()
	raw := make([]byte, 0, 2*len(levels))
	for _, v := range levels {
		raw = append(raw, byte(v), byte(v>>8))
	}
	return rawEncoder.EncodeAll(raw, nil)
}

// shift invents a history in steps of 0.1 dB: a slow walk about 82 dB with louder spells.
func shift(n int) []uint16 {
	r := rand.New(rand.NewPCG(1, 2))
	levels := make([]uint16, n)
	level, spell := 820.0, 0.0
	for i := range levels {
		if r.IntN(600) == 0 {
			spell = float64(r.IntN(200))
		}
		level += 0.05*(820+spell-level) + 8*r.NormFloat64()
		levels[i] = uint16(min(1400, max(200, math.Round(level))))
	}
	return levels
}
