package survey

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
)

// Canonical writes v as JSON in the one form that is hashed: members sorted by name, no white space, numbers and texts as
// encoding/json writes them, nothing escaped for HTML. Levels and doses reach it already rounded to 1e-6.
func Canonical(v any) ([]byte, error) {
	raw, err := compact(v)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		return nil, err
	}
	return compact(tree)
}

// compact relies on encoding/json sorting the keys of maps.
func compact(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// HashOf is the SHA-256 of the canonical form, in lower-case hexadecimal.
func HashOf(v any) (string, error) {
	raw, err := Canonical(v)
	if err != nil {
		return "", err
	}
	return sumOf(raw), nil
}

func sumOf(raw []byte) string {
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:])
}
