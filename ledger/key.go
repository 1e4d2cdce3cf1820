package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"mendbook/events"
)

const (
	keyFile = "station.key"
	// newKeyFile holds a key whose feed may not be in the book yet.
	newKeyFile = "station.key.new"
	// algEd25519 is the signature type of a signed note (C2SP signed-note v1.0.0).
	algEd25519 = 1
)

// stationKey signs the heads of one feed.
type stationKey struct {
	feed   string
	public ed25519.PublicKey
	signer note.Signer
	text   string // the private key as sumdb/note writes it
}

// newKey makes a key from 32 bytes of entropy.
func newKey(entropy io.Reader) (*stationKey, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(entropy, seed); err != nil {
		return nil, fmt.Errorf("making a key: %w", err)
	}
	private := ed25519.NewKeyFromSeed(seed)
	feed := events.FeedName(private.Public().(ed25519.PublicKey))
	// The public key is written name+hash+key, the private one with the same
	// name and hash. A packed key is base 64, which may hold a plus.
	public, err := note.NewEd25519VerifierKey(originPrefix+feed, private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	parts := strings.SplitN(public, "+", 3)
	packed := base64.StdEncoding.EncodeToString(append([]byte{algEd25519}, seed...))
	return parseKey(strings.Join([]string{"PRIVATE", "KEY", parts[0], parts[1], packed}, "+"))
}

// parseKey reads a private key. The key must be named for its own feed.
func parseKey(text string) (*stationKey, error) {
	signer, err := note.NewSigner(text)
	if err != nil {
		return nil, err
	}
	packed, err := base64.StdEncoding.DecodeString(strings.SplitN(text, "+", 5)[4])
	if err != nil || len(packed) != 1+ed25519.SeedSize || packed[0] != algEd25519 {
		return nil, errors.New("want an Ed25519 key")
	}
	public := ed25519.NewKeyFromSeed(packed[1:]).Public().(ed25519.PublicKey)
	feed := events.FeedName(public)
	if signer.Name() != originPrefix+feed {
		return nil, fmt.Errorf("the key is named %q, and is the key of %q", signer.Name(), originPrefix+feed)
	}
	return &stationKey{feed: feed, public: public, signer: signer, text: text}, nil
}

// readKey reads a key file. Without one the error is fs.ErrNotExist.
func readKey(path string) (*stationKey, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	k, err := parseKey(strings.TrimSuffix(string(raw), "\n"))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return k, nil
}

// writeKey puts a key on the disk. On Windows the mode only sets the read-only
// mark: there the directory's own access list, by default that of the user's
// profile, keeps others out.
func writeKey(path string, k *stationKey) error {
	return writeDurable(path, []byte(k.text+"\n"), 0o600)
}

// keepOldKey moves station.key aside under the name of its feed, so that no key
// is ever lost; one that cannot be read is kept under the name given otherwise.
// It gives the new path, empty where there was no key.
func keepOldKey(dir, otherwise string) (string, error) {
	path := filepath.Join(dir, keyFile)
	old, err := readKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	to := path + "." + otherwise
	if err == nil {
		to = path + "." + old.feed
	}
	return to, os.Rename(path, to)
}

// settleKeys finishes or undoes what a process left that died while opening a
// feed. The new key is on the disk before the commit that makes its feed the
// book's own, and takes its name after it; so a new key whose feed is the own
// one takes its name now, and any other never signed anything and goes.
func settleKeys(dir, own, stamp string) error {
	path := filepath.Join(dir, newKeyFile)
	k, err := readKey(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err == nil && k.feed == own:
		return promoteKey(dir, stamp)
	default:
		return os.Remove(path)
	}
}

// promoteKey gives the new key its name.
func promoteKey(dir, stamp string) error {
	if _, err := keepOldKey(dir, stamp); err != nil {
		return err
	}
	if err := os.Rename(filepath.Join(dir, newKeyFile), filepath.Join(dir, keyFile)); err != nil {
		return err
	}
	return syncDir(dir)
}

// ownKey finds the key of the book's own feed, also where a process died before
// giving it its name. A nil key means that there is none, for the reason given.
func ownKey(dir, own string) (*stationKey, string) {
	k, err := readKey(filepath.Join(dir, keyFile))
	if err == nil && k.feed == own {
		return k, ""
	}
	if waiting, e := readKey(filepath.Join(dir, newKeyFile)); e == nil && waiting.feed == own {
		return waiting, ""
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, "the station key is missing"
	case err != nil:
		return nil, "the station key cannot be read"
	}
	return nil, "the station key belongs to another feed"
}
