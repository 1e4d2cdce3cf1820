package events

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base32"
	"strings"
)

// FeedOpened is the first event of every feed: whose it is and, where a book was
// restored or copied, which feed it continues.
//
// Version history: v1, the first.
type FeedOpened struct {
	// Key is the Ed25519 public key that signs the feed's heads, 32 bytes.
	Key []byte `json:"key"`
	// Station is the workshop machine in plain words: "office", "bay 2".
	Station   string     `json:"station"`
	Continues *Continued `json:"continues,omitempty"`
	Note      string     `json:"note,omitempty"`
}

// Continued is the point at which another feed was left.
type Continued struct {
	Feed string `json:"feed"`
	Size int64  `json:"size"`
	// Root is the tree hash at that size, 32 bytes.
	Root []byte `json:"root"`
	// Why in words: "the book is older than this machine remembers".
	Why string `json:"why"`
}

// FeedName is the name of the feed of a public key: 26 characters of lower-case
// base 32 (RFC 4648) of the first 16 bytes of its SHA-256.
func FeedName(key ed25519.PublicKey) string {
	sum := sha256.Sum256(key)
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(sum[:16]))
}

// Type is "feed.opened.v1".
func (*FeedOpened) Type() string { return "feed.opened.v1" }

// Validate wants a whole key and a station.
func (e *FeedOpened) Validate() error {
	var p Problems
	if len(e.Key) != ed25519.PublicKeySize {
		p.Add("key", "%d bytes: want %d", len(e.Key), ed25519.PublicKeySize)
	}
	p.name("station", e.Station)
	if c := e.Continues; c != nil {
		at := p.In("continues", -1)
		if !validName(c.Feed, 64) {
			at.Add("feed", "%q is not the name of a feed", c.Feed)
		}
		if c.Size < 0 || c.Size > MaxSeq {
			at.Add("size", "%d: want 0 to %d", c.Size, MaxSeq)
		}
		if len(c.Root) != sha256.Size {
			at.Add("root", "%d bytes: want %d", len(c.Root), sha256.Size)
		}
		at.name("why", c.Why)
	}
	p.text("note", e.Note)
	return p.Err()
}
