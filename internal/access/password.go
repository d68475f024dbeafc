package access

import (
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/secure/precis"

	"kitd/internal/fault"
)

// Cost is how much work one password check takes.
type Cost struct {
	Memory  uint32 // KiB
	Passes  uint32
	Threads uint8
}

// DefaultCost is the second recommended setting of RFC 9106, section 4: 64 MiB, 3 passes, 4 lanes.
var DefaultCost = Cost{Memory: 64 << 10, Passes: 3, Threads: 4}

// MaxCost bounds what a stored hash may ask for, so that a tampered row cannot take the memory of the machine.
var MaxCost = Cost{Memory: 256 << 10, Passes: 16, Threads: 16}

const (
	saltBytes = 16
	hashBytes = 32
)

// Passwords hashes and checks people's passwords with argon2id. It runs at most as many checks at once as it was made for, so
// that a rush of logins cannot take all memory.
type Passwords struct {
	cost   Cost
	random io.Reader
	turns  chan struct{}
	dummy  string
}

// NewPasswords makes a hasher that draws salts from random and runs at most atOnce checks at a time (64 MiB each at DefaultCost).
func NewPasswords(cost Cost, random io.Reader, atOnce int) (*Passwords, error) {
	p := &Passwords{cost: cost, random: random, turns: make(chan struct{}, max(1, atOnce))}
	secret, err := newSecret(random, "")
	if err != nil {
		return nil, err
	}
	p.dummy, err = p.Hash(secret)
	return p, err
}

// Hash gives the PHC string of a password under a fresh salt.
func (p *Passwords) Hash(password string) (string, error) {
	salt := make([]byte, saltBytes)
	if _, err := io.ReadFull(p.random, salt); err != nil {
		return "", fmt.Errorf("access: no randomness for a salt: %w", err)
	}
	sum := p.key(password, salt, p.cost, hashBytes)
	enc := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, p.cost.Memory, p.cost.Passes, p.cost.Threads,
		enc.EncodeToString(salt), enc.EncodeToString(sum)), nil
}

// Verify reports whether the password belongs to the hash. An empty hash (no account, or none set) takes as long as any other
// and is never right.
func (p *Passwords) Verify(password, hash string) (bool, error) {
	known := hash != ""
	if !known {
		hash = p.dummy
	}
	cost, salt, want, err := parseHash(hash)
	if err != nil {
		return false, err
	}
	got := p.key(password, salt, cost, uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1 && known, nil
}

func (p *Passwords) key(password string, salt []byte, c Cost, n uint32) []byte {
	p.turns <- struct{}{}
	defer func() { <-p.turns }()
	return argon2.IDKey([]byte(normalize(password)), salt, c.Passes, c.Memory, c.Threads, n)
}

func parseHash(hash string) (Cost, []byte, []byte, error) {
	var c Cost
	var version int
	parts := strings.Split(hash, "$")
	bad := fmt.Errorf("access: a stored password hash is not an argon2id PHC string")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return c, nil, nil, bad
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return c, nil, nil, bad
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.Memory, &c.Passes, &c.Threads); err != nil {
		return c, nil, nil, bad
	}
	if c.Memory > MaxCost.Memory || c.Passes < 1 || c.Passes > MaxCost.Passes || c.Threads < 1 || c.Threads > MaxCost.Threads {
		return c, nil, nil, bad
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	sum, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(sum) < 16 || len(sum) > 64 {
		return c, nil, nil, bad
	}
	return c, salt, sum, nil
}

// normalize makes the same password typed on different keyboards the same bytes: RFC 8265, section 4.2 (OpaqueString). What that
// profile refuses is used as typed: it can only fail to match.
func normalize(password string) string {
	if s, err := precis.OpaqueString.String(password); err == nil {
		return s
	}
	return password
}

// CheckPassword refuses passwords that are too short or that are the account's own name; field names the input it came from.
func CheckPassword(password, name, display, field string) error {
	n := utf8.RuneCountInString(password)
	same := strings.EqualFold(strings.TrimSpace(password), name) || strings.EqualFold(strings.TrimSpace(password), display)
	_, err := precis.OpaqueString.String(password)
	text := ""
	switch {
	case n < MinPassword:
		text = fmt.Sprintf("The password has %d characters; it needs at least %d.", n, MinPassword)
	case n > MaxPassword:
		text = fmt.Sprintf("The password has %d characters; it may have at most %d.", n, MaxPassword)
	case same:
		text = "The password is the name of the account; choose another."
	case err != nil:
		text = "The password holds a control character; use letters, digits, signs and spaces."
	default:
		return nil
	}
	return fault.New(fault.BadInput, "what", "the password").At(field, text)
}
