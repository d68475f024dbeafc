// Package migrations carries the schema of both dialects as numbered SQL files in goose's form. They only go forward: what
// undoes a migration is the backup made before it.
package migrations

import (
	"embed"
	"io/fs"
	"strconv"
	"strings"
)

//go:embed sqlite/*.sql postgres/*.sql
var files embed.FS

// FS gives the migrations of a dialect, "sqlite" or "postgres".
func FS(dialect string) (fs.FS, error) { return fs.Sub(files, dialect) }

// Latest is the number of the newest migration this binary knows of a dialect. It is at once the binary's own number: a
// migration that older binaries must not touch sets meta's min_binary to its own number.
func Latest(dialect string) int64 {
	var latest int64
	for _, n := range Numbers(dialect) {
		latest = max(latest, n)
	}
	return latest
}

// Numbers lists the migrations of a dialect, in order.
func Numbers(dialect string) []int64 {
	entries, err := files.ReadDir(dialect)
	if err != nil {
		return nil
	}
	var numbers []int64
	for _, e := range entries {
		head, _, _ := strings.Cut(e.Name(), "_")
		if n, err := strconv.ParseInt(head, 10, 64); err == nil {
			numbers = append(numbers, n)
		}
	}
	return numbers
}
