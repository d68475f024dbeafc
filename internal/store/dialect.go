package store

import (
	"context"
	"database/sql"
	"strconv"
	"strings"
	"sync"

	"gorm.io/gorm"
	"gorm.io/gorm/logger"
)

// dialect is what differs between the two databases.
type dialect interface {
	name() string
	// begin opens a transaction; a reading one sees one unchanging state and cannot write.
	begin(ctx context.Context, write bool) (*session, error)
	gorm() *gorm.DB
	// maintain opens a plain handle for migrations and checks; the caller closes it.
	maintain() (*sql.DB, error)
	rebind(query string) string
	where() string // for sentences: a path, or an address without its password
	close() error
}

// session is one open transaction of a dialect.
type session struct {
	pool     gorm.ConnPool
	prepare  func(ctx context.Context, query string) (*sql.Stmt, error) // nil where statements are not kept
	commit   func() error
	rollback func()
}

// newGorm wraps a handle. gorm begins no transactions, logs nothing and translates no errors by itself.
func newGorm(d gorm.Dialector) (*gorm.DB, error) {
	return gorm.Open(d, &gorm.Config{SkipDefaultTransaction: true, Logger: logger.Discard, DisableAutomaticPing: true})
}

var rebound sync.Map

// dollars turns ? placeholders into $1, $2 …; those inside quotes and comments stay.
func dollars(query string) string {
	if known, ok := rebound.Load(query); ok {
		return known.(string)
	}
	var b strings.Builder
	n := 0
	for i := 0; i < len(query); i++ {
		switch c := query[i]; {
		case c == '\'' || c == '"':
			i = copyUntil(&b, query, i, string(c))
		case c == '-' && strings.HasPrefix(query[i:], "--"):
			i = copyUntil(&b, query, i, "\n")
		case c == '?':
			n++
			b.WriteByte('$')
			b.WriteString(strconv.Itoa(n))
		default:
			b.WriteByte(c)
		}
	}
	rebound.Store(query, b.String())
	return b.String()
}

// copyUntil copies query from i up to and including the next end and gives the place of its last byte.
func copyUntil(b *strings.Builder, query string, i int, end string) int {
	length := strings.Index(query[i+1:], end)
	if length < 0 {
		b.WriteString(query[i:])
		return len(query)
	}
	last := i + 1 + length
	b.WriteString(query[i : last+1])
	return last
}
