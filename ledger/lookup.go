package ledger

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"mendbook/events"
)

// keysVersion is raised when events.Keys gives other words for an event. The
// frozen book under testdata/books fails its check until it is.
const keysVersion = 2

// lookupVersion names what the lookup index was made by: the rules of the words,
// and the kinds of events that could be read. An index of another version is
// made anew before the next writing.
func lookupVersion(r *events.Registry) string {
	h := sha256.New()
	for _, k := range r.Kinds() {
		fmt.Fprintln(h, k.Type)
	}
	return fmt.Sprintf("%d:%s", keysVersion, hex.EncodeToString(h.Sum(nil)[:8]))
}

func lookupIsFresh(ctx context.Context, q querier, r *events.Registry) (bool, error) {
	have, err := derivedVersion(ctx, q, "lookup")
	return have == lookupVersion(r), err
}

func derivedVersion(ctx context.Context, q querier, name string) (string, error) {
	var version string
	err := q.QueryRowContext(ctx, "SELECT version FROM derived WHERE name = ?", name).Scan(&version)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return version, translate(err)
}

// freshenLookup makes the index anew where it is of another version, within the
// transaction under way.
func freshenLookup(ctx context.Context, c *conn, r *events.Registry) error {
	fresh, err := lookupIsFresh(ctx, c, r)
	if err != nil || fresh {
		return err
	}
	if err := c.exec(ctx, "DELETE FROM lookup"); err != nil {
		return err
	}
	reader := &Reader{q: c, registry: r}
	for ev, err := range reader.All(ctx) {
		if errors.Is(err, ErrDamaged) {
			continue // Check names the row; it has no words
		}
		if err != nil {
			return err
		}
		if err := addKeys(ctx, c, ev); err != nil {
			return err
		}
	}
	return c.run(ctx, "INSERT OR REPLACE INTO derived (name, version) VALUES ('lookup', ?)", lookupVersion(r))
}

func addKeys(ctx context.Context, c *conn, ev events.Event) error {
	for _, k := range events.Keys(ev.Body) {
		if err := c.run(ctx, "INSERT OR IGNORE INTO lookup (word, kind, event) VALUES (?, ?, ?)", k.Word, k.Kind, ev.ID[:]); err != nil {
			return err
		}
	}
	return nil
}

// Hit is an event found by a word.
type Hit struct {
	Kind    string // see events.Key
	Word    string // folded
	Event   events.ID
	Subject events.ID // zero where the event has none
}

const hitColumns = `l.kind, l.word, l.event, (SELECT e.subject FROM events e CROSS JOIN feeds f ON f.feed = e.feed
	WHERE e.id = l.event ORDER BY f.name LIMIT 1)`

// Lookup finds events by a whole word of a kind, such as a label, in order of id.
// The word is folded first.
func (r *Reader) Lookup(ctx context.Context, kind, word string) ([]Hit, error) {
	return r.hits(ctx, "SELECT "+hitColumns+" FROM lookup l WHERE l.word = ? AND l.kind = ? ORDER BY l.event",
		events.Fold(word), kind)
}

// Search finds events by the beginning of a word of any kind, ordered by word,
// kind and id. The word is folded first; the limit must be above 0.
func (r *Reader) Search(ctx context.Context, word string, limit int) ([]Hit, error) {
	word = events.Fold(word)
	if word == "" {
		return nil, nil
	}
	// No character's UTF-8 holds the byte FF, so it stands above all that follow.
	return r.hits(ctx, "SELECT "+hitColumns+" FROM lookup l WHERE l.word >= ? AND l.word < ? ORDER BY l.word, l.kind, l.event LIMIT ?",
		word, word+"\xff", max(limit, 0))
}

func (r *Reader) hits(ctx context.Context, query string, args ...any) ([]Hit, error) {
	rows, err := r.q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, translate(err)
	}
	defer rows.Close()
	var out []Hit
	for rows.Next() {
		var h Hit
		var id, subject []byte
		if err := rows.Scan(&h.Kind, &h.Word, &id, &subject); err != nil {
			return nil, translate(err)
		}
		if h.Event, err = toID(id); err != nil {
			return nil, err
		}
		if subject != nil {
			if h.Subject, err = toID(subject); err != nil {
				return nil, err
			}
		}
		out = append(out, h)
	}
	return out, translate(rows.Err())
}
