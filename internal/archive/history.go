package archive

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"
)

// MaxLevels bounds a packed history: 2^24 values, a week at 25 values a second.
const MaxLevels = 1 << 24

// ErrDamaged is returned for bytes that Pack did not make.
var ErrDamaged = errors.New("archive: the packed history is damaged")

// packedVersion is the first byte of a packed history. After it come the width of a value in bytes (2 or 4), the number of
// values (unsigned varint) and one zstd frame. The frame holds the differences between neighbours, zigzag-coded so that small
// ones of either sign are small numbers, one plane for each byte of a value, the lowest first.
const packedVersion = 1

// Level is how a value of a history is stored: steps of 0.1 or 0.01 dB in 16 bits, or anything in 32.
type Level interface{ uint16 | int32 }

// Codec packs and unpacks histories. It is safe for concurrent use.
type Codec struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// NewCodec makes a codec.
func NewCodec() (*Codec, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(2), zstd.WithEncoderCRC(true))
	if err != nil {
		return nil, err
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(4*MaxLevels))
	if err != nil {
		return nil, err
	}
	return &Codec{enc, dec}, nil
}

// Pack gives the packed form of a history, at most MaxLevels long.
func Pack[T Level](c *Codec, levels []T) ([]byte, error) {
	if len(levels) > MaxLevels {
		return nil, fmt.Errorf("archive: a history of %d values, at most %d are packed", len(levels), MaxLevels)
	}
	width := widthOf[T]()
	out := binary.AppendUvarint([]byte{packedVersion, byte(width)}, uint64(len(levels)))
	return c.enc.EncodeAll(planes(levels, width), out), nil
}

// Unpack reads a packed history of the same width; anything else is ErrDamaged.
func Unpack[T Level](c *Codec, packed []byte) ([]T, error) {
	width := widthOf[T]()
	if len(packed) < 3 || packed[0] != packedVersion || int(packed[1]) != width {
		return nil, ErrDamaged
	}
	n, used := binary.Uvarint(packed[2:])
	if used <= 0 || n > MaxLevels {
		return nil, ErrDamaged
	}
	frame := packed[2+used:]
	if !fits(frame, n*uint64(width)) {
		return nil, ErrDamaged
	}
	raw, err := c.dec.DecodeAll(frame, nil)
	if err != nil || uint64(len(raw)) != n*uint64(width) {
		return nil, ErrDamaged
	}
	return joinPlanes[T](raw, int(n)), nil
}

// fits reports whether a frame claims the size, before anything is unpacked. Frames below 256 bytes may leave it out.
func fits(frame []byte, size uint64) bool {
	var head zstd.Header
	if size == 0 {
		return len(frame) == 0 || head.Decode(frame) == nil
	}
	if err := head.Decode(frame); err != nil {
		return false
	}
	if !head.HasFCS {
		return size < 256
	}
	return head.FrameContentSize == size
}

func widthOf[T Level]() int {
	var zero T
	return binary.Size(zero)
}

// planes differences, zigzag-codes and splits. Differences wrap around, which loses nothing.
func planes[T Level](levels []T, width int) []byte {
	n := len(levels)
	out := make([]byte, n*width)
	if width == 2 {
		var last uint16
		low, high := out[:n], out[n:]
		for i, v := range levels {
			d := int16(uint16(v) - last)
			last = uint16(v)
			z := uint16(d<<1) ^ uint16(d>>15)
			low[i], high[i] = byte(z), byte(z>>8)
		}
		return out
	}
	var last uint32
	for i, v := range levels {
		d := int32(uint32(v) - last)
		last = uint32(v)
		z := uint32(d<<1) ^ uint32(d>>31)
		out[i], out[n+i], out[2*n+i], out[3*n+i] = byte(z), byte(z>>8), byte(z>>16), byte(z>>24)
	}
	return out
}

func joinPlanes[T Level](raw []byte, n int) []T {
	levels := make([]T, n)
	if len(raw) == 2*n {
		var last uint16
		low, high := raw[:n], raw[n:]
		for i := range levels {
			z := uint16(low[i]) | uint16(high[i])<<8
			last += z>>1 ^ -(z & 1)
			levels[i] = T(last)
		}
		return levels
	}
	var last uint32
	for i := range levels {
		z := uint32(raw[i]) | uint32(raw[n+i])<<8 | uint32(raw[2*n+i])<<16 | uint32(raw[3*n+i])<<24
		last += z>>1 ^ -(z & 1)
		levels[i] = T(last)
	}
	return levels
}
