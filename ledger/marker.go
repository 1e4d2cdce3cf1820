package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/tlog"
)

// marker is what the machine remembers of a feed it writes, outside the book: a
// copy of the book brings no copy of it, and a restored book finds it ahead.
//
// It is written before each commit, saying what is about to be, and after it,
// saying what is. Neither is flushed. A marker behind the book is harmless: the
// book proves itself by having the marker's root at the marker's size. After a
// power failure the marker can be behind by what the disk lost, no worse. What
// would be harmful is a marker that says less than this machine has signed while
// the book says less too, and for that both the process and the book's copy
// would have to change between the two writings: that is what Next and Book are
// for.
type marker struct {
	Feed string    `json:"feed"`
	Size int64     `json:"size"`
	Root tlog.Hash `json:"root"`
	// Book is the directory of the copy that wrote last.
	Book string `json:"book"`
	// Next is what a commit under way makes of the feed.
	Next *point `json:"next,omitempty"`
}

type point struct {
	Size int64     `json:"size"`
	Root tlog.Hash `json:"root"`
}

func markerPath(state, feed string) string {
	return filepath.Join(state, "feeds", feed+".json")
}

// readMarker gives nil where the machine remembers nothing. What cannot be read
// counts as nothing: the feed is then left, which is always safe.
func readMarker(state, feed string) (*marker, error) {
	raw, err := os.ReadFile(markerPath(state, feed))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading what this machine remembers of feed %s: %w", feed, err)
	}
	var m marker
	if json.Unmarshal(raw, &m) != nil || m.Feed != feed || m.Size < 0 {
		return nil, nil
	}
	return &m, nil
}

func (m marker) write(state string) error {
	raw, err := json.Marshal(m)
	if err != nil {
		return err
	}
	path := markerPath(state, m.Feed)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	if err := replaceFile(path, append(raw, '\n'), 0o600, false); err != nil {
		return fmt.Errorf("noting on this machine where feed %s stands: %w", m.Feed, err)
	}
	return nil
}

// doubt says why a feed of that size must not be continued; empty where nothing
// speaks against it. rootAt gives the book's root at an earlier size.
func (m *marker) doubt(book string, size int64, rootAt func(int64) (tlog.Hash, error)) (string, error) {
	if m == nil {
		return "this machine does not remember writing the feed", nil
	}
	agrees := func(p point) (bool, error) {
		if p.Size > size {
			return false, nil
		}
		root, err := rootAt(p.Size)
		return root == p.Root, err
	}
	if m.Next != nil {
		// A commit was under way. It was done: all is well.
		if ok, err := agrees(*m.Next); ok || err != nil {
			return "", err
		}
		// It was not done, if this is the copy that began it. Another copy may
		// have done it.
		if m.Book != book {
			return "another copy of the book on this machine was being written", nil
		}
	}
	if m.Size > size {
		return "the book is older than this machine remembers", nil
	}
	ok, err := agrees(point{m.Size, m.Root})
	if err != nil || ok {
		return "", err
	}
	return "the book differs from what this machine remembers", nil
}
