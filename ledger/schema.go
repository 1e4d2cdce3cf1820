package ledger

import (
	"context"
	"fmt"
)

const (
	// applicationID stands in the file header of every book, so that other
	// programs can tell what the file is: "Mend" in ASCII.
	applicationID = 0x4d656e64
	// layout is the newest layout, kept in the file's user_version.
	layout = 2
)

// A migration brings a book from the layout before it to its own.
type migration struct {
	layout int
	sql    string
}

// migrations are all layouts since the first. A released one is never edited:
// a book made today and one brought up from the first layout hold the same
// schema, word for word, which Check relies on.
func migrations() []migration {
	return []migration{
		{1, `
CREATE TABLE feeds (
	feed  INTEGER PRIMARY KEY,
	name  TEXT NOT NULL UNIQUE,
	own   INTEGER NOT NULL CHECK (own IN (0, 1)),
	clock INTEGER NOT NULL,
	head  BLOB NOT NULL
) STRICT;
CREATE TABLE events (
	feed    INTEGER NOT NULL REFERENCES feeds (feed),
	seq     INTEGER NOT NULL CHECK (seq >= 1),
	id      BLOB NOT NULL CHECK (length(id) = 16),
	type    TEXT NOT NULL,
	subject BLOB CHECK (length(subject) = 16),
	raw     BLOB NOT NULL,
	hashes  BLOB NOT NULL CHECK (length(hashes) >= 32 AND length(hashes) % 32 = 0),
	PRIMARY KEY (feed, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX events_id ON events (id);
CREATE INDEX events_subject ON events (subject, id);
CREATE INDEX events_type ON events (type, id);
CREATE TRIGGER events_no_update BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER events_in_order BEFORE INSERT ON events
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM events WHERE feed = NEW.feed)
BEGIN SELECT RAISE(ABORT, 'events are added at the end of their feed'); END;
CREATE TRIGGER feeds_no_delete BEFORE DELETE ON feeds
BEGIN SELECT RAISE(ABORT, 'feeds are never deleted'); END;
CREATE TRIGGER feeds_no_rename BEFORE UPDATE OF feed, name ON feeds
BEGIN SELECT RAISE(ABORT, 'feeds are never renamed'); END;
`},
		{2, `
CREATE TABLE lookup (
	word  TEXT NOT NULL,
	kind  TEXT NOT NULL,
	event BLOB NOT NULL CHECK (length(event) = 16),
	PRIMARY KEY (word, kind, event)
) STRICT, WITHOUT ROWID;
CREATE TABLE derived (
	name    TEXT NOT NULL PRIMARY KEY,
	version TEXT NOT NULL
) STRICT, WITHOUT ROWID;
`},
	}
}

// migrate brings a book up to the layout, step by step, within the transaction
// under way: a book is always of one whole layout. A step that another process
// has taken meanwhile is not taken again.
func migrate(ctx context.Context, c *conn, to int) error {
	step := func(m migration) error {
		have, err := c.number(ctx, "PRAGMA user_version")
		if err != nil || have >= int64(m.layout) {
			return err
		}
		if have != int64(m.layout-1) {
			return fmt.Errorf("%w: layout %d cannot become layout %d", ErrDamaged, have, m.layout)
		}
		return c.exec(ctx, m.sql+fmt.Sprintf("PRAGMA user_version = %d;", m.layout))
	}
	for _, m := range migrations() {
		if m.layout > to {
			break
		}
		if err := step(m); err != nil {
			return fmt.Errorf("bringing the book to layout %d: %w", m.layout, err)
		}
	}
	return nil
}
