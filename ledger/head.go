package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

const (
	// originPrefix and the feed's name make the origin line of a head, which is
	// also the name of the key that signs it.
	originPrefix = "mendbook.feed."
	// maxHead is the longest signed head, in bytes: room for a hundred further
	// signatures of witnesses.
	maxHead = 16 << 10
)

// Head is what a signed head says: this feed has this many events, and this is
// the hash of the tree over them. Its text is a checkpoint (C2SP
// tlog-checkpoint v1.0.0), its signature a signed note with Ed25519 (C2SP
// signed-note v1.0.0).
type Head struct {
	Feed string
	Size int64
	Root tlog.Hash
}

// Text is the part that is signed: three lines.
func (h Head) Text() string {
	return fmt.Sprintf("%s%s\n%d\n%s\n", originPrefix, h.Feed, h.Size, h.Root)
}

// ParseHead reads what a signed head says without checking who signed it. Only
// the one spelling is read. The error is an ErrBadHead.
func ParseHead(msg []byte) (Head, error) {
	_, h, err := parseHead(msg, nil)
	return h, err
}

// OpenHead reads a signed head of a feed and checks its signature. The error is
// an ErrBadHead.
func OpenHead(msg []byte, feed string, key ed25519.PublicKey) (Head, error) {
	verifier, err := headVerifier(feed, key)
	if err != nil {
		return Head{}, fmt.Errorf("%w: %w", ErrBadHead, err)
	}
	n, h, err := parseHead(msg, note.VerifierList(verifier))
	if err != nil {
		return Head{}, err
	}
	if h.Feed != feed {
		return Head{}, fmt.Errorf("%w: it is of feed %q, not %q", ErrBadHead, h.Feed, feed)
	}
	if len(n.Sigs) == 0 {
		return Head{}, fmt.Errorf("%w: it is not signed by the key of feed %s", ErrBadHead, feed)
	}
	return h, nil
}

func parseHead(msg []byte, known note.Verifiers) (*note.Note, Head, error) {
	bad := func(format string, args ...any) (*note.Note, Head, error) {
		return nil, Head{}, fmt.Errorf("%w: "+format, append([]any{ErrBadHead}, args...)...)
	}
	if len(msg) > maxHead {
		return bad("%d bytes: the limit is %d", len(msg), maxHead)
	}
	n, err := note.Open(msg, known)
	if unverified := (*note.UnverifiedNoteError)(nil); errors.As(err, &unverified) {
		n, err = unverified.Note, nil
	}
	if err != nil {
		return bad("%w", err)
	}
	lines := strings.Split(n.Text, "\n")
	if len(lines) != 4 {
		return bad("want an origin, a size and a root, each on its own line")
	}
	feed, ok := strings.CutPrefix(lines[0], originPrefix)
	if !ok || !validFeed(feed) {
		return bad("%.80q is not an origin: want %s and a feed", lines[0], originPrefix)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 {
		return bad("%.40q is not a size", lines[1])
	}
	root, err := base64.StdEncoding.Strict().DecodeString(lines[2])
	if err != nil || len(root) != tlog.HashSize {
		return bad("%.80q is not a root", lines[2])
	}
	h := Head{Feed: feed, Size: size, Root: tlog.Hash(root)}
	if h.Text() != n.Text {
		return bad("it is not in its one spelling")
	}
	return n, h, nil
}

func validFeed(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	return strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789") == ""
}

func headVerifier(feed string, key ed25519.PublicKey) (note.Verifier, error) {
	text, err := note.NewEd25519VerifierKey(originPrefix+feed, key)
	if err != nil {
		return nil, err
	}
	return note.NewVerifier(text)
}

func signHead(h Head, signer note.Signer) ([]byte, error) {
	return note.Sign(&note.Note{Text: h.Text()}, signer)
}
