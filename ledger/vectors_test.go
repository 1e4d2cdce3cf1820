package ledger

import (
	"encoding/hex"
	"os"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// The trees of one to eight leaves that implementations of RFC 6962 test
// themselves with: the leaves and roots of the reference implementation's Merkle
// tree tests (MEM, and confirmed here by two ways of computing them: the writer's
// over the library, and the checker's own).
func TestTreesOfRFC6962(t *testing.T) {
	leaves := []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	roots := []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	writer, checker := &edge{nodes: map[int64]tlog.Hash{}}, mountain{}
	for i, leaf := range leaves {
		data, err := hex.DecodeString(leaf)
		if err != nil {
			t.Fatal(err)
		}
		h := tlog.RecordHash(data)
		stored, err := writer.add(h)
		if err != nil {
			t.Fatal(err)
		}
		done := checker.push(h)
		if len(stored) != len(done) {
			t.Errorf("leaf %d: the writer stores %d hashes, the checker wants %d", i, len(stored), len(done))
		}
		a, err := writer.root()
		if err != nil {
			t.Fatal(err)
		}
		if b := checker.root(); hex.EncodeToString(a[:]) != roots[i] || a != b {
			t.Errorf("%d leaves: %x and %x, want %s", i+1, a, b, roots[i])
		}
	}
}

// The empty tree has the hash of the empty string (RFC 6962, section 2.1).
func TestTheEmptyTree(t *testing.T) {
	const want = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
	m := mountain{}
	if h := m.root(); hex.EncodeToString(h[:]) != want {
		t.Errorf("%x, want %s", h, want)
	}
}

// The key that is written by hand here is one that the note library reads, under
// the name and hash that the library gives the public key.
func TestKeysAreNoteKeys(t *testing.T) {
	for seed := range uint64(40) { // some of whose base 64 holds a plus
		k, err := newKey(newEntropy(seed))
		if err != nil {
			t.Fatal(err)
		}
		signer, err := note.NewSigner(k.text)
		if err != nil {
			t.Fatal(err)
		}
		v, err := headVerifier(k.feed, k.public)
		if err != nil {
			t.Fatal(err)
		}
		if signer.Name() != v.Name() || signer.KeyHash() != v.KeyHash() {
			t.Errorf("seed %d: key %s %08x, public %s %08x", seed, signer.Name(), signer.KeyHash(), v.Name(), v.KeyHash())
		}
		again, err := parseKey(k.text)
		if err != nil || again.feed != k.feed || !again.public.Equal(k.public) {
			t.Errorf("seed %d: read again as %v, %v", seed, again, err)
		}
	}
}

// The head in the package comment is a real one.
func TestTheHeadInTheDoc(t *testing.T) {
	k, err := newKey(newEntropy(1))
	if err != nil {
		t.Fatal(err)
	}
	root, err := tlog.ParseHash("XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=") // of the eight leaves above
	if err != nil {
		t.Fatal(err)
	}
	signed, err := signHead(Head{Feed: k.feed, Size: 8, Root: root}, k.signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenHead(signed, k.feed, k.public); err != nil {
		t.Fatal(err)
	}
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(signed)), "\n") {
		if line != "" && !strings.Contains(string(doc), "//\t"+line+"\n") {
			t.Errorf("doc.go lacks the line %s", line)
		}
	}
}

// FuzzHead: whatever is read as a head is written again to the same text, and no
// bytes make the reader fall over.
func FuzzHead(f *testing.F) {
	k, err := newKey(newEntropy(1))
	if err != nil {
		f.Fatal(err)
	}
	signed, err := signHead(Head{Feed: k.feed, Size: 8}, k.signer)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(signed)
	f.Add([]byte(strings.Replace(string(signed), "\n8\n", "\n08\n", 1)))
	f.Add([]byte("mendbook.feed.a\n1\n\n\n"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, msg []byte) {
		h, err := ParseHead(msg)
		if err != nil {
			return
		}
		if !strings.HasPrefix(string(msg), h.Text()+"\n") {
			t.Errorf("%q read as %q", msg, h.Text())
		}
	})
}
