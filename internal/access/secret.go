package access

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"fmt"
	"io"
	"strings"
)

// Digest is the SHA-256 of a secret: what is stored in its place. Secrets carry at least 128 random bits, so no slow hash is
// needed to keep them from being guessed.
type Digest [sha256.Size]byte

// DigestOf hashes a secret.
func DigestOf(secret string) Digest { return sha256.Sum256([]byte(secret)) }

const secretBytes = 32 // 256 bits

// newSecret draws a 256-bit secret, base64url without padding, after a prefix that says what it is for.
func newSecret(random io.Reader, prefix string) (string, error) {
	b := make([]byte, secretBytes)
	if _, err := io.ReadFull(random, b); err != nil {
		return "", fmt.Errorf("access: no randomness for a secret: %w", err)
	}
	return prefix + base64.RawURLEncoding.EncodeToString(b), nil
}

// newTypedSecret draws a 150-bit secret that people can type on a phone: six groups of five lower-case letters and digits.
func newTypedSecret(random io.Reader) (string, error) {
	b := make([]byte, 20)
	if _, err := io.ReadFull(random, b); err != nil {
		return "", fmt.Errorf("access: no randomness for a secret: %w", err)
	}
	text := strings.ToLower(base32.StdEncoding.EncodeToString(b))[:30]
	groups := make([]string, 0, 6)
	for i := 0; i < len(text); i += 5 {
		groups = append(groups, text[i:i+5])
	}
	return strings.Join(groups, "-"), nil
}

// typed undoes what typing a secret by hand adds: blanks, capitals, missing hyphens.
func typed(secret string) string {
	bare := strings.Map(func(r rune) rune {
		if r == '-' || r == ' ' {
			return -1
		}
		return r
	}, strings.ToLower(secret))
	groups := make([]string, 0, 6)
	for i := 0; i < len(bare); i += 5 {
		groups = append(groups, bare[i:min(i+5, len(bare))])
	}
	return strings.Join(groups, "-")
}
