package ledger

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"iter"

	"golang.org/x/mod/sumdb/tlog"

	"mendbook/events"
)

// Receive takes in the next events of another machine's feed, up to a signed
// head: those behind what the book holds of the feed, all of them, in order.
// Nothing is believed: the feed's name must be that of the key in its first
// event, the head must be signed by it, and the tree over what the book holds
// and the new events must have the head's root. The error is ErrRefused where
// they do not prove themselves, and then the Update must fail; a *ConflictError
// where an id says something else in another feed.
func (w *Writer) Receive(ctx context.Context, feed string, list iter.Seq2[[]byte, error], head []byte) (added int64, err error) {
	refuse := func(format string, args ...any) (int64, error) {
		return 0, fmt.Errorf("%w: feed %s: "+format, append([]any{ErrRefused, feed}, args...)...)
	}
	if w.done {
		return 0, fmt.Errorf("%w: the Update is over", ErrBadDraft)
	}
	own, err := w.ownName(ctx)
	if err != nil {
		return 0, err
	}
	if feed == own {
		return refuse("it is this book's own")
	}
	f, err := w.load(ctx, feed)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return 0, err
	}
	for raw, err := range list {
		if err != nil {
			return 0, err
		}
		ev, err := w.registry.Read(raw)
		if err != nil {
			return refuse("event %d of those given: %w", added+1, err)
		}
		if f == nil {
			if f, err = w.meet(ctx, feed, raw, head); err != nil {
				return refuse("%w", err)
			}
		}
		if ev.Feed != feed || ev.FeedSeq != f.edge.size+1 {
			return refuse("event %d of feed %s where event %d was due", ev.FeedSeq, ev.Feed, f.edge.size+1)
		}
		prev, err := w.previous(ctx, f, ev.Subject)
		if err != nil {
			return 0, err
		}
		if ev.PrevSeq != prev.seq || ev.PrevHash != prev.hash {
			return refuse("event %d does not name the event before it of its vehicle", ev.FeedSeq)
		}
		if err := w.admit(ctx, f, ev); err != nil {
			return 0, err
		}
		if err := w.append(ctx, f, ev, raw); err != nil {
			return 0, err
		}
		added++
	}
	if f == nil {
		return refuse("no events")
	}
	h, err := OpenHead(head, feed, f.key)
	if err != nil {
		return refuse("%w", err)
	}
	if h.Size != f.edge.size {
		return refuse("%d events, and the head says %d", f.edge.size, h.Size)
	}
	root, err := f.edge.root()
	if err != nil {
		return 0, err
	}
	if root != h.Root {
		return refuse("the events do not give the root that was signed")
	}
	return added, w.c.run(ctx, "UPDATE feeds SET head = ? WHERE feed = ?", head, f.number)
}

// meet makes room for a feed that the book does not hold yet.
func (w *Writer) meet(ctx context.Context, feed string, first, head []byte) (*feedState, error) {
	opened, err := w.opening(first)
	if err != nil {
		return nil, err
	}
	if events.FeedName(opened.Key) != feed {
		return nil, errors.New("its key has another name")
	}
	if err := w.c.run(ctx, "INSERT INTO feeds (name, own, clock, head) VALUES (?, 0, 0, ?)", feed, head); err != nil {
		return nil, err
	}
	f := &feedState{name: feed, key: ed25519.PublicKey(opened.Key), prev: map[events.ID]link{},
		edge: &edge{nodes: map[int64]tlog.Hash{}}}
	f.number, err = w.c.number(ctx, "SELECT feed FROM feeds WHERE name = ?", feed)
	return f, err
}

// admit lets an event in unless its id stands for something else.
func (w *Writer) admit(ctx context.Context, f *feedState, ev events.Event) error {
	have, err := w.Event(ctx, ev.ID)
	if errors.Is(err, ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	if what := difference(have.Envelope, ev.Type, ev.Subject, ev.At, ev.Data); what != "" {
		return &ConflictError{ID: ev.ID, What: what}
	}
	twice, err := number(ctx, w.q, "SELECT EXISTS (SELECT 1 FROM events WHERE id = ? AND feed = ?)", ev.ID[:], f.number)
	if err == nil && twice == 1 {
		err = fmt.Errorf("%w: feed %s: event %s stands in it twice", ErrRefused, f.name, ev.ID)
	}
	return err
}
