// Package archive names stored files by what they contain and packs time histories. Original bytes never change: what was
// downloaded from an instrument, a certificate or a photo is found again by its hash, and the hash is what results pin.
package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"

	"kitd/internal/access"
)

// ChunkSize is how much of a file is stored, and held in memory, at a time: 256 KiB.
const ChunkSize = 256 << 10

// Hash is the SHA-256 of a file's bytes.
type Hash [sha256.Size]byte

// IsZero reports whether the hash is absent.
func (h Hash) IsZero() bool { return h == Hash{} }

// String gives lower-case hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseHash reads 64 hexadecimal digits.
func ParseHash(s string) (Hash, error) {
	var h Hash
	raw, err := hex.DecodeString(s)
	if err != nil || len(raw) != len(h) {
		return Hash{}, fmt.Errorf("%q is not a SHA-256 of 64 hexadecimal digits", s)
	}
	copy(h[:], raw)
	return h, nil
}

// File is a complete stored file.
type File struct {
	Hash Hash
	Size int64 // bytes
}

// Keeper stores files. It does not know whose they are: whoever hands out a hash has checked the client wall.
type Keeper interface {
	// Put stores everything r gives, up to limit bytes, and names it. More than limit is the fault "too large"; after any
	// error nothing of the file is kept. A file that is there already is stored once.
	Put(ctx context.Context, who access.Actor, r io.Reader, limit int64) (File, error)
	// Get opens a stored file. Bytes that do not match the hash end in the fault "file damaged" instead of io.EOF.
	Get(ctx context.Context, who access.Actor, hash Hash) (io.ReadCloser, File, error)
}
