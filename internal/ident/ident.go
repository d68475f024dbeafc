// Package ident holds the identifier every stored thing carries: a UUID version 7 (RFC 9562, section 5.7).
package ident

import (
	"encoding/hex"
	"errors"
	"io"
	"sync"
	"time"
)

// ID is a UUID in its 16-byte form. The zero ID means "none".
type ID [16]byte

// ErrSyntax is returned when a text is not a UUID.
var ErrSyntax = errors.New("ident: not a UUID of the form xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx")

// IsZero reports whether the identifier is absent.
func (id ID) IsZero() bool { return id == ID{} }

// String gives the canonical lower-case form.
func (id ID) String() string {
	var b [36]byte
	hex.Encode(b[0:8], id[0:4])
	b[8] = '-'
	hex.Encode(b[9:13], id[4:6])
	b[13] = '-'
	hex.Encode(b[14:18], id[6:8])
	b[18] = '-'
	hex.Encode(b[19:23], id[8:10])
	b[23] = '-'
	hex.Encode(b[24:36], id[10:16])
	return string(b[:])
}

// Parse reads the canonical form, upper or lower case.
func Parse(s string) (ID, error) {
	var id ID
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return ID{}, ErrSyntax
	}
	packed := s[0:8] + s[9:13] + s[14:18] + s[19:23] + s[24:36]
	if _, err := hex.Decode(id[:], []byte(packed)); err != nil {
		return ID{}, ErrSyntax
	}
	return id, nil
}

// FromBytes reads a stored 16-byte identifier.
func FromBytes(b []byte) (ID, error) {
	var id ID
	if len(b) != len(id) {
		return ID{}, ErrSyntax
	}
	copy(id[:], b)
	return id, nil
}

// MarshalText implements encoding.TextMarshaler; the zero ID is the empty text.
func (id ID) MarshalText() ([]byte, error) {
	if id.IsZero() {
		return []byte{}, nil
	}
	return []byte(id.String()), nil
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (id *ID) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*id = ID{}
		return nil
	}
	parsed, err := Parse(string(b))
	if err != nil {
		return err
	}
	*id = parsed
	return nil
}

// Source makes identifiers. Identifiers are ordered by the time of making, never secret.
type Source func() ID

// NewSource returns a Source that stamps with now and fills with random; safe for concurrent use. Identifiers of one
// source never go backwards, even when the clock does.
func NewSource(now func() time.Time, random io.Reader) Source {
	var mu sync.Mutex
	var last int64
	var seq uint16
	return func() ID {
		mu.Lock()
		defer mu.Unlock()
		var id ID
		if _, err := io.ReadFull(random, id[6:]); err != nil {
			panic("ident: no randomness: " + err.Error())
		}
		ms := now().UnixMilli()
		switch {
		case ms > last:
			last, seq = ms, uint16(id[6]&0x07)<<8|uint16(id[7])
		case seq < 0x0fff:
			seq++
		default:
			last, seq = last+1, 0
		}
		for i := range 6 {
			id[i] = byte(last >> (40 - 8*i))
		}
		id[6] = 0x70 | byte(seq>>8)
		id[7] = byte(seq)
		id[8] = 0x80 | id[8]&0x3f
		return id
	}
}
