package store

import (
	"context"
	"database/sql"
	"errors"
	"net/url"
	"os"
	"path/filepath"

	gormsqlite "gorm.io/driver/sqlite"
	"gorm.io/gorm"

	"kitd/internal/fault"
)

// sqliteHouse has one writing connection and a few reading ones. Two writers in one process would only wait for each other
// inside SQLite, unfairly; waiting for the one lane is fair.
type sqliteHouse struct {
	path    string
	writeDB *sql.DB
	readDB  *sql.DB
	writer  chan *lane
	readers chan *lane
	closing chan struct{}
	base    *gorm.DB
}

func openSQLite(ctx context.Context, path string, c Config) (dialect, error) {
	if !sqliteBuilt {
		return nil, fault.New(fault.BadInput, "what", "this kitd was built without SQLite; use a PostgreSQL database")
	}
	if err := provideFile(path, c.MustExist); err != nil {
		return nil, err
	}
	h := &sqliteHouse{path: path, writer: make(chan *lane, 1), readers: make(chan *lane, c.Readers), closing: make(chan struct{})}
	var err error
	if h.writeDB, err = sql.Open("sqlite3", sqliteURI(path, "_txlock=immediate&_busy_timeout=200")); err != nil {
		return nil, err
	}
	h.writeDB.SetMaxOpenConns(1)
	if h.readDB, err = sql.Open("sqlite3", sqliteURI(path, "_txlock=deferred&_query_only=1&_busy_timeout=5000")); err != nil {
		return nil, err
	}
	h.readDB.SetMaxOpenConns(c.Readers)
	first := &lane{db: h.writeDB}
	h.writer <- first
	for range c.Readers {
		h.readers <- &lane{db: h.readDB}
	}
	if err := first.ready(ctx); err != nil {
		return nil, errors.Join(translate(err), h.close())
	}
	if h.base, err = newGorm(gormsqlite.New(gormsqlite.Config{Conn: first})); err != nil {
		return nil, errors.Join(translate(err), h.close())
	}
	return h, nil
}

// provideFile makes an empty database file that only its owner can read, so that the log beside it is as private.
func provideFile(path string, mustExist bool) error {
	info, err := os.Stat(path)
	switch {
	case path == "":
		return fault.New(fault.BadInput, "what", "the database has no path; write sqlite:PATH").At("database", "no path")
	case err == nil && info.IsDir():
		return fault.New(fault.BadInput, "what", "the database path "+path+" is a folder; name a file").At("database", "a folder")
	case err == nil:
		return nil
	case errors.Is(err, os.ErrNotExist) && mustExist:
		return fault.New(fault.NotThere, "noun", "database "+path).Because(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fault.New(fault.BadInput, "what", "the database "+path+" cannot be made; check that its folder exists and may be written").Because(err)
	}
	return errors.Join(f.Close(), syncFolder(filepath.Dir(path)))
}

// syncFolder makes a new or renamed entry of a folder survive a power loss.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// sqliteURI gives every connection the same pragmas. A writer waits only shortly for another process inside SQLite, where no
// deadline reaches it; Do asks again. secure_delete: what is erased is overwritten in the file.
func sqliteURI(path, more string) string {
	return sqliteName(path) + "?_journal_mode=WAL&_synchronous=FULL&_foreign_keys=1&_secure_delete=true&" + more
}

// sqliteName escapes a path for SQLite's file: form.
func sqliteName(path string) string { return "file:" + (&url.URL{Path: path}).EscapedPath() }

func (h *sqliteHouse) name() string               { return "sqlite" }
func (h *sqliteHouse) gorm() *gorm.DB             { return h.base }
func (h *sqliteHouse) rebind(query string) string { return query }
func (h *sqliteHouse) where() string              { return h.path }

// close lets what is under way come to its end and refuses what comes after. The last connection to leave folds the log
// into the file.
func (h *sqliteHouse) close() error {
	select {
	case <-h.closing:
		return nil
	default:
		close(h.closing)
	}
	for range cap(h.readers) {
		(<-h.readers).leave()
	}
	(<-h.writer).leave()
	return errors.Join(h.readDB.Close(), h.writeDB.Close())
}

func (h *sqliteHouse) maintain() (*sql.DB, error) {
	db, err := sql.Open("sqlite3", sqliteURI(h.path, "_txlock=immediate&_busy_timeout=10000"))
	if err == nil {
		db.SetMaxOpenConns(1)
	}
	return db, err
}

func (h *sqliteHouse) begin(ctx context.Context, write bool) (*session, error) {
	lanes, verb := h.readers, "BEGIN"
	if write {
		lanes, verb = h.writer, "BEGIN IMMEDIATE"
	}
	var l *lane
	select {
	case l = <-lanes:
	case <-h.closing:
		return nil, fault.New(fault.Busy).Because(errClosed)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err := l.begin(ctx, verb); err != nil {
		lanes <- l
		return nil, err
	}
	return &session{
		pool:     l,
		prepare:  l.statement,
		commit:   func() error { defer func() { lanes <- l }(); return l.commit() },
		rollback: func() { l.rollback(); lanes <- l },
	}, nil
}

// lane is one connection that stays with its prepared statements. database/sql cannot keep statements for transactions of a
// pool of one connection: preparing outside waits for the connection for ever, preparing inside forgets at the end.
type lane struct {
	db    *sql.DB
	conn  *sql.Conn
	stmts map[string]*sql.Stmt
}

// laneStatements bounds the kept statements; texts with lists of changing length would otherwise pile up.
const laneStatements = 500

func (l *lane) ready(ctx context.Context) error {
	if l.conn != nil {
		return nil
	}
	conn, err := l.db.Conn(ctx)
	if err != nil {
		return err
	}
	l.conn, l.stmts = conn, map[string]*sql.Stmt{}
	return nil
}

func (l *lane) begin(ctx context.Context, verb string) error {
	if err := l.ready(ctx); err != nil {
		return err
	}
	_, err := l.conn.ExecContext(ctx, verb)
	if err != nil {
		l.rollback()
	}
	return err
}

// commit is not bound to a deadline: an interrupted COMMIT would leave its outcome unknown.
func (l *lane) commit() error {
	_, err := l.conn.ExecContext(context.Background(), "COMMIT")
	if err != nil {
		l.rollback()
	}
	return err
}

// rollback ends whatever is open. A connection that cannot even do that is given up and opened anew next time.
func (l *lane) rollback() {
	_, err := l.conn.ExecContext(context.Background(), "ROLLBACK")
	if err != nil && !noTransaction(err) {
		l.drop()
	}
}

// drop makes the pool close the connection instead of taking it back.
func (l *lane) drop() {
	l.forget()
	_ = l.conn.Raw(func(any) error { return errBadConn })
	_ = l.conn.Close()
	l.conn = nil
}

func (l *lane) leave() {
	if l.conn != nil {
		l.drop()
	}
}

func (l *lane) forget() {
	for _, s := range l.stmts {
		_ = s.Close()
	}
	clear(l.stmts)
}

// statement gives the kept statement of a text. Its rows must be read and closed before it is used again.
func (l *lane) statement(ctx context.Context, query string) (*sql.Stmt, error) {
	if s, ok := l.stmts[query]; ok {
		return s, nil
	}
	if len(l.stmts) >= laneStatements {
		l.forget()
	}
	s, err := l.conn.PrepareContext(ctx, query)
	if err == nil {
		l.stmts[query] = s
	}
	return s, err
}

// The four methods make a lane a gorm.ConnPool; what gorm writes passes here, and its texts are looked at.

func (l *lane) PrepareContext(ctx context.Context, query string) (*sql.Stmt, error) {
	return l.conn.PrepareContext(ctx, query)
}

func (l *lane) ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error) {
	if err := storable(args); err != nil {
		return nil, err
	}
	return l.conn.ExecContext(ctx, query, args...)
}

func (l *lane) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	if err := storable(args); err != nil {
		return nil, err
	}
	return l.conn.QueryContext(ctx, query, args...)
}

func (l *lane) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	return l.conn.QueryRowContext(ctx, query, args...)
}
