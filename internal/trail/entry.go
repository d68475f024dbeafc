package trail

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"

	"kitd/internal/ident"
)

// Entry is a change as it is stored and sealed. The states are JSON texts, byte for byte as stored; nil is absent.
type Entry struct {
	Seq         int64 // place in the chain, from 1; zero until sealed
	ID          ident.ID
	Account     ident.ID // zero for jobs and commands
	Job         string   // name of the job or command; empty for accounts, whose names stay outside the chain
	Role        string
	Via         string
	Request     string
	Noun        string
	NounID      ident.ID
	Verb        string
	Client      ident.ID
	Occurred    int64 // UTC milliseconds
	Entered     int64 // UTC milliseconds
	Before      []byte
	After       []byte
	PrivateHash []byte // PrivateHash(salt, payload), nil when there is no private payload
}

// Hash is one link of the chain.
type Hash [sha256.Size]byte

// String gives lower-case hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// Canonical is the one encoding of an entry that is hashed: a version line, then each field with its length in front, so
// that no two different entries encode alike.
func (e Entry) Canonical() []byte {
	b := []byte("kitd audit 1\n")
	b = binary.BigEndian.AppendUint64(b, uint64(e.Seq))
	b = append(b, e.ID[:]...)
	b = append(b, e.Account[:]...)
	for _, s := range []string{e.Job, e.Role, e.Via, e.Request, e.Noun} {
		b = appendBytes(b, []byte(s))
	}
	b = append(b, e.NounID[:]...)
	b = appendBytes(b, []byte(e.Verb))
	b = append(b, e.Client[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(e.Occurred))
	b = binary.BigEndian.AppendUint64(b, uint64(e.Entered))
	for _, s := range [][]byte{e.Before, e.After, e.PrivateHash} {
		b = appendOptional(b, s)
	}
	return b
}

func appendBytes(b, s []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(len(s)))
	return append(b, s...)
}

// appendOptional tells an absent field from an empty one.
func appendOptional(b, s []byte) []byte {
	if s == nil {
		return append(b, 0)
	}
	return appendBytes(append(b, 1), s)
}

// Seal chains an entry to the hash of the one before it: SHA-256 over the previous hash and the canonical form. The first
// entry follows the zero Hash.
func Seal(previous Hash, e Entry) Hash {
	return sha256.Sum256(append(previous[:], e.Canonical()...))
}

// PrivateHash is what the chain holds of a private payload. The salt, at least 16 random bytes, is erased with the payload,
// so that guessing the payload from its hash is out of reach.
func PrivateHash(salt, payload []byte) Hash {
	return sha256.Sum256(append(appendBytes([]byte("kitd private 1\n"), salt), payload...))
}

// Sealed is an entry with its link and, unless erased, its private payload.
type Sealed struct {
	Entry
	Hash    Hash
	Salt    []byte
	Private []byte
}

// Head is the end of the chain, kept apart from it so that a cut end is seen.
type Head struct {
	Seq  int64
	Hash Hash
}

// String gives the form that ParseHead reads.
func (h Head) String() string { return fmt.Sprintf("%d %s", h.Seq, h.Hash) }

// ParseHead reads a stored head.
func ParseHead(s string) (Head, error) {
	var h Head
	var text string
	if _, err := fmt.Sscanf(s, "%d %64s", &h.Seq, &text); err != nil {
		return Head{}, fmt.Errorf("trail: %q is not the head of a chain", s)
	}
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != len(h.Hash) {
		return Head{}, fmt.Errorf("trail: %q is not the head of a chain", s)
	}
	copy(h.Hash[:], raw)
	return h, nil
}

// Break names the first place where the chain does not hold.
type Break struct {
	Seq  int64
	ID   ident.ID // zero when the entry is not there
	What string
}

// Error tells it in a sentence.
func (b *Break) Error() string {
	if b.ID.IsZero() {
		return fmt.Sprintf("audit entry %d: %s", b.Seq, b.What)
	}
	return fmt.Sprintf("audit entry %d (%s): %s", b.Seq, b.ID, b.What)
}

// Verifier checks a chain entry by entry, in the order of Seq. The zero Verifier stands before the first entry.
type Verifier struct{ at Head }

// Next checks the following entry and returns a *Break when it was altered, moved, or one before it is missing.
func (v *Verifier) Next(s Sealed) error {
	if s.Seq != v.at.Seq+1 {
		return &Break{Seq: v.at.Seq + 1, What: fmt.Sprintf("is missing; the next one there is %d", s.Seq)}
	}
	if Seal(v.at.Hash, s.Entry) != s.Hash {
		return &Break{Seq: s.Seq, ID: s.ID, What: "was altered or moved after it was sealed"}
	}
	if s.Private != nil && string(s.PrivateHash) != hashOf(s) {
		return &Break{Seq: s.Seq, ID: s.ID, What: "its private payload was altered"}
	}
	v.at = Head{s.Seq, s.Hash}
	return nil
}

func hashOf(s Sealed) string {
	h := PrivateHash(s.Salt, s.Private)
	return string(h[:])
}

// End compares the last entry seen with the stored head and returns a *Break when the chain was cut or the head was altered.
func (v *Verifier) End(head Head) error {
	switch {
	case v.at == head:
		return nil
	case v.at.Seq < head.Seq:
		return &Break{Seq: v.at.Seq + 1, What: fmt.Sprintf("is missing; the chain should reach %d", head.Seq)}
	}
	return &Break{Seq: v.at.Seq, What: "does not agree with the stored end of the chain"}
}
