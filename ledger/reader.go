package ledger

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"mendbook/events"
)

// Reader reads a book. A Book reads what is committed at each call; inside View
// and Update everything is of one moment, and an Update sees its own events.
type Reader struct {
	q        querier
	registry *events.Registry
	dir      string
}

// pageBytes is how much is read from the book at a time. Nothing stays open
// between two pages, so the caller may take its time, read other things, and
// write.
const pageBytes = 1 << 20

// Event finds an event by its id. The error is ErrNotFound where there is none.
func (r *Reader) Event(ctx context.Context, id events.ID) (events.Event, error) {
	for ev, err := range r.page(ctx, pager{where: "e.id = ?2", arg: id[:]}) {
		return ev, err
	}
	return events.Event{}, fmt.Errorf("event %s: %w", id, ErrNotFound)
}

// Match finds the ids, at most 20, in order, that end in the text or begin with
// it, whatever its case.
func (r *Reader) Match(ctx context.Context, text string) ([]events.ID, error) {
	const limit = 20
	text = strings.ToUpper(strings.TrimSpace(text))
	low, high, ok := idRange(text)
	if !ok {
		return nil, nil
	}
	seen := map[events.ID]bool{}
	var out []events.ID
	collect := func(query string, fits func(string) bool, args ...any) error {
		rows, err := r.q.QueryContext(ctx, query, args...)
		if err != nil {
			return translate(err)
		}
		defer rows.Close()
		for len(out) < limit && rows.Next() {
			var raw []byte
			if err := rows.Scan(&raw); err != nil {
				return translate(err)
			}
			id, err := toID(raw)
			if err != nil {
				return err
			}
			if !seen[id] && fits(id.String()) {
				seen[id] = true
				out = append(out, id)
			}
		}
		return translate(rows.Err())
	}
	// The last characters are what people read out; they go first. The last
	// whole byte narrows the walk over the index.
	tail, whole := idTail(text)
	query := "SELECT id FROM events ORDER BY id"
	args := []any{}
	if whole > 0 {
		query = "SELECT id FROM events WHERE substr(id, ?1) = ?2 ORDER BY id"
		args = []any{17 - whole, tail}
	}
	if err := collect(query, func(id string) bool { return strings.HasSuffix(id, text) }, args...); err != nil {
		return nil, err
	}
	err := collect("SELECT id FROM events WHERE id BETWEEN ?1 AND ?2 ORDER BY id",
		func(id string) bool { return strings.HasPrefix(id, text) }, low[:], high[:])
	return out, err
}

// idRange gives the lowest and highest id that begins with the text. It is false
// where no id can hold the text.
func idRange(text string) (low, high events.ID, ok bool) {
	if text == "" || len(text) > 26 {
		return low, high, false
	}
	for _, c := range text {
		if !strings.ContainsRune("0123456789ABCDEFGHJKMNPQRSTVWXYZ", c) {
			return low, high, false
		}
	}
	// Above 7 the first character is no time of 48 bits: such a text can only end an id.
	if text[0] <= '7' {
		low = events.MustID((text + strings.Repeat("0", 26))[:26])
		high = events.MustID((text + strings.Repeat("Z", 26))[:26])
	}
	return low, high, true
}

// idTail gives the last bytes that an id ending in the text must have, as many
// as the text fixes wholly: each character is five bits.
func idTail(text string) (tail []byte, whole int) {
	if len(text) == 26 {
		text = text[1:]
	}
	id := events.MustID((strings.Repeat("0", 26) + text)[len(text):])
	whole = min(len(text)*5/8, 15)
	return id[16-whole:], whole
}

// OfSubject reads the events of some vehicles, in order of id.
func (r *Reader) OfSubject(ctx context.Context, ids ...events.ID) iter.Seq2[events.Event, error] {
	var pagers []pager
	for _, id := range ids {
		pagers = append(pagers, pager{where: "e.subject = ?2", arg: id[:]})
	}
	return r.merged(ctx, pagers)
}

// OfType reads the events of some types, such as "scan.taken.v1", in order of id.
// A type brings its earlier versions along, since they are read as the newest one.
func (r *Reader) OfType(ctx context.Context, types ...string) iter.Seq2[events.Event, error] {
	var pagers []pager
	for _, t := range types {
		for t != "" {
			pagers = append(pagers, pager{where: "e.type = ?2", arg: t})
			kind, _ := r.registry.Lookup(t)
			t = kind.From
		}
	}
	return r.merged(ctx, pagers)
}

// Workshop reads the events that have no subject, in order of id.
func (r *Reader) Workshop(ctx context.Context) iter.Seq2[events.Event, error] {
	return r.page(ctx, pager{where: "e.subject IS NULL"})
}

// All reads every event, in order of id.
func (r *Reader) All(ctx context.Context) iter.Seq2[events.Event, error] {
	return r.page(ctx, pager{where: "true"})
}

// pager is a set of events given by a condition of SQL.
type pager struct {
	where string
	arg   any
}

// page reads a set of events in order of id, each id once: where an id stands in
// two feeds the copy in the feed with the lower name is read. A row that cannot
// be read is an error in its place, and reading goes on behind it.
func (r *Reader) page(ctx context.Context, p pager) iter.Seq2[events.Event, error] {
	query := `SELECT e.id, f.name, e.seq, e.raw, substr(e.hashes, 1, 32) FROM events e CROSS JOIN feeds f ON f.feed = e.feed
		WHERE e.id > ?1 AND ` + p.where + ` ORDER BY e.id, f.name`
	type row struct {
		id   events.ID
		feed string
		seq  int64
		raw  []byte
		leaf []byte
	}
	read := func(after events.ID) (page []row, err error) {
		args := []any{after[:]}
		if p.arg != nil {
			args = append(args, p.arg)
		}
		rows, err := r.q.QueryContext(ctx, query, args...)
		if err != nil {
			return nil, translate(err)
		}
		defer rows.Close()
		for size := 0; size < pageBytes && rows.Next(); {
			var one row
			var id []byte
			if err := rows.Scan(&id, &one.feed, &one.seq, &one.raw, &one.leaf); err != nil {
				return nil, translate(err)
			}
			if one.id, err = toID(id); err != nil {
				return nil, err
			}
			if n := len(page); n > 0 && page[n-1].id == one.id {
				continue
			}
			size += len(one.raw) + 200
			page = append(page, one)
		}
		return page, translate(rows.Err())
	}
	return func(yield func(events.Event, error) bool) {
		var after events.ID
		for {
			page, err := read(after)
			if err != nil {
				yield(events.Event{}, err)
				return
			}
			if len(page) == 0 {
				return
			}
			for _, one := range page {
				after = one.id
				ev, err := r.verified(one.feed, one.seq, one.raw, one.leaf)
				if !yield(ev, err) {
					return
				}
			}
		}
	}
}

// verified reads an event whose bytes have the leaf hash that was stored with
// them. That costs one SHA-256, less than the reading. Only Check shows that the
// hash is the one that was signed.
func (r *Reader) verified(feed string, seq int64, raw, leaf []byte) (events.Event, error) {
	if err := sameLeaf(feed, seq, raw, leaf); err != nil {
		return events.Event{}, err
	}
	ev, err := r.registry.Read(raw)
	if err != nil {
		err = fmt.Errorf("%w: event %d of feed %s: %w", ErrDamaged, seq, feed, err)
	}
	return ev, err
}

func sameLeaf(feed string, seq int64, raw, leaf []byte) error {
	if h := tlog.RecordHash(raw); !bytes.Equal(h[:], leaf) {
		return fmt.Errorf("%w: event %d of feed %s is not what was recorded", ErrDamaged, seq, feed)
	}
	return nil
}

// merged reads several sets of events as one, in order of id, each id once.
func (r *Reader) merged(ctx context.Context, pagers []pager) iter.Seq2[events.Event, error] {
	if len(pagers) == 1 {
		return r.page(ctx, pagers[0])
	}
	return func(yield func(events.Event, error) bool) {
		type source struct {
			next func() (events.Event, error, bool)
			ev   events.Event
			err  error
		}
		var live []*source
		for _, p := range pagers {
			next, stop := iter.Pull2(r.page(ctx, p))
			defer stop()
			s := &source{next: next}
			var ok bool
			if s.ev, s.err, ok = next(); ok {
				live = append(live, s)
			}
		}
		var last events.ID
		for len(live) > 0 {
			first := 0
			for i, s := range live {
				if s.ev.ID.Compare(live[first].ev.ID) < 0 { // an error has the zero id and goes first
					first = i
				}
			}
			s := live[first]
			if s.err != nil || s.ev.ID != last {
				last = s.ev.ID
				if !yield(s.ev, s.err) {
					return
				}
			}
			var ok bool
			if s.ev, s.err, ok = s.next(); !ok {
				live = append(live[:first], live[first+1:]...)
			}
		}
	}
}

func toID(raw []byte) (events.ID, error) {
	var id events.ID
	if len(raw) != len(id) {
		return id, fmt.Errorf("%w: an id of %d bytes", ErrDamaged, len(raw))
	}
	copy(id[:], raw)
	return id, nil
}

// Feed is what the book holds of one machine's events.
type Feed struct {
	Name    string
	Key     ed25519.PublicKey
	Station string
	// Size is the number of events, Root the hash of the tree over them, and Head
	// the signed note that says both.
	Size int64
	Root tlog.Hash
	Head []byte
	// Own is true for the one feed this book is written to.
	Own bool
	// Continues is the feed this one took over from; nil for a first one.
	Continues *events.Continued
}

// Feeds are all feeds, by name.
func (r *Reader) Feeds(ctx context.Context) ([]Feed, error) {
	return r.feeds(ctx, "true")
}

func (r *Reader) feed(ctx context.Context, name string) (Feed, error) {
	list, err := r.feeds(ctx, "f.name = ?1", name)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("feed %s: %w", name, ErrNotFound)
	}
	if err != nil {
		return Feed{}, err
	}
	return list[0], nil
}

func (r *Reader) feeds(ctx context.Context, where string, args ...any) ([]Feed, error) {
	rows, err := r.q.QueryContext(ctx, `SELECT f.name, f.own, f.head, e.raw, substr(e.hashes, 1, 32) FROM feeds f
		LEFT JOIN events e ON e.feed = f.feed AND e.seq = 1 WHERE `+where+` ORDER BY f.name`, args...)
	if err != nil {
		return nil, translate(err)
	}
	defer rows.Close()
	var out []Feed
	for rows.Next() {
		var f Feed
		var first, leaf []byte
		if err := rows.Scan(&f.Name, &f.Own, &f.Head, &first, &leaf); err != nil {
			return nil, translate(err)
		}
		head, err := ParseHead(f.Head)
		if err != nil {
			return nil, fmt.Errorf("%w: feed %s: %w", ErrDamaged, f.Name, err)
		}
		f.Size, f.Root = head.Size, head.Root
		if first == nil {
			return nil, fmt.Errorf("%w: event 1 of feed %s is missing", ErrDamaged, f.Name)
		}
		if err := sameLeaf(f.Name, 1, first, leaf); err != nil {
			return nil, err
		}
		opened, err := r.opening(first)
		if err != nil {
			return nil, fmt.Errorf("%w: feed %s: %w", ErrDamaged, f.Name, err)
		}
		f.Key, f.Station, f.Continues = opened.Key, opened.Station, opened.Continues
		out = append(out, f)
	}
	return out, translate(rows.Err())
}

// opening reads the first event of a feed.
func (r *Reader) opening(raw []byte) (*events.FeedOpened, error) {
	ev, err := r.registry.Read(raw)
	if err != nil {
		return nil, fmt.Errorf("its first event: %w", err)
	}
	opened, ok := ev.Body.(*events.FeedOpened)
	if !ok {
		return nil, fmt.Errorf("its first event is a %s, not one that opens a feed", ev.Type)
	}
	return opened, nil
}

// Raw reads the exact bytes of a feed's events from one place to another, both
// included and counted from 1; to 0 is the end of the feed. A place without an
// event before the last one is ErrDamaged and ends it, and so is an event that is
// not what was recorded.
func (r *Reader) Raw(ctx context.Context, feed string, from, to int64) iter.Seq2[[]byte, error] {
	type row struct {
		seq       int64
		raw, leaf []byte
	}
	read := func(number, from, to int64) (page []row, err error) {
		rows, err := r.q.QueryContext(ctx, "SELECT seq, raw, substr(hashes, 1, 32) FROM events WHERE feed = ? AND seq BETWEEN ? AND ? ORDER BY seq", number, from, to)
		if err != nil {
			return nil, translate(err)
		}
		defer rows.Close()
		for size := 0; size < pageBytes && rows.Next(); {
			var one row
			if err := rows.Scan(&one.seq, &one.raw, &one.leaf); err != nil {
				return nil, translate(err)
			}
			size += len(one.raw) + 100
			page = append(page, one)
		}
		return page, translate(rows.Err())
	}
	return func(yield func([]byte, error) bool) {
		number, _, err := r.headOf(ctx, feed)
		if err != nil {
			yield(nil, err)
			return
		}
		last := to
		if last == 0 {
			last = events.MaxSeq
		}
		due := max(from, 1)
		for {
			page, err := read(number, due, last)
			if err != nil {
				yield(nil, err)
				return
			}
			for _, one := range page {
				if one.seq != due {
					yield(nil, fmt.Errorf("%w: event %d of feed %s is missing", ErrDamaged, due, feed))
					return
				}
				due++
				if err := sameLeaf(feed, one.seq, one.raw, one.leaf); err != nil {
					yield(nil, err)
					return
				}
				if !yield(one.raw, nil) {
					return
				}
			}
			if len(page) == 0 {
				return
			}
		}
	}
}

// Proof shows that an event stands at its place in a feed, to one who holds the
// event's exact bytes and the feed's key: nothing else of the book is needed.
type Proof struct {
	Seq  int64
	Path tlog.RecordProof // RFC 6962, section 2.1.1
	Head []byte           // signed
}

// Check checks the proof for the exact bytes of an event.
func (p Proof) Check(raw []byte, feed string, key ed25519.PublicKey) error {
	head, err := OpenHead(p.Head, feed, key)
	if err != nil {
		return err
	}
	if err := tlog.CheckRecord(p.Path, head.Size, head.Root, p.Seq-1, tlog.RecordHash(raw)); err != nil {
		return fmt.Errorf("event %d of feed %s: %w", p.Seq, feed, err)
	}
	return nil
}

// Prove makes the proof that an event stands in a feed.
func (r *Reader) Prove(ctx context.Context, feed string, seq int64) (Proof, error) {
	number, head, err := r.headOf(ctx, feed)
	if err != nil {
		return Proof{}, err
	}
	h, err := ParseHead(head)
	if err != nil {
		return Proof{}, fmt.Errorf("%w: feed %s: %w", ErrDamaged, feed, err)
	}
	if seq < 1 || seq > h.Size {
		return Proof{}, fmt.Errorf("event %d of feed %s, which has %d: %w", seq, feed, h.Size, ErrNotFound)
	}
	path, err := tlog.ProveRecord(h.Size, seq-1, storedHashes{ctx, r.q, number})
	return Proof{Seq: seq, Path: path, Head: head}, err
}

// ProveTree makes the proof (RFC 6962, section 2.1.2) that a feed as it is now
// begins with what it was at an earlier size, 1 or more.
func (r *Reader) ProveTree(ctx context.Context, feed string, size int64) (tlog.TreeProof, error) {
	number, head, err := r.headOf(ctx, feed)
	if err != nil {
		return nil, err
	}
	h, err := ParseHead(head)
	if err != nil {
		return nil, fmt.Errorf("%w: feed %s: %w", ErrDamaged, feed, err)
	}
	if size < 1 || size > h.Size {
		return nil, fmt.Errorf("size %d of feed %s, which has %d: %w", size, feed, h.Size, ErrNotFound)
	}
	return tlog.ProveTree(h.Size, size, storedHashes{ctx, r.q, number})
}

// RootAt is the hash of the tree over the first events of a feed.
func (r *Reader) RootAt(ctx context.Context, feed string, size int64) (tlog.Hash, error) {
	number, head, err := r.headOf(ctx, feed)
	if err != nil {
		return tlog.Hash{}, err
	}
	h, err := ParseHead(head)
	if err != nil {
		return tlog.Hash{}, fmt.Errorf("%w: feed %s: %w", ErrDamaged, feed, err)
	}
	if size < 0 || size > h.Size {
		return tlog.Hash{}, fmt.Errorf("size %d of feed %s, which has %d: %w", size, feed, h.Size, ErrNotFound)
	}
	return tlog.TreeHash(size, storedHashes{ctx, r.q, number})
}

func (r *Reader) headOf(ctx context.Context, feed string) (number int64, head []byte, err error) {
	err = r.q.QueryRowContext(ctx, "SELECT feed, head FROM feeds WHERE name = ?", feed).Scan(&number, &head)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil, fmt.Errorf("feed %s: %w", feed, ErrNotFound)
	}
	return number, head, translate(err)
}
