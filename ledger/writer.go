package ledger

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"
	"golang.org/x/mod/sumdb/tlog"

	"mendbook/events"
)

// Draft is an event to be recorded.
type Draft struct {
	// ID is the event's id where it is known beforehand, as for an imported line,
	// whose id is made from its content; zero to have one made.
	ID events.ID
	// Subject is the vehicle. Zero for what makes a vehicle and for what concerns
	// the workshop.
	Subject events.ID
	// At is when the work happened; unset for now.
	At   events.Time
	Body events.Data
}

// Writer records events in one transaction, and reads what the transaction has
// made of the book. It is not to be used after the function it was given to.
type Writer struct {
	*Reader
	opt      Options
	c        *conn
	done     bool
	own      *feedState         // nil until something is recorded
	vehicles map[events.ID]bool // known to be one
	clock    int64              // ms of the newest id made here; -1 before it is read
	lock     *flock.Flock       // on the own feed, in the state directory
	promote  bool               // station.key.new is to take its name
	tell     []string           // to be told once committed
}

// feedState is a feed that grows in this transaction.
type feedState struct {
	number int64
	name   string
	key    ed25519.PublicKey
	secret *stationKey // nil for another machine's
	edge   *edge
	before Head // as it was when the transaction began; of size 0 for a new feed
	head   Head // as last signed in this transaction
	prev   map[events.ID]link
}

// link names the previous event of a subject in a feed.
type link struct {
	seq  int64
	hash tlog.Hash
}

func newWriter(o Options, c *conn) *Writer {
	return &Writer{Reader: &Reader{q: c, registry: o.Registry, dir: o.Dir}, opt: o, c: c,
		vehicles: map[events.ID]bool{}, clock: -1}
}

// Update records events in one transaction: when f returns nil all of them are
// on the disk, signed, and otherwise none. Another process that is writing is
// waited for; the error is then a *BusyError.
func (b *Book) Update(ctx context.Context, f func(*Writer) error) error {
	if b.opt.ReadOnly {
		return ErrReadOnly
	}
	var w *Writer
	err := b.locked(ctx, func(c *conn) error {
		w = newWriter(b.opt, c)
		defer func() {
			w.done = true
			if w.lock != nil {
				_ = w.lock.Unlock()
			}
		}()
		m, err := w.transact(ctx, f)
		if err != nil {
			return err
		}
		// Committed. From here on nothing can fail in a way that matters: a marker
		// that says what was to be is as good, and a key that did not get its name
		// gets it the next time.
		if m != nil {
			m.Size, m.Root, m.Next = m.Next.Size, m.Next.Root, nil
			_ = m.write(b.opt.StateDir)
		}
		if b.opt.fault("committed") == nil && w.promote {
			_ = promoteKey(b.opt.Dir, stamp(b.opt.Now()))
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, s := range w.tell {
		b.opt.Tell(s)
	}
	if w.own != nil {
		b.tellClock(ctx)
	}
	return nil
}

// tellClock tells once that the clocks disagree, where they do. What was recorded
// is recorded, so that not being able to look is no error here.
func (b *Book) tellClock(ctx context.Context) {
	if b.toldClock.Load() {
		return
	}
	warnings, err := b.Warnings(ctx)
	if err != nil || len(warnings) == 0 || b.toldClock.Swap(true) {
		return
	}
	for _, s := range warnings {
		b.opt.Tell(s)
	}
}

// transact does what has to happen before the commit and the commit itself. It
// gives the marker of the own feed where that grew.
func (w *Writer) transact(ctx context.Context, f func(*Writer) error) (m *marker, err error) {
	err = w.c.transact(ctx, func() error {
		if err := w.begin(ctx); err != nil {
			return err
		}
		if err := f(w); err != nil {
			return err
		}
		w.done = true
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := w.signOwn(ctx); err != nil {
			return err
		}
		if w.own == nil || w.own.head.Size == 0 {
			return nil
		}
		m = &marker{Feed: w.own.name, Size: w.own.before.Size, Root: w.own.before.Root, Book: w.opt.Dir,
			Next: &point{w.own.head.Size, w.own.head.Root}}
		if err := m.write(w.opt.StateDir); err != nil {
			return err
		}
		return w.opt.fault("commit")
	})
	return m, err
}

// begin makes sure that the book is one this program may write.
func (w *Writer) begin(ctx context.Context) error {
	have, err := w.c.number(ctx, "PRAGMA user_version")
	if err != nil {
		return err
	}
	if have > layout {
		return fmt.Errorf("%w: layout %d, this program knows up to %d", ErrNewerBook, have, layout)
	}
	if err := freshenLookup(ctx, w.c, w.registry); err != nil {
		return err
	}
	own, err := w.ownName(ctx)
	if err != nil {
		return err
	}
	return settleKeys(w.opt.Dir, own, stamp(w.opt.Now()))
}

func (w *Writer) ownName(ctx context.Context) (string, error) {
	var own string
	err := w.q.QueryRowContext(ctx, "SELECT name FROM feeds WHERE own = 1").Scan(&own)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return own, translate(err)
}

// Record records an event and gives it as it is read from now on. Where an event
// of the draft's id is in the book and says the same, that one is given and
// added is false; where it says something else the error is a *ConflictError.
func (w *Writer) Record(ctx context.Context, d Draft) (ev events.Event, added bool, err error) {
	if w.done {
		return ev, false, fmt.Errorf("%w: the Update is over", ErrBadDraft)
	}
	kind, data, err := w.judge(d)
	if err != nil {
		return ev, false, err
	}
	if !d.ID.IsZero() {
		if kind.Scope == events.ScopeNew {
			d.Subject = d.ID
		}
		have, err := w.same(ctx, d, kind.Type, data)
		if err == nil || !errors.Is(err, ErrNotFound) {
			return have, false, err
		}
	}
	if kind.Scope == events.ScopeVehicle {
		if ok, err := w.isVehicle(ctx, d.Subject); err != nil {
			return ev, false, err
		} else if !ok {
			return ev, false, fmt.Errorf("%s of vehicle %s: %w", kind.Type, d.Subject, ErrNoVehicle)
		}
	}
	if err := w.continueOwn(ctx); err != nil {
		return ev, false, err
	}
	ev, err = w.record(ctx, w.own, d, kind, data)
	return ev, err == nil, err
}

// judge checks what can be checked without the book.
func (w *Writer) judge(d Draft) (events.Kind, []byte, error) {
	bad := func(format string, args ...any) (events.Kind, []byte, error) {
		return events.Kind{}, nil, fmt.Errorf("%w: "+format, append([]any{ErrBadDraft}, args...)...)
	}
	if d.Body == nil {
		return bad("nothing to record")
	}
	if _, ok := d.Body.(*events.Unknown); ok {
		return bad("a %s is not known to this program", d.Body.Type())
	}
	kind, ok := w.registry.Lookup(d.Body.Type())
	if !ok {
		return bad("a %s is not known to this program", d.Body.Type())
	}
	if _, ok := d.Body.(*events.FeedOpened); ok {
		return bad("a feed is opened by the book itself")
	}
	switch kind.Scope {
	case events.ScopeVehicle:
		if d.Subject.IsZero() {
			return bad("a %s needs a vehicle", kind.Type)
		}
	case events.ScopeNew:
		if !d.Subject.IsZero() && d.Subject != d.ID {
			return bad("a %s is its own subject", kind.Type)
		}
	case events.ScopeWorkshop:
		if !d.Subject.IsZero() {
			return bad("a %s concerns the workshop and has no subject", kind.Type)
		}
	}
	data, err := events.EncodeData(d.Body)
	if err != nil {
		return events.Kind{}, nil, fmt.Errorf("%s: %w", kind.Type, err)
	}
	return kind, data, nil
}

// same compares a draft with the event of its id, which is ErrNotFound where
// there is none.
func (w *Writer) same(ctx context.Context, d Draft, typ string, data []byte) (events.Event, error) {
	have, err := w.Event(ctx, d.ID)
	if err != nil {
		return have, err
	}
	if what := difference(have.Envelope, typ, d.Subject, d.At, data); what != "" {
		return events.Event{}, &ConflictError{ID: d.ID, What: what}
	}
	return have, nil
}

// difference says in what an event differs from content; empty for the same.
func difference(have events.Envelope, typ string, subject events.ID, at events.Time, data []byte) string {
	switch {
	case have.Type != typ:
		return "type"
	case have.Subject != subject:
		return "subject"
	case have.At.String() != at.String():
		return "at"
	case !bytes.Equal(have.Data, data):
		return "data"
	}
	return ""
}

// isVehicle finds out whether an id names a vehicle: its event is its own
// subject, which also holds for vehicles registered by newer programs.
func (w *Writer) isVehicle(ctx context.Context, id events.ID) (bool, error) {
	if w.vehicles[id] {
		return true, nil
	}
	n, err := number(ctx, w.q, "SELECT EXISTS (SELECT 1 FROM events WHERE id = ?1 AND subject = ?1)", id[:])
	if err == nil && n == 1 {
		w.vehicles[id] = true
	}
	return n == 1, err
}

// record puts a draft at the end of a feed.
func (w *Writer) record(ctx context.Context, f *feedState, d Draft, kind events.Kind, data []byte) (events.Event, error) {
	now := w.opt.Now()
	if y := now.UTC().Year(); y < 1970 || y > 9999 {
		return events.Event{}, fmt.Errorf("the clock of this machine says %s: set it first", now.UTC().Format(time.DateOnly))
	}
	if d.ID.IsZero() {
		id, err := w.mint(ctx, now)
		if err != nil {
			return events.Event{}, err
		}
		d.ID = id
		if kind.Scope == events.ScopeNew {
			d.Subject = id
		}
	}
	prev, err := w.previous(ctx, f, d.Subject)
	if err != nil {
		return events.Event{}, err
	}
	raw, err := events.Encode(events.Envelope{ID: d.ID, Feed: f.name, Type: kind.Type, Subject: d.Subject,
		Time: events.At(now), FeedSeq: f.edge.size + 1, PrevSeq: prev.seq, PrevHash: prev.hash, At: d.At, Data: data})
	if err != nil {
		return events.Event{}, fmt.Errorf("%w: %w", ErrBadDraft, err)
	}
	// What is read back is what counts from now on. Whatever would not survive
	// that, such as text that is not UTF-8, must not be signed.
	ev, err := w.registry.Read(raw)
	if err != nil {
		return events.Event{}, fmt.Errorf("%w: %w", ErrBadDraft, err)
	}
	if u, ok := ev.Body.(*events.Unknown); ok {
		return events.Event{}, fmt.Errorf("%w: %w", ErrBadDraft, u.Validate())
	}
	return ev, w.append(ctx, f, ev, raw)
}

// append stores an event whose place, links and content have been settled.
func (w *Writer) append(ctx context.Context, f *feedState, ev events.Event, raw []byte) error {
	leaf := tlog.RecordHash(raw)
	stored, err := f.edge.add(leaf)
	if err != nil {
		return fmt.Errorf("%w: feed %s: %w", ErrDamaged, f.name, err)
	}
	blob := make([]byte, 0, len(stored)*tlog.HashSize)
	for _, h := range stored {
		blob = append(blob, h[:]...)
	}
	var subject []byte
	if !ev.Subject.IsZero() {
		subject = ev.Subject[:]
		f.prev[ev.Subject] = link{ev.FeedSeq, leaf}
	}
	err = w.c.run(ctx, "INSERT INTO events (feed, seq, id, type, subject, raw, hashes) VALUES (?, ?, ?, ?, ?, ?, ?)",
		f.number, ev.FeedSeq, ev.ID[:], ev.Type, subject, raw, blob)
	if err != nil {
		return err
	}
	return addKeys(ctx, w.c, ev)
}

// previous finds the previous event of a subject in a feed. What concerns the
// workshop is not linked.
func (w *Writer) previous(ctx context.Context, f *feedState, subject events.ID) (link, error) {
	if subject.IsZero() {
		return link{}, nil
	}
	if l, ok := f.prev[subject]; ok {
		return l, nil
	}
	var l link
	var blob []byte
	err := w.q.QueryRowContext(ctx, `SELECT seq, hashes FROM events WHERE feed = ?1
		AND seq = (SELECT max(seq) FROM events INDEXED BY events_subject WHERE subject = ?2 AND feed = ?1)`, f.number, subject[:]).Scan(&l.seq, &blob)
	if errors.Is(err, sql.ErrNoRows) {
		f.prev[subject] = l
		return l, nil
	}
	if err != nil {
		return l, translate(err)
	}
	copy(l.hash[:], blob)
	f.prev[subject] = l
	return l, nil
}

// mint makes an id. Its time is a hybrid logical clock: the wall clock, but after
// every id this machine has made, and after every other id in the book that is
// less than five minutes ahead of the wall clock. One machine with a wrong clock
// can so not carry the others along.
func (w *Writer) mint(ctx context.Context, now time.Time) (events.ID, error) {
	if w.clock < 0 {
		own, err := number(ctx, w.q, "SELECT coalesce(max(clock), 0) FROM feeds")
		if err != nil {
			return events.ID{}, err
		}
		w.clock = own
	}
	var newest []byte
	bound := events.NewID(now.Add(clockTolerance), [10]byte{})
	if err := w.q.QueryRowContext(ctx, "SELECT max(id) FROM events WHERE id < ?", bound[:]).Scan(&newest); err != nil {
		return events.ID{}, translate(err)
	}
	ms := max(now.UnixMilli(), w.clock+1)
	if newest != nil {
		id, err := toID(newest)
		if err != nil {
			return events.ID{}, err
		}
		ms = max(ms, id.Time().UnixMilli()+1)
	}
	var random [10]byte
	if _, err := io.ReadFull(w.opt.Entropy, random[:]); err != nil {
		return events.ID{}, fmt.Errorf("making an id: %w", err)
	}
	w.clock = ms
	return events.NewID(time.UnixMilli(ms), random), nil
}

// signOwn signs the own feed as it is now, where it grew.
func (w *Writer) signOwn(ctx context.Context) error {
	f := w.own
	if f == nil || f.edge.size == f.before.Size {
		return nil
	}
	root, err := f.edge.root()
	if err != nil {
		return err
	}
	f.head = Head{Feed: f.name, Size: f.edge.size, Root: root}
	signed, err := signHead(f.head, f.secret.signer)
	if err != nil {
		return err
	}
	return w.c.run(ctx, "UPDATE feeds SET head = ?, clock = max(clock, ?) WHERE feed = ?", signed, max(w.clock, 0), f.number)
}

// continueOwn prepares the own feed for growing, or opens a new one where this
// copy of the book might not be the one that wrote the feed last. Two honest
// feeds can always be read together; one feed grown in two ways never can.
func (w *Writer) continueOwn(ctx context.Context) error {
	if w.own != nil {
		return nil
	}
	name, err := w.ownName(ctx)
	if err != nil {
		return err
	}
	if name == "" {
		return w.openFeed(ctx, nil)
	}
	if w.lock, err = lockFeed(ctx, w.opt.StateDir, name, w.opt.Wait); err != nil {
		return err
	}
	f, err := w.load(ctx, name)
	if err != nil {
		return err
	}
	secret, why := ownKey(w.opt.Dir, name)
	if why == "" {
		m, err := readMarker(w.opt.StateDir, name)
		if err != nil {
			return err
		}
		why, err = m.doubt(w.opt.Dir, f.before.Size, func(size int64) (tlog.Hash, error) {
			return tlog.TreeHash(size, storedHashes{ctx, w.q, f.number})
		})
		if err != nil {
			return err
		}
	}
	if why != "" {
		return w.openFeed(ctx, &events.Continued{Feed: name, Size: f.before.Size, Root: f.before.Root[:], Why: why})
	}
	f.secret = secret
	w.own = f
	return nil
}

// load reads the edge of a feed's tree, and refuses to go on where it is not
// what was signed: a tree is never signed over damage.
func (w *Writer) load(ctx context.Context, name string) (*feedState, error) {
	stored, err := w.feed(ctx, name)
	if err != nil {
		return nil, err
	}
	f := &feedState{name: name, key: stored.Key, prev: map[events.ID]link{}}
	if f.number, _, err = w.headOf(ctx, name); err != nil {
		return nil, err
	}
	if f.before, err = OpenHead(stored.Head, name, stored.Key); err != nil {
		return nil, fmt.Errorf("%w: feed %s: %w", ErrDamaged, name, err)
	}
	rows, err := number(ctx, w.q, "SELECT coalesce(max(seq), 0) FROM events WHERE feed = ?", f.number)
	if err != nil {
		return nil, err
	}
	if rows != f.before.Size {
		return nil, fmt.Errorf("%w: feed %s has %d events, and its head says %d", ErrDamaged, name, rows, f.before.Size)
	}
	edge, root, err := loadEdge(storedHashes{ctx, w.q, f.number}, f.before.Size)
	if err != nil {
		return nil, err
	}
	if root != f.before.Root {
		return nil, fmt.Errorf("%w: the events of feed %s do not give the root that was signed", ErrDamaged, name)
	}
	f.edge = edge
	return f, nil
}

// openFeed makes a feed the book's own, with a new key. The key is on the disk
// before the commit, under a name that settleKeys knows.
func (w *Writer) openFeed(ctx context.Context, left *events.Continued) error {
	station := w.opt.Station
	if left != nil && station == "" {
		old, err := w.feed(ctx, left.Feed)
		if err != nil {
			return err
		}
		station = old.Station
	}
	key, err := newKey(w.opt.Entropy)
	if err != nil {
		return err
	}
	if err := writeKey(filepath.Join(w.opt.Dir, newKeyFile), key); err != nil {
		return fmt.Errorf("keeping the new key: %w", err)
	}
	if err := w.opt.fault("key"); err != nil {
		return err
	}
	if err := w.c.run(ctx, "UPDATE feeds SET own = 0 WHERE own = 1"); err != nil {
		return err
	}
	// The head is signed below, as soon as there is an event.
	if err := w.c.run(ctx, "INSERT INTO feeds (name, own, clock, head) VALUES (?, 1, 0, x'')", key.feed); err != nil {
		return err
	}
	f := &feedState{name: key.feed, key: key.public, secret: key, prev: map[events.ID]link{},
		edge: &edge{nodes: map[int64]tlog.Hash{}}}
	f.before.Root, _ = tlog.TreeHash(0, f.edge)
	if f.number, err = w.c.number(ctx, "SELECT feed FROM feeds WHERE name = ?", key.feed); err != nil {
		return err
	}
	body := &events.FeedOpened{Key: key.public, Station: station, Continues: left}
	kind, ok := w.registry.Lookup(body.Type())
	if !ok {
		return fmt.Errorf("%w: the registry does not know %s", ErrBadDraft, body.Type())
	}
	data, err := events.EncodeData(body)
	if err != nil {
		return fmt.Errorf("%w: opening a feed: %w", ErrBadDraft, err)
	}
	if _, err := w.record(ctx, f, Draft{Body: body}, kind, data); err != nil {
		return err
	}
	w.own, w.promote = f, true
	if err := w.signOwn(ctx); err != nil {
		return err
	}
	if left != nil {
		w.tell = append(w.tell, fmt.Sprintf("%s: this machine goes on in a new feed, %s, which continues %s after event %d",
			left.Why, key.feed, left.Feed, left.Size))
	}
	return nil
}
