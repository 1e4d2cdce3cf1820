package cli

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Every field that the program writes stands in JSON.md, under its schema.
func TestJSONIsDocumented(t *testing.T) {
	doc, err := os.ReadFile("JSON.md")
	if err != nil {
		t.Fatal(err)
	}
	sections := map[string]string{}
	for _, part := range strings.Split(string(doc), "\n## ")[1:] {
		name, _, _ := strings.Cut(part, ":")
		name, _, _ = strings.Cut(name, "\n")
		sections[name] = part
	}
	dir := t.TempDir()
	clock := time.Date(2026, 5, 5, 8, 0, 0, 0, time.UTC)
	run := func(args ...string) (stdout, stderr []byte) {
		var out, errs bytes.Buffer
		Main(&Env{
			In: strings.NewReader(""), Out: &out, Err: &errs, Entropy: rand.Reader,
			Now:    func() time.Time { clock = clock.Add(time.Second); return clock },
			Getenv: func(string) string { return "" },
			Dir:    func() (string, error) { return filepath.Join(dir, "demo", "book"), nil },
			StateDir: func() (string, error) {
				return filepath.Join(dir, "state"), nil
			},
			Version: Version,
		}, append(args, "--json"))
		return out.Bytes(), errs.Bytes()
	}
	seen := map[string]bool{}
	check := func(args []string, raw []byte, schema string) {
		var value map[string]any
		if err := json.Unmarshal(raw, &value); err != nil {
			t.Fatalf("%q: %v in %q", args, err, raw)
		}
		if s, ok := value["schema"].(string); ok {
			schema = s
		}
		if schema == "" {
			t.Fatalf("%q: no schema in %s", args, raw)
		}
		seen[schema] = true
		if sections[schema] == "" {
			t.Fatalf("JSON.md has no section for %s", schema)
		}
		for _, key := range keys(value) {
			told := sections[schema]
			if schema == "mendbook.verifications/1" {
				told += sections["mendbook.verify/1"] // it holds reports
			}
			if !strings.Contains(told, "`"+key+"`") {
				t.Errorf("%q: `%s` of %s is not in JSON.md", args, key, schema)
			}
		}
	}
	file := filepath.Join(dir, "book.ndjson")
	for _, args := range [][]string{
		{"demo", "--dir", filepath.Join(dir, "demo")},
		{"scan", "van-7", "--unit", "engine: P0302 present"},
		{"policy", "set", "drive-distance", "12 km"},
		{"verify", "FB-1041"}, {"verify", "FB-1044"}, {"verify", "van-7", "--all"}, {"sheet", "FB-1047"},
		{"history", "van-7"}, {"history", "bus-3", "--job", "FB-1052"}, {"find", "P0302"}, {"find", "van"},
		{"vehicle", "list"}, {"vehicle", "show", "van-7"}, {"job", "list"}, {"job", "list", "--waiting"}, {"job", "show", "FB-1041"},
		{"policy"}, {"check"}, {"export", file}, {"import", file}, {"version"},
	} {
		stdout, stderr := run(args...)
		if len(stderr) > 0 {
			t.Logf("%q: %s", args, stderr)
		}
		check(args, stdout, "")
	}
	_, stderr := run("verify", "nobody")
	check([]string{"verify", "nobody"}, stderr, "Errors")
	if len(seen) < 13 {
		t.Errorf("only %d forms were seen: %v", len(seen), seen)
	}
	for name := range sections {
		if !seen[name] {
			t.Errorf("JSON.md tells of %s, which nothing wrote", name)
		}
	}
}

// keys are all field names in a value, save those of the data of events.
func keys(v any) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for k, inner := range v {
			out = append(out, k)
			if k != "data" {
				out = append(out, keys(inner)...)
			}
		}
	case []any:
		for _, inner := range v {
			out = append(out, keys(inner)...)
		}
	}
	return out
}
