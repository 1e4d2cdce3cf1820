package events

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const sampleDir = "../testdata/events"

// samples are the frozen events, by type.
func samples(tb testing.TB) map[string][]byte {
	tb.Helper()
	files, err := filepath.Glob(filepath.Join(sampleDir, "*.json"))
	if err != nil || len(files) == 0 {
		tb.Fatalf("no frozen samples in %s: %v", sampleDir, err)
	}
	out := map[string][]byte{}
	for _, f := range files {
		raw, err := os.ReadFile(f)
		if err != nil {
			tb.Fatal(err)
		}
		out[strings.TrimSuffix(filepath.Base(f), ".json")] = raw
	}
	return out
}

// sample decodes the frozen sample of a kind into its Go type.
func sample[T Data](tb testing.TB) T {
	tb.Helper()
	var zero T
	raw, err := os.ReadFile(filepath.Join(sampleDir, zero.Type()+".json"))
	if err != nil {
		tb.Fatal(err)
	}
	e, err := Known().Read(raw)
	if err != nil {
		tb.Fatal(err)
	}
	body, ok := e.Body.(T)
	if !ok {
		tb.Fatalf("%s: %v", zero.Type(), e.Body.Validate())
	}
	return body
}

func TestSamples(t *testing.T) {
	reg, all := Known(), samples(t)
	for _, k := range reg.Kinds() {
		if all[k.Type] == nil {
			t.Errorf("%s has no frozen sample in %s", k.Type, sampleDir)
		}
	}
	for typ, raw := range all {
		e, err := reg.Read(raw)
		if err != nil {
			t.Errorf("%s: %v", typ, err)
			continue
		}
		if e.Envelope.Type != typ {
			t.Errorf("%s.json holds a %s", typ, e.Envelope.Type)
		}
		if err := e.Body.Validate(); err != nil {
			t.Errorf("%s: %v", typ, err)
		}
		if again, err := Encode(e.Envelope); err != nil || !bytes.Equal(again, raw) {
			t.Errorf("%s: encodes to %s, %v", typ, again, err)
		}
		if e.Body.Type() == typ {
			if again, err := EncodeData(e.Body); err != nil || !bytes.Equal(again, e.Data) {
				t.Errorf("%s: data encodes to %s, %v", typ, again, err)
			}
		}
	}
}

// Released bytes never change: a sum is added with its sample, never edited.
func TestSamplesAreFrozen(t *testing.T) {
	list, err := os.ReadFile(filepath.Join(sampleDir, "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	all := samples(t)
	for line := range strings.Lines(string(list)) {
		fields := strings.Fields(line)
		if len(fields) != 2 {
			t.Fatalf("SHA256SUMS: %q", line)
		}
		typ := strings.TrimSuffix(fields[1], ".json")
		raw, ok := all[typ]
		if !ok {
			t.Errorf("%s is listed and gone: samples are added, never taken away", fields[1])
			continue
		}
		delete(all, typ)
		if got := fmt.Sprintf("%x", sha256.Sum256(raw)); got != fields[0] {
			t.Errorf("%s has SHA-256 %s, want %s: samples are added, never edited", fields[1], got, fields[0])
		}
	}
	for typ := range all {
		t.Errorf("%s.json is not in SHA256SUMS", typ)
	}
}
