package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"mendbook/events"
)

// Code is the stable word for a kind of finding. Programs may rely on it; a code
// they do not know is damage.
type Code = string

// The codes.
const (
	CodeNotABook       Code = "not-a-book"         // the file is no database, or some other program's
	CodeCutFile        Code = "cut-file"           // the file is shorter than it says
	CodeDamagedFile    Code = "damaged-file"       // SQLite's own check found something
	CodeMissingSchema  Code = "missing-"           // with "table", "index" or "trigger" behind it
	CodeChangedSchema  Code = "changed-schema"     // a table, index or trigger is not as it was made
	CodeAddedSchema    Code = "added-schema"       // there is one too many
	CodeMissingRow     Code = "missing-row"        // a place in a feed is empty
	CodeExtraRow       Code = "extra-row"          // an event that the signed head does not cover
	CodeReorderedRow   Code = "reordered-row"      // an event stands in another's place
	CodeChangedBytes   Code = "changed-bytes"      // an event is not what was recorded
	CodeChangedHash    Code = "changed-hash"       // a stored hash is not what was recorded; the event is
	CodeUnparsable     Code = "unparsable"         // the bytes that were recorded are no event
	CodeWrongColumn    Code = "wrong-column"       // a column does not agree with the bytes
	CodeWrongLink      Code = "wrong-link"         // an event misnames the one before it of its vehicle
	CodeWrongFeed      Code = "wrong-feed"         // an event names another feed
	CodeWrongRoot      Code = "wrong-root"         // the rows agree with each other, not with the signed root
	CodeBadHead        Code = "bad-head"           // a signed head cannot be read, or its signature is wrong
	CodeWrongKey       Code = "wrong-key"          // a key does not belong to the feed
	CodeMissingKey     Code = "missing-key"        // station.key is not there
	CodeRepeatedID     Code = "repeated-id"        // one id twice in one feed
	CodeConflictingIDs Code = "conflicting-copies" // one id in two feeds, with two contents
	CodeBadIndex       Code = "bad-index"          // the lookup index differs from a rebuild
	CodeMissingFile    Code = "missing-file"       // an attachment is not here
	CodeChangedFile    Code = "changed-file"       // an attachment is not what was attached
)

// Severity tells damage from what may have an innocent reason.
type Severity uint8

// The severities. The zero value is none.
const (
	severityInvalid Severity = iota
	// Damage: what stands here is not what was recorded.
	Damage
	// Lack: something is not here that may still come, such as an attachment
	// made on another machine.
	Lack
)

// Finding is one thing that is not as it should be.
type Finding struct {
	Code     Code
	Severity Severity
	Feed     string    // empty where it is not about one
	Seq      int64     // 0 where it is not about one event
	ID       events.ID // zero where it is not known
	Text     string
}

// CheckReport is what Check found.
type CheckReport struct {
	Events int64 // rows read
	Feeds  int64
	Files  int64 // attachments found and hashed
	// Unknown counts events that this program cannot interpret. They are checked
	// like all others; a newer program can read them.
	Unknown int64
	// IndexStale is true where the lookup index was made by a program that knows
	// other kinds of events, so that it could not be compared. The next writing
	// makes it anew.
	IndexStale bool
	Findings   []Finding
	// More counts findings beyond the first 200.
	More int
}

const maxFindings = 200

// OK reports whether nothing is damaged.
func (r *CheckReport) OK() bool {
	for _, f := range r.Findings {
		if f.Severity != Lack {
			return false
		}
	}
	return r.More == 0
}

func (r *CheckReport) add(f Finding) {
	if f.Severity == severityInvalid {
		f.Severity = Damage
	}
	if len(r.Findings) == maxFindings {
		r.More++
		return
	}
	r.Findings = append(r.Findings, f)
}

// Check reads everything again, from the bytes up, and compares: SQLite's own
// check; the schema; every event with its place, its columns, its link and its
// hashes; every tree with its signed root; every signature with its key; copies
// of an event with each other; the lookup index with a rebuild; attachments with
// their hashes. It shares with the writer only the two hash functions of RFC
// 6962 and the reading of signed notes. It changes nothing, takes no lock that
// keeps writers out, and sees the book as it was when it began.
//
// The memory it needs grows with the number of vehicles, not of events. The
// error is about not being able to check at all; damage is in the report. Of the
// options, Dir and Registry are used. A progress that is not nil is told how many
// of how many events are done.
func Check(ctx context.Context, o Options, progress func(done, total int64)) (*CheckReport, error) {
	o.ReadOnly = true
	o, err := o.check()
	if err != nil {
		return nil, err
	}
	file := filepath.Join(o.Dir, bookFile)
	if err := isBook(file); err != nil {
		return nil, err
	}
	if progress == nil {
		progress = func(int64, int64) {}
	}
	c := &checker{report: &CheckReport{}, opt: o, progress: progress, files: map[string]bool{}}
	db, err := openReading(ctx, file, o)
	if err == nil {
		db.SetMaxOpenConns(1)
		err = c.connectAndRun(ctx, db)
		if cerr := db.Close(); err == nil {
			err = translate(cerr)
		}
	}
	if errors.Is(err, ErrDamaged) {
		c.unreadable(file, err)
		err = nil
	}
	if err != nil {
		return nil, err
	}
	return c.report, nil
}

type checker struct {
	report   *CheckReport
	opt      Options
	progress func(done, total int64)
	q        querier
	layout   int64
	total    int64
	index    tally // what the lookup index should hold
	unsure   bool  // events that could not be read leave the index unsure
	files    map[string]bool
}

func (c *checker) connectAndRun(ctx context.Context, db *sql.DB) error {
	conn, err := db.Conn(ctx)
	if err != nil {
		return translate(err)
	}
	defer conn.Close()
	tx, err := conn.BeginTx(ctx, nil) // one moment for everything
	if err != nil {
		return translate(err)
	}
	defer tx.Rollback()
	c.q = tx
	return c.run(ctx)
}

func (c *checker) run(ctx context.Context) error {
	id, err := number(ctx, c.q, "PRAGMA application_id")
	if err != nil {
		return err
	}
	if c.layout, err = number(ctx, c.q, "PRAGMA user_version"); err != nil {
		return err
	}
	if id != applicationID {
		if size, err := c.size(); err == nil && size < 512 {
			// SQLite takes a file without one whole page, of 512 bytes at least, for an
			// empty database.
			c.report.add(Finding{Code: CodeCutFile, Text: fmt.Sprintf("the file has %d bytes, which is less than one page", size)})
			return nil
		}
		c.report.add(Finding{Code: CodeNotABook, Text: "the database is not marked as a book"})
		return nil
	}
	if c.layout > layout {
		return fmt.Errorf("%w: layout %d, this program knows up to %d", ErrNewerBook, c.layout, layout)
	}
	if err := c.length(ctx); err != nil {
		return err
	}
	if err := c.database(ctx); err != nil {
		return err
	}
	whole, err := c.schema(ctx)
	if err != nil || !whole {
		return err
	}
	if c.total, err = number(ctx, c.q, "SELECT count(*) FROM events"); err != nil {
		return err
	}
	feeds, err := c.feeds(ctx)
	if err != nil {
		return err
	}
	c.report.Feeds = int64(len(feeds))
	c.progress(0, c.total)
	for i, f := range feeds {
		if err := c.feed(ctx, f, i > 0); err != nil {
			return err
		}
	}
	if n, err := number(ctx, c.q, "SELECT count(*) FROM events WHERE feed NOT IN (SELECT feed FROM feeds)"); err != nil {
		return err
	} else if n > 0 {
		c.report.add(Finding{Code: CodeExtraRow, Text: fmt.Sprintf("%d events are of a feed that is not in the book", n)})
	}
	c.ownKey(feeds)
	if err := c.copies(ctx); err != nil {
		return err
	}
	if c.layout >= 2 {
		return c.lookup(ctx)
	}
	return nil
}

// size is that of the file. It is asked by name, since to open the file here and
// close it again would drop SQLite's locks; see isBook.
func (c *checker) size() (int64, error) {
	info, err := os.Stat(filepath.Join(c.opt.Dir, bookFile))
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

// length finds a file that is shorter than its header says. SQLite reads what is
// missing as zeros, and does not always mind. While there is a log the file may
// rightly be behind.
func (c *checker) length(ctx context.Context) error {
	if log, err := os.Stat(filepath.Join(c.opt.Dir, bookFile+"-wal")); err == nil && log.Size() > 0 {
		return nil
	}
	pages, err := number(ctx, c.q, "PRAGMA page_count")
	if err != nil {
		return err
	}
	page, err := number(ctx, c.q, "PRAGMA page_size")
	if err != nil {
		return err
	}
	size, err := c.size()
	if err == nil && size < pages*page {
		c.report.add(Finding{Code: CodeCutFile, Text: fmt.Sprintf("the file has %d bytes, and its header says %d", size, pages*page)})
	}
	return err
}

// database runs SQLite's own checks.
func (c *checker) database(ctx context.Context) error {
	rows, err := c.q.QueryContext(ctx, "PRAGMA integrity_check")
	if err != nil {
		return translate(err)
	}
	defer rows.Close()
	for rows.Next() {
		var text string
		if err := rows.Scan(&text); err != nil {
			return translate(err)
		}
		if text != "ok" {
			c.report.add(Finding{Code: CodeDamagedFile, Text: text})
		}
	}
	return translate(rows.Err())
}

type schemaEntry struct{ kind, name, sql string }

func readSchema(ctx context.Context, q querier) ([]schemaEntry, error) {
	rows, err := q.QueryContext(ctx, "SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY name")
	if err != nil {
		return nil, translate(err)
	}
	defer rows.Close()
	var out []schemaEntry
	for rows.Next() {
		var e schemaEntry
		if err := rows.Scan(&e.kind, &e.name, &e.sql); err != nil {
			return nil, translate(err)
		}
		out = append(out, e)
	}
	return out, translate(rows.Err())
}

// schema compares with a schema made anew. It is false where a table is missing,
// so that there is no use in going on.
func (c *checker) schema(ctx context.Context) (bool, error) {
	have, err := readSchema(ctx, c.q)
	if err != nil {
		return false, err
	}
	memory, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return false, err
	}
	defer memory.Close()
	memory.SetMaxOpenConns(1)
	for _, m := range migrations() {
		if int64(m.layout) <= c.layout {
			if _, err := memory.ExecContext(ctx, m.sql); err != nil {
				return false, err
			}
		}
	}
	want, err := readSchema(ctx, memory)
	if err != nil {
		return false, err
	}
	found := map[string]schemaEntry{}
	for _, e := range have {
		found[e.name] = e
	}
	whole := true
	for _, e := range want {
		got, ok := found[e.name]
		delete(found, e.name)
		switch {
		case !ok:
			c.report.add(Finding{Code: CodeMissingSchema + Code(e.kind), Text: fmt.Sprintf("the %s %s is missing", e.kind, e.name)})
			whole = whole && e.kind != "table"
		case got != e:
			c.report.add(Finding{Code: CodeChangedSchema, Text: fmt.Sprintf("the %s %s is not as it was made", e.kind, e.name)})
		}
	}
	for _, e := range have {
		if _, left := found[e.name]; left {
			c.report.add(Finding{Code: CodeAddedSchema, Text: fmt.Sprintf("the %s %s is not part of a book", e.kind, e.name)})
		}
	}
	return whole, nil
}

// feedRow is a row of the table feeds.
type feedRow struct {
	number int64
	name   string
	own    bool
	head   []byte
}

func (c *checker) feeds(ctx context.Context) ([]feedRow, error) {
	rows, err := c.q.QueryContext(ctx, "SELECT feed, name, own, head FROM feeds ORDER BY feed")
	if err != nil {
		return nil, translate(err)
	}
	defer rows.Close()
	var out []feedRow
	for rows.Next() {
		var f feedRow
		if err := rows.Scan(&f.number, &f.name, &f.own, &f.head); err != nil {
			return nil, translate(err)
		}
		out = append(out, f)
	}
	return out, translate(rows.Err())
}

// eventRow is a row of the table events, as it is.
type eventRow struct {
	seq              int64
	id, typ, subject []byte
	raw, hashes      []byte
	leaf, stored     tlog.Hash // of the bytes, and as it is stored
	ev               events.Event
	unparsable       error
}

func (c *checker) page(ctx context.Context, feed, after int64) ([]eventRow, error) {
	rows, err := c.q.QueryContext(ctx, "SELECT seq, id, type, subject, raw, hashes FROM events WHERE feed = ? AND seq > ? ORDER BY seq", feed, after)
	if err != nil {
		return nil, translate(err)
	}
	defer rows.Close()
	var out []eventRow
	for size := 0; size < pageBytes && rows.Next(); {
		var r eventRow
		if err := rows.Scan(&r.seq, &r.id, &r.typ, &r.subject, &r.raw, &r.hashes); err != nil {
			return nil, translate(err)
		}
		size += len(r.raw) + 300
		out = append(out, r)
	}
	return out, translate(rows.Err())
}

// feedCheck is the state of walking through one feed.
type feedCheck struct {
	*checker
	row      feedRow
	first    *events.FeedOpened
	fromRaw  mountain // over the hashes of the bytes
	fromRows mountain // over the leaf hashes as they are stored
	broken   bool     // a place is missing or mixed up: trees and links say nothing more
	found    bool     // there is a finding about a row
	changed  []Finding
	prev     map[events.ID]walked
}

type walked struct {
	seq          int64
	leaf, stored tlog.Hash
}

func (f *feedCheck) add(code Code, seq int64, id events.ID, format string, args ...any) {
	f.found = f.found || seq > 0
	f.report.add(Finding{Code: code, Feed: f.row.name, Seq: seq, ID: id, Text: fmt.Sprintf(format, args...)})
}

func (c *checker) feed(ctx context.Context, row feedRow, later bool) error {
	f := &feedCheck{checker: c, row: row, prev: map[events.ID]walked{}}
	due := int64(1)
	for {
		page, err := c.page(ctx, row.number, due-1)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		for i := range page {
			r := &page[i]
			if r.seq != due {
				f.add(CodeMissingRow, due, events.ID{}, "%s missing before event %d", missing(r.seq-due), r.seq)
				f.broken = true
			}
			due = r.seq + 1
			if err := f.event(ctx, r, later); err != nil {
				return err
			}
			c.report.Events++
			if c.report.Events%1000 == 0 {
				c.progress(c.report.Events, c.total)
			}
		}
	}
	f.head(due - 1)
	c.progress(c.report.Events, c.total)
	return ctx.Err()
}

func missing(n int64) string {
	if n == 1 {
		return "one event is"
	}
	return fmt.Sprintf("%d events are", n)
}

func (f *feedCheck) event(ctx context.Context, r *eventRow, later bool) error {
	var id events.ID
	copy(id[:], r.id)
	r.leaf = tlog.RecordHash(r.raw)
	copy(r.stored[:], r.hashes)
	r.ev, r.unparsable = f.opt.Registry.Read(r.raw)
	same := r.leaf == r.stored
	if r.seq == 1 && r.unparsable == nil {
		f.first, _ = r.ev.Body.(*events.FeedOpened)
	}
	switch {
	case r.unparsable == nil && r.ev.Feed == f.row.name && r.ev.FeedSeq != r.seq:
		f.add(CodeReorderedRow, r.seq, id, "event %d stands in the place of event %d", r.ev.FeedSeq, r.seq)
		f.broken = true
	case !same:
		text := "the bytes and the hash stored with them do not agree"
		if r.unparsable != nil {
			text += ": " + r.unparsable.Error()
		}
		f.found = true
		if len(f.changed) <= maxFindings {
			f.changed = append(f.changed, Finding{Feed: f.row.name, Seq: r.seq, ID: id, Text: text})
		}
	case r.unparsable != nil:
		f.add(CodeUnparsable, r.seq, id, "%v", r.unparsable)
	case r.ev.Feed != f.row.name:
		f.add(CodeWrongFeed, r.seq, id, "the event names feed %s", r.ev.Feed)
	}
	f.hashes(r, id)
	if r.unparsable != nil {
		f.unsure = true
		// The next event of the vehicle names this one, whatever became of its bytes.
		if len(r.subject) == len(id) {
			f.prev[events.ID(r.subject)] = walked{r.seq, r.leaf, r.stored}
		}
		return nil
	}
	if same {
		f.columns(r, id)
		f.link(r)
	}
	if !r.ev.Subject.IsZero() {
		f.prev[r.ev.Subject] = walked{r.seq, r.leaf, r.stored}
	}
	return f.meaning(ctx, r, later)
}

// hashes compares the hashes stored with a row. A row is judged by both trees, so
// that one changed byte is found where it is and not also in every subtree above.
func (f *feedCheck) hashes(r *eventRow, id events.ID) {
	a, b := f.fromRaw.push(r.leaf), f.fromRows.push(r.stored)
	if f.broken {
		return
	}
	above := r.hashes[min(len(r.hashes), tlog.HashSize):]
	if !bytes.Equal(above, join(a[1:])) && !bytes.Equal(above, join(b[1:])) {
		f.add(CodeChangedHash, r.seq, id, "the tree hashes stored with the event are not those of its tree")
	}
}

func join(hashes []tlog.Hash) []byte {
	var out []byte
	for _, h := range hashes {
		out = append(out, h[:]...)
	}
	return out
}

func (f *feedCheck) columns(r *eventRow, id events.ID) {
	var subject []byte
	if !r.ev.Subject.IsZero() {
		subject = r.ev.Subject[:]
	}
	for _, col := range []struct {
		name       string
		have, want []byte
	}{{"id", r.id, r.ev.ID[:]}, {"type", r.typ, []byte(r.ev.Type)}, {"subject", r.subject, subject}} {
		if !bytes.Equal(col.have, col.want) {
			f.add(CodeWrongColumn, r.seq, id, "the column %s does not agree with the event", col.name)
		}
	}
}

func (f *feedCheck) link(r *eventRow) {
	if f.broken {
		return
	}
	want := walked{}
	if !r.ev.Subject.IsZero() {
		want = f.prev[r.ev.Subject]
	}
	hash := tlog.Hash(r.ev.PrevHash)
	if r.ev.PrevSeq != want.seq || hash != want.leaf && hash != want.stored {
		f.add(CodeWrongLink, r.seq, r.ev.ID, "the event before it of its vehicle is event %d, and it names event %d", want.seq, r.ev.PrevSeq)
	}
}

// meaning counts what the index should hold and looks at attachments.
func (f *feedCheck) meaning(ctx context.Context, r *eventRow, later bool) error {
	if _, unknown := r.ev.Body.(*events.Unknown); unknown {
		f.report.Unknown++
		return nil
	}
	if keys := events.Keys(r.ev.Body); len(keys) > 0 {
		twice := int64(0)
		if later {
			var err error
			if twice, err = number(ctx, f.q, "SELECT EXISTS (SELECT 1 FROM events WHERE id = ? AND feed < ?)", r.id, f.row.number); err != nil {
				return err
			}
		}
		if twice == 0 {
			for _, k := range keys {
				f.index.add(k.Word, k.Kind, r.ev.ID[:])
			}
		}
	}
	if file, ok := r.ev.Body.(*events.FileAttached); ok {
		return f.attachment(ctx, r, file)
	}
	return nil
}

func (f *feedCheck) attachment(ctx context.Context, r *eventRow, file *events.FileAttached) error {
	if f.files[file.SHA256] {
		return nil
	}
	f.files[file.SHA256] = true
	sum, size, err := hashFile(ctx, filePath(f.opt.Dir, file.SHA256))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		// What this machine attached was here; what another attached may still come.
		severity := Lack
		if f.row.own {
			severity = Damage
		}
		f.report.add(Finding{Code: CodeMissingFile, Severity: severity, Feed: f.row.name, Seq: r.seq, ID: r.ev.ID,
			Text: fmt.Sprintf("the file %q, %s, is not here", file.Name, file.SHA256)})
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		f.report.add(Finding{Code: CodeChangedFile, Feed: f.row.name, Seq: r.seq, ID: r.ev.ID,
			Text: fmt.Sprintf("the file %q cannot be read: %v", file.Name, err)})
		return nil
	}
	f.report.Files++
	if sum != file.SHA256 || size != file.Size {
		f.report.add(Finding{Code: CodeChangedFile, Feed: f.row.name, Seq: r.seq, ID: r.ev.ID,
			Text: fmt.Sprintf("the file %q of %d bytes has the hash %s; %d bytes and %s were attached", file.Name, size, sum, file.Size, file.SHA256)})
	}
	return nil
}

// head judges the feed as a whole, after its last row.
func (f *feedCheck) head(rows int64) {
	var head Head
	var err error
	switch {
	case f.first == nil:
		if !f.found {
			f.add(CodeUnparsable, 1, events.ID{}, "the first event does not open the feed")
		}
		head, err = ParseHead(f.row.head)
	case events.FeedName(f.first.Key) != f.row.name:
		f.add(CodeWrongKey, 0, events.ID{}, "the key in the first event is that of feed %s", events.FeedName(f.first.Key))
		head, err = ParseHead(f.row.head)
	default:
		head, err = OpenHead(f.row.head, f.row.name, f.first.Key)
	}
	code := CodeBadHead
	if err != nil {
		if _, readable := ParseHead(f.row.head); readable == nil && !errors.As(err, new(*note.InvalidSignatureError)) {
			code = CodeWrongKey
		}
		f.add(code, 0, events.ID{}, "%v", err)
	}
	// A head whose signature is wrong still may tell which of two hashes changed.
	head, readable := ParseHead(f.row.head)
	rightBytes := readable == nil && !f.broken && head.Size == f.fromRaw.size && head.Root == f.fromRaw.root()
	for _, change := range f.changed {
		change.Code = CodeChangedBytes
		if rightBytes {
			change.Code = CodeChangedHash
		}
		f.report.add(change)
	}
	if readable != nil {
		return
	}
	switch {
	case rows < head.Size:
		f.add(CodeMissingRow, rows+1, events.ID{}, "%s missing at the end: the signed head says %d", missing(head.Size-rows), head.Size)
	case rows > head.Size:
		f.add(CodeExtraRow, head.Size+1, events.ID{}, "%d events stand behind the last one that was signed", rows-head.Size)
	case !rightBytes && !f.found:
		f.add(CodeWrongRoot, 0, events.ID{}, "the events give the root %s, and %s was signed", f.fromRaw.root(), head.Root)
	}
}

// ownKey compares station.key with the feed this book is written to.
func (c *checker) ownKey(feeds []feedRow) {
	var own []string
	for _, f := range feeds {
		if f.own {
			own = append(own, f.name)
		}
	}
	if len(own) != 1 {
		c.report.add(Finding{Code: CodeWrongKey, Text: fmt.Sprintf("%d feeds are marked as this book's own: want one", len(own))})
		return
	}
	if _, why := ownKey(c.opt.Dir, own[0]); why != "" {
		code := CodeWrongKey
		if _, err := os.Stat(filepath.Join(c.opt.Dir, keyFile)); errors.Is(err, fs.ErrNotExist) {
			code = CodeMissingKey
		}
		c.report.add(Finding{Code: code, Feed: own[0], Text: why})
	}
}

// copies compares events that stand in the book more than once.
func (c *checker) copies(ctx context.Context) error {
	after := []byte{}
	for {
		var id []byte
		err := c.q.QueryRowContext(ctx, "SELECT id FROM events WHERE id > ? GROUP BY id HAVING count(*) > 1 ORDER BY id LIMIT 1", after).Scan(&id)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return translate(err)
		}
		if err := c.compare(ctx, id); err != nil {
			return err
		}
		after = id
	}
}

func (c *checker) compare(ctx context.Context, id []byte) error {
	rows, err := c.q.QueryContext(ctx, "SELECT e.feed, f.name, e.seq, e.raw FROM events e JOIN feeds f ON f.feed = e.feed WHERE e.id = ? ORDER BY e.feed, e.seq", id)
	if err != nil {
		return translate(err)
	}
	defer rows.Close()
	var first *events.Envelope
	var firstFeed string
	last := int64(-1)
	for rows.Next() {
		var feed, seq int64
		var name string
		var raw []byte
		if err := rows.Scan(&feed, &name, &seq, &raw); err != nil {
			return translate(err)
		}
		env, err := events.Parse(raw)
		if err != nil {
			continue // found already
		}
		if feed == last {
			c.report.add(Finding{Code: CodeRepeatedID, Feed: name, Seq: seq, ID: env.ID, Text: "the id stands in this feed twice"})
		}
		last = feed
		if first == nil {
			first, firstFeed = &env, name
			continue
		}
		if what := difference(*first, env.Type, env.Subject, env.At, env.Data); what != "" {
			c.report.add(Finding{Code: CodeConflictingIDs, Feed: name, Seq: seq, ID: env.ID,
				Text: fmt.Sprintf("the event has another %s in feed %s", what, firstFeed)})
		}
	}
	return translate(rows.Err())
}

// tally is a sum over a set of index rows that does not depend on their order:
// two sets that differ have, by SHA-256, practically never the same tally.
type tally struct {
	rows int64
	sum  [4]uint64
}

func (t *tally) add(word, kind string, id []byte) {
	h := sha256.New()
	for _, part := range [][]byte{[]byte(word), []byte(kind), id} {
		var size [8]byte
		binary.BigEndian.PutUint64(size[:], uint64(len(part)))
		h.Write(size[:])
		h.Write(part)
	}
	var sum [sha256.Size]byte
	h.Sum(sum[:0])
	for i := range t.sum {
		t.sum[i] += binary.BigEndian.Uint64(sum[8*i:])
	}
	t.rows++
}

type indexRow struct {
	word, kind string
	id         []byte
}

// eachIndexRow goes through the lookup index, holding nothing open meanwhile.
func (c *checker) eachIndexRow(ctx context.Context, do func(indexRow) error) error {
	last := indexRow{id: []byte{}}
	read := func() (page []indexRow, err error) {
		rows, err := c.q.QueryContext(ctx, "SELECT word, kind, event FROM lookup WHERE (word, kind, event) > (?, ?, ?) ORDER BY word, kind, event LIMIT 5000", last.word, last.kind, last.id)
		if err != nil {
			return nil, translate(err)
		}
		defer rows.Close()
		for rows.Next() {
			var r indexRow
			if err := rows.Scan(&r.word, &r.kind, &r.id); err != nil {
				return nil, translate(err)
			}
			page = append(page, r)
		}
		return page, translate(rows.Err())
	}
	for {
		page, err := read()
		if err != nil || len(page) == 0 {
			return err
		}
		for _, r := range page {
			if err := do(r); err != nil {
				return err
			}
		}
		last = page[len(page)-1]
	}
}

func (c *checker) lookup(ctx context.Context) error {
	version, err := derivedVersion(ctx, c.q, "lookup")
	if err != nil {
		return err
	}
	if version != lookupVersion(c.opt.Registry) {
		c.report.IndexStale = true
		return nil
	}
	var have tally
	if err := c.eachIndexRow(ctx, func(r indexRow) error {
		have.add(r.word, r.kind, r.id)
		return nil
	}); err != nil {
		return err
	}
	if have == c.index {
		return nil
	}
	before := len(c.report.Findings) + c.report.More
	if err := c.nameIndexRows(ctx); err != nil {
		return err
	}
	if before == len(c.report.Findings)+c.report.More && !c.unsure {
		c.report.add(Finding{Code: CodeBadIndex, Text: fmt.Sprintf("the lookup index has %d rows, and a rebuild %d", have.rows, c.index.rows)})
	}
	return nil
}

var errEnough = errors.New("enough was found")

// nameIndexRows finds out which rows of the index are missing or too many. It is
// slow, and only done for an index that is known to be wrong.
func (c *checker) nameIndexRows(ctx context.Context) error {
	const most = 20
	n := 0
	note := func(id events.ID, format string, args ...any) error {
		c.report.add(Finding{Code: CodeBadIndex, ID: id, Text: fmt.Sprintf(format, args...)})
		if n++; n == most {
			return errEnough
		}
		return nil
	}
	reader := &Reader{q: c.q, registry: c.opt.Registry}
	all := func() error {
		for ev, err := range reader.All(ctx) {
			if errors.Is(err, ErrDamaged) {
				continue
			}
			if err != nil {
				return err
			}
			for _, k := range events.Keys(ev.Body) {
				there, err := number(ctx, c.q, "SELECT EXISTS (SELECT 1 FROM lookup WHERE word = ? AND kind = ? AND event = ?)", k.Word, k.Kind, ev.ID[:])
				if err != nil {
					return err
				}
				if there == 0 {
					if err := note(ev.ID, "the event is not found under the %s %q", k.Kind, k.Word); err != nil {
						return err
					}
				}
			}
		}
		return nil
	}
	if err := all(); err != nil && err != errEnough {
		return err
	}
	n = 0
	err := c.eachIndexRow(ctx, func(r indexRow) error {
		id, err := toID(r.id)
		if err != nil {
			return note(id, "the %s %q leads to an id of %d bytes", r.kind, r.word, len(r.id))
		}
		ev, err := reader.Event(ctx, id)
		if errors.Is(err, ErrDamaged) {
			return nil
		}
		if errors.Is(err, ErrNotFound) {
			return note(id, "the %s %q leads to an event that is not there", r.kind, r.word)
		}
		if err != nil {
			return err
		}
		for _, k := range events.Keys(ev.Body) {
			if k == (events.Key{Kind: r.kind, Word: r.word}) {
				return nil
			}
		}
		return note(id, "the event is found under the %s %q, which it does not have", r.kind, r.word)
	})
	if err == errEnough {
		return nil
	}
	return err
}

// unreadable names what is wrong with a file that SQLite cannot read. Only such a
// file is opened here by other means; see isBook.
func (c *checker) unreadable(file string, cause error) {
	code, text := CodeDamagedFile, cause.Error()
	defer func() { c.report.add(Finding{Code: code, Text: text}) }()
	f, err := os.Open(file)
	if err != nil {
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return
	}
	// The database header: SQLite file format, section 1.3. The size of a page is
	// at byte 16, the number of pages at byte 28.
	header := make([]byte, 100)
	n, _ := io.ReadFull(f, header)
	magic := []byte("SQLite format 3\x00")
	if m := min(n, len(magic)); !bytes.Equal(header[:m], magic[:m]) {
		code, text = CodeNotABook, "the file is not a database"
		return
	}
	page := int64(binary.BigEndian.Uint16(header[16:]))
	if page == 1 {
		page = 65536
	}
	want := page * int64(binary.BigEndian.Uint32(header[28:]))
	if n < len(header) || info.Size() < want {
		code, text = CodeCutFile, fmt.Sprintf("the file has %d bytes, and its header says %d", info.Size(), want)
		if n < len(header) {
			text = fmt.Sprintf("the file has %d bytes, which is less than a header", info.Size())
		}
	}
}

// mountain computes a tree hash (RFC 6962, section 2.1) from the leaves alone: it
// keeps the roots of the complete subtrees at the right edge, largest first.
type mountain struct {
	size  int64
	peaks []tlog.Hash
}

// push adds a leaf and gives it with the roots of the subtrees it completes,
// smallest first.
func (m *mountain) push(leaf tlog.Hash) []tlog.Hash {
	done := []tlog.Hash{leaf}
	for n := m.size; n&1 == 1; n >>= 1 {
		last := len(m.peaks) - 1
		leaf = tlog.NodeHash(m.peaks[last], leaf)
		m.peaks = m.peaks[:last]
		done = append(done, leaf)
	}
	m.peaks = append(m.peaks, leaf)
	m.size++
	return done
}

func (m *mountain) root() tlog.Hash {
	if m.size == 0 {
		return sha256.Sum256(nil)
	}
	h := m.peaks[len(m.peaks)-1]
	for i := len(m.peaks) - 2; i >= 0; i-- {
		h = tlog.NodeHash(m.peaks[i], h)
	}
	return h
}

// String gives the finding as one line.
func (f Finding) String() string {
	var b strings.Builder
	b.WriteString(string(f.Code))
	if f.Feed != "" {
		fmt.Fprintf(&b, " feed %s", f.Feed)
	}
	if f.Seq != 0 {
		fmt.Fprintf(&b, " event %d", f.Seq)
	}
	if !f.ID.IsZero() {
		fmt.Fprintf(&b, " (%s)", f.ID)
	}
	return b.String() + ": " + f.Text
}
