package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// querier is what reading needs: the pool, one connection, or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// The ways to open a database file.
const (
	modeRead  = "read" // statements cannot write; the file is never made
	modeWrite = "rw"   // the file is never made
	modeMake  = "rwc"  // the file may be made
	// modeWatch reads beside those who write, and modeStill reads a file that
	// nobody writes. Neither needs the right to write, nor writes anything.
	modeWatch = "watch"
	modeStill = "still"
)

// openSQL opens the database file. Reading uses SQLite's read-write mode with
// writing switched off, since a reader of a write-ahead log has to take part in
// its locks, and the last one to leave tidies it away.
func openSQL(file, mode string, wait time.Duration) (*sql.DB, error) {
	q := url.Values{}
	q.Add("_pragma", fmt.Sprintf("busy_timeout(%d)", wait.Milliseconds()))
	q.Add("_pragma", "foreign_keys(1)")
	// Without this, INSERT OR REPLACE passes by the trigger against deleting.
	q.Add("_pragma", "recursive_triggers(1)")
	q.Add("_pragma", "trusted_schema(0)")
	switch mode {
	case modeRead:
		q.Set("mode", modeWrite)
		q.Add("_pragma", "query_only(1)")
	case modeWatch:
		q.Set("mode", "ro")
	case modeStill:
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	default:
		q.Set("mode", mode)
		q.Add("_pragma", "synchronous(2)") // FULL: a commit is on the disk
		// Where fsync alone does not reach the platter (macOS); no effect elsewhere.
		q.Add("_pragma", "fullfsync(1)")
		q.Add("_pragma", "checkpoint_fullfsync(1)")
	}
	path := filepath.ToSlash(file)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path // C:/… becomes file:///C:/…
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return sql.Open("sqlite", u.String())
}

// openReading opens the database file for reading alone, also where this user
// cannot write it.
//
// A reader of a write-ahead log has to take part in its locks, which are a file
// that is written. Where that cannot be, somebody else may have the book open, so
// that the file of the locks is there to be looked at; else there is no log, and
// the database file is all there is. It is then read without locks: a change that
// begins meanwhile shows as damage at worst, never as another event, since the
// hash of each is compared.
func openReading(ctx context.Context, file string, o Options) (*sql.DB, error) {
	try := func(mode string) (*sql.DB, error) {
		db, err := openSQL(file, mode, o.Wait)
		if err != nil {
			return nil, err
		}
		if _, err := number(ctx, db, "PRAGMA user_version"); err != nil {
			db.Close()
			return nil, err
		}
		return db, nil
	}
	var refused error
	if !o.unwritable {
		db, err := try(modeRead)
		if err == nil || !denied(err) {
			return db, err
		}
		refused = err
	}
	if !o.ReadOnly {
		return nil, &unwritableError{text: fmt.Sprintf("the book in %s cannot be written by this user", o.Dir), cause: refused}
	}
	if _, err := os.Stat(file + "-shm"); err == nil {
		if db, err := try(modeWatch); err == nil || !denied(err) {
			return db, err
		}
	}
	if log, err := os.Stat(file + "-wal"); err == nil && log.Size() > 0 {
		return nil, fmt.Errorf("%w: the newest events of %s stand in %s-wal, and to read that takes the right to write there: let a user who has it read the book once",
			ErrUnreadable, o.Dir, bookFile)
	}
	db, err := try(modeStill)
	if err != nil && denied(err) {
		err = fmt.Errorf("%w: %s: %w", ErrUnreadable, o.Dir, err)
	}
	return db, err
}

// conn is one connection with its prepared statements, for writing. A statement
// is prepared when it is first used and kept as long as the connection.
type conn struct {
	db    *sql.DB
	c     *sql.Conn
	stmts map[string]*sql.Stmt
}

func openConn(ctx context.Context, file, mode string, wait time.Duration) (*conn, error) {
	db, err := openSQL(file, mode, wait)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	c, err := db.Conn(ctx)
	if err != nil {
		db.Close()
		return nil, translate(err)
	}
	return &conn{db: db, c: c, stmts: map[string]*sql.Stmt{}}, nil
}

// close gives everything back. An open transaction is rolled back.
func (c *conn) close() error {
	for _, s := range c.stmts {
		s.Close()
	}
	c.c.Close()
	return c.db.Close()
}

// stmt finds or prepares a statement. Only texts from a fixed list come here,
// so the map stays small.
func (c *conn) stmt(ctx context.Context, query string) (*sql.Stmt, error) {
	if s := c.stmts[query]; s != nil {
		return s, nil
	}
	s, err := c.c.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	c.stmts[query] = s
	return s, nil
}

// QueryContext makes a conn a querier.
func (c *conn) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	s, err := c.stmt(ctx, query)
	if err != nil {
		return nil, err
	}
	return s.QueryContext(ctx, args...)
}

// QueryRowContext makes a conn a querier.
func (c *conn) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	s, err := c.stmt(ctx, query)
	if err != nil {
		// A sql.Row that carries the error can only come from the library.
		return c.c.QueryRowContext(ctx, query, args...)
	}
	return s.QueryRowContext(ctx, args...)
}

// exec runs a text of one or more statements that is not worth preparing.
func (c *conn) exec(ctx context.Context, text string) error {
	_, err := c.c.ExecContext(ctx, text)
	return translate(err)
}

// run runs a prepared statement.
func (c *conn) run(ctx context.Context, query string, args ...any) error {
	s, err := c.stmt(ctx, query)
	if err != nil {
		return translate(err)
	}
	_, err = s.ExecContext(ctx, args...)
	return translate(err)
}

func (c *conn) number(ctx context.Context, query string, args ...any) (int64, error) {
	return number(ctx, c.c, query, args...)
}

func number(ctx context.Context, q querier, query string, args ...any) (int64, error) {
	var n int64
	err := q.QueryRowContext(ctx, query, args...).Scan(&n)
	return n, translate(err)
}

// transact runs f in a transaction that takes the write lock at once, so that
// it never fails half-way for want of it.
func (c *conn) transact(ctx context.Context, f func() error) (err error) {
	if err := c.exec(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	committed := false
	defer func() {
		if !committed {
			c.rollback(ctx)
		}
	}()
	if err := f(); err != nil {
		return err
	}
	if err := c.commit(ctx); err != nil {
		return err
	}
	committed = true
	return nil
}

// commit cannot be called off half-way: a caller that gave up would not know
// whether its events were recorded.
func (c *conn) commit(ctx context.Context) error {
	return c.exec(context.WithoutCancel(ctx), "COMMIT")
}

func (c *conn) rollback(ctx context.Context) {
	// Fails only where SQLite has rolled back itself, which is as good.
	_ = c.exec(context.WithoutCancel(ctx), "ROLLBACK")
}
