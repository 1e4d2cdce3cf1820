package ledger

import (
	"context"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// storedHashes reads the tree hashes of one feed from its rows. Each row holds
// exactly the hashes that tlog stores with that record, lowest level first, so
// the row and the place in it follow from a stored hash's coordinates.
type storedHashes struct {
	ctx  context.Context
	q    querier
	feed int64
}

// ReadHashes makes storedHashes a tlog.HashReader.
func (s storedHashes) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		seq := (n + 1) << level
		var blob []byte
		err := s.q.QueryRowContext(s.ctx, "SELECT hashes FROM events WHERE feed = ? AND seq = ?", s.feed, seq).Scan(&blob)
		if err != nil {
			return nil, fmt.Errorf("reading the hash of event %d: %w", seq, translate(err))
		}
		at := level * tlog.HashSize
		if len(blob) < at+tlog.HashSize {
			return nil, fmt.Errorf("%w: event %d holds too few hashes", ErrDamaged, seq)
		}
		copy(out[i][:], blob[at:])
	}
	return out, nil
}

// edge is the right edge of a feed's tree: the few hashes that adding an event
// and computing the root need. It is read once per transaction and then kept.
type edge struct {
	size  int64
	nodes map[int64]tlog.Hash // by stored hash index
}

// loadEdge reads the edge of a tree of that size, and its root.
func loadEdge(from tlog.HashReader, size int64) (*edge, tlog.Hash, error) {
	e := &edge{size: size, nodes: map[int64]tlog.Hash{}}
	root, err := tlog.TreeHash(size, tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		hashes, err := from.ReadHashes(indexes)
		if err == nil {
			for i, index := range indexes {
				e.nodes[index] = hashes[i]
			}
		}
		return hashes, err
	}))
	return e, root, err
}

// ReadHashes makes an edge a tlog.HashReader for the hashes it holds.
func (e *edge) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		h, ok := e.nodes[index]
		if !ok {
			return nil, fmt.Errorf("hash %d is not on the edge of a tree of %d", index, e.size)
		}
		out[i] = h
	}
	return out, nil
}

// add puts a record's hash at the end and gives the hashes to store with it.
func (e *edge) add(leaf tlog.Hash) ([]tlog.Hash, error) {
	stored, err := tlog.StoredHashesForRecordHash(e.size, leaf, e)
	if err != nil {
		return nil, err
	}
	at := tlog.StoredHashIndex(0, e.size)
	for i, h := range stored {
		e.nodes[at+int64(i)] = h
	}
	next, _, err := loadEdge(e, e.size+1)
	if err != nil {
		return nil, err
	}
	*e = *next
	return stored, nil
}

func (e *edge) root() (tlog.Hash, error) { return tlog.TreeHash(e.size, e) }
