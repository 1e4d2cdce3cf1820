// Package testscripts_test holds what is true of the whole tree: who may import
// whom, what the top level holds, and that the documents tell the truth.
package testscripts_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const ownModule = "mendbook"

// sourceFile is what the rules look at in one Go file. All files are read,
// whatever system they are built for: go list would show only this one's.
type sourceFile struct {
	// path is slash-separated and starts at the top of the tree.
	path string
	// imports are import paths.
	imports []string
	// floats, clocks, vars and inits are places, as "line: what".
	floats, clocks, vars, inits []string
}

func (f sourceFile) isTest() bool { return strings.HasSuffix(f.path, "_test.go") }

// top is the directory at the top of the tree: "events".
func (f sourceFile) top() string {
	top, _, _ := strings.Cut(f.path, "/")
	return top
}

// treeRule finds what is wrong in a tree, one line for each place.
type treeRule struct {
	name  string
	check func([]sourceFile) []string
}

// ownImports says which of our own top-level packages one may import, itself
// left out. Tests keep to it as well.
func ownImports() map[string][]string {
	return map[string][]string{
		"events":      {},
		"verify":      {"events"},
		"ledger":      {"events"},
		"sync":        {"events", "ledger"},
		"cmd":         {"events", "ledger", "sync", "verify"},
		"testscripts": {"cmd", "events", "ledger", "sync", "verify"},
	}
}

// outside says of each module that is not ours who may import it; where tests is
// true only tests may, and then all of them.
type outside struct {
	module string
	users  []string
	tests  bool
}

func outsideModules() []outside {
	return []outside{
		{module: "github.com/adrg/xdg", users: []string{"cmd"}},
		{module: "github.com/cockroachdb/apd/v3", users: []string{"events", "verify"}},
		{module: "github.com/gofrs/flock", users: []string{"ledger"}},
		{module: "github.com/mattn/go-runewidth", users: []string{"cmd"}},
		{module: "github.com/nats-io", users: []string{"sync"}},
		{module: "github.com/oklog/ulid/v2", users: []string{"events", "ledger"}},
		{module: "github.com/spf13", users: []string{"cmd"}},
		{module: "golang.org/x/mod", users: []string{"ledger", "sync"}},
		{module: "golang.org/x/sys", users: []string{"ledger"}},
		{module: "golang.org/x/term", users: []string{"cmd"}},
		{module: "modernc.org/sqlite", users: []string{"ledger"}},

		{module: "github.com/invopop/jsonschema", tests: true},
		{module: "github.com/rogpeppe/go-internal", tests: true},
		{module: "github.com/santhosh-tekuri/jsonschema/v6", tests: true},
		{module: "pgregory.net/rapid", tests: true},
	}
}

// edges are the standard library's doors to files, network, clock and chance.
// time.Now and its kin are looked for apart, since time itself is needed.
func edges() []string {
	return []string{"os", "os/exec", "os/signal", "os/user", "net", "net/http", "crypto/rand", "math/rand", "math/rand/v2",
		"syscall", "io/ioutil", "path/filepath", "log", "log/slog", "embed", "database/sql", "unsafe", "plugin"}
}

func treeRules() []treeRule {
	return []treeRule{
		{"our own packages are imported one way only", checkOwnImports},
		{"outside modules have one place each", checkOutside},
		{"events and verify reach nothing outside", checkPure},
		{"no floating point", checkFloats},
		{"no package variables but errors, no init", checkGlobals},
	}
}

func checkOwnImports(files []sourceFile) []string {
	allowed := ownImports()
	var wrong []string
	for _, f := range files {
		for _, imp := range f.imports {
			inside, ours := ownPath(imp)
			if !ours {
				continue
			}
			top, _, _ := strings.Cut(inside, "/")
			if top == f.top() {
				continue
			}
			may, known := allowed[f.top()]
			if !known || !slices.Contains(may, top) {
				wrong = append(wrong, fmt.Sprintf("%s imports %s", f.path, imp))
			}
		}
	}
	return wrong
}

func ownPath(imp string) (inside string, ours bool) {
	if imp == ownModule {
		return "", true
	}
	return strings.CutPrefix(imp, ownModule+"/")
}

func checkOutside(files []sourceFile) []string {
	modules := outsideModules()
	var wrong []string
	for _, f := range files {
		for _, imp := range f.imports {
			first, _, _ := strings.Cut(imp, "/")
			if _, ours := ownPath(imp); ours || !strings.Contains(first, ".") {
				continue
			}
			i := slices.IndexFunc(modules, func(m outside) bool { return imp == m.module || strings.HasPrefix(imp, m.module+"/") })
			switch {
			case i < 0:
				wrong = append(wrong, fmt.Sprintf("%s imports %s, which no rule names", f.path, imp))
			case modules[i].tests && !f.isTest():
				wrong = append(wrong, fmt.Sprintf("%s imports %s, which is for tests", f.path, imp))
			case !modules[i].tests && !slices.Contains(modules[i].users, f.top()):
				wrong = append(wrong, fmt.Sprintf("%s imports %s, which is for %s", f.path, imp, strings.Join(modules[i].users, ", ")))
			}
		}
	}
	return wrong
}

func checkPure(files []sourceFile) []string {
	var wrong []string
	for _, f := range files {
		if f.isTest() || f.top() != "events" && f.top() != "verify" {
			continue
		}
		for _, imp := range f.imports {
			if slices.Contains(edges(), imp) {
				wrong = append(wrong, fmt.Sprintf("%s imports %s", f.path, imp))
			}
		}
		for _, at := range f.clocks {
			wrong = append(wrong, f.path+":"+at)
		}
	}
	return wrong
}

func checkFloats(files []sourceFile) []string {
	var wrong []string
	for _, f := range files {
		if f.isTest() || !slices.Contains([]string{"events", "verify", "ledger", "cmd"}, f.top()) {
			continue
		}
		for _, at := range f.floats {
			wrong = append(wrong, f.path+":"+at)
		}
	}
	return wrong
}

func checkGlobals(files []sourceFile) []string {
	var wrong []string
	for _, f := range files {
		if f.isTest() {
			continue
		}
		for _, at := range slices.Concat(f.vars, f.inits) {
			wrong = append(wrong, f.path+":"+at)
		}
	}
	return wrong
}

// readSource reads what the rules look at in the text of one file.
func readSource(name string, text []byte) (sourceFile, error) {
	f := sourceFile{path: name}
	set := token.NewFileSet()
	tree, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
	if err != nil {
		return f, err
	}
	timeName := ""
	for _, spec := range tree.Imports {
		imp, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return f, err
		}
		f.imports = append(f.imports, imp)
		if imp == "time" {
			timeName = "time"
			if spec.Name != nil {
				timeName = spec.Name.Name
			}
		}
	}
	at := func(n ast.Node, what string) string {
		return fmt.Sprintf("%d: %s", set.Position(n.Pos()).Line, what)
	}
	for _, d := range tree.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Recv == nil && d.Name.Name == "init" {
				f.inits = append(f.inits, at(d, "init function"))
			}
		case *ast.GenDecl:
			if d.Tok != token.VAR {
				continue
			}
			for _, spec := range d.Specs {
				v := spec.(*ast.ValueSpec)
				for i, name := range v.Names {
					if name.Name != "_" && !(i < len(v.Values) && makesError(v.Values[i])) {
						f.vars = append(f.vars, at(name, "package variable "+name.Name))
					}
				}
			}
		}
	}
	clocks := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Local"}
	ast.Inspect(tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Ident:
			if slices.Contains([]string{"float32", "float64", "complex64", "complex128"}, n.Name) {
				f.floats = append(f.floats, at(n, n.Name))
			}
		case *ast.BasicLit:
			// 1e9 is a whole number where a whole number is wanted.
			if n.Kind == token.IMAG || n.Kind == token.FLOAT && strings.ContainsAny(n.Value, ".-pP") {
				f.floats = append(f.floats, at(n, n.Value))
			}
		case *ast.SelectorExpr:
			x, ok := n.X.(*ast.Ident)
			if !ok {
				break
			}
			if timeName != "" && x.Name == timeName && slices.Contains(clocks, n.Sel.Name) {
				f.clocks = append(f.clocks, at(n, "time."+n.Sel.Name))
			}
			if x.Name == "strconv" && strings.HasSuffix(n.Sel.Name, "Float") {
				f.floats = append(f.floats, at(n, "strconv."+n.Sel.Name))
			}
		}
		return true
	})
	return f, nil
}

// makesError reports whether a value is errors.New(…) or fmt.Errorf(…): a
// sentinel, which nothing changes.
func makesError(e ast.Expr) bool {
	call, ok := e.(*ast.CallExpr)
	if !ok {
		return false
	}
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	x, ok := sel.X.(*ast.Ident)
	return ok && (x.Name == "errors" && sel.Sel.Name == "New" || x.Name == "fmt" && sel.Sel.Name == "Errorf")
}

// treeTop is the top of the tree: go test runs in the package's directory.
func treeTop(t *testing.T) string {
	t.Helper()
	top, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(top, "go.mod")); err != nil {
		t.Fatal(err)
	}
	return top
}

func readTree(t *testing.T) []sourceFile {
	t.Helper()
	top := treeTop(t)
	var files []sourceFile
	err := filepath.WalkDir(top, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name != top && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
				return filepath.SkipDir
			}
			return nil
		}
		if filepath.Ext(name) != ".go" {
			return nil
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		short, err := filepath.Rel(top, name)
		if err != nil {
			return err
		}
		f, err := readSource(filepath.ToSlash(short), text)
		files = append(files, f)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func TestImportRule(t *testing.T) {
	files := readTree(t)
	// A walk that finds nothing would find nothing wrong.
	for _, want := range []string{"events/doc.go", "events/fault/code.go", "verify/judge.go", "ledger/book.go", "cmd/mendbook/main.go"} {
		if !slices.ContainsFunc(files, func(f sourceFile) bool { return f.path == want && len(f.imports)+len(f.path) > 0 }) {
			t.Errorf("%s was not read", want)
		}
	}
	for _, rule := range treeRules() {
		t.Run(rule.name, func(t *testing.T) {
			for _, wrong := range rule.check(files) {
				t.Error(wrong)
			}
		})
	}
}

// TestImportRuleCanFail gives each rule files that break it and files that do not.
func TestImportRuleCanFail(t *testing.T) {
	const (
		own     = "our own packages are imported one way only"
		modules = "outside modules have one place each"
		pure    = "events and verify reach nothing outside"
		floats  = "no floating point"
		globals = "no package variables but errors, no init"
	)
	imports := func(p string) string { return "package x\nimport _ " + strconv.Quote(p) + "\n" }
	tests := []struct {
		rule, path, text string
		wrong            bool
	}{
		{own, "events/a.go", imports("mendbook/verify"), true},
		{own, "events/fault/a.go", imports("mendbook/ledger"), true},
		{own, "events/a.go", imports("mendbook/events/fault"), false},
		{own, "verify/a.go", imports("mendbook/ledger"), true},
		{own, "verify/a_test.go", imports("mendbook/ledger"), true},
		{own, "verify/a.go", imports("mendbook/cmd/sheet"), true},
		{own, "verify/a.go", imports("mendbook/events/fault"), false},
		{own, "ledger/a.go", imports("mendbook/verify"), true},
		{own, "ledger/a.go", imports("mendbook/verify/outcome"), true},
		{own, "ledger/a.go", imports("mendbook/sync"), true},
		{own, "ledger/a.go", imports("mendbook/events"), false},
		{own, "sync/a.go", imports("mendbook/verify"), true},
		{own, "sync/a.go", imports("mendbook/cmd/cli"), true},
		{own, "sync/a.go", imports("mendbook/ledger"), false},
		{own, "cmd/cli/a.go", imports("mendbook/testscripts"), true},
		{own, "cmd/cli/a.go", imports("mendbook/sync"), false},
		{own, "other/a.go", imports("mendbook/events"), true},
		{own, "events/a.go", imports("mendbookish/verify"), false},

		{modules, "verify/a.go", imports("modernc.org/sqlite"), true},
		{modules, "cmd/cli/a.go", imports("modernc.org/sqlite/lib"), true},
		{modules, "cmd/cli/a_test.go", imports("modernc.org/sqlite"), true},
		{modules, "ledger/a.go", imports("modernc.org/sqlite"), false},
		{modules, "ledger/a.go", imports("github.com/nats-io/nats.go"), true},
		{modules, "cmd/cli/a.go", imports("github.com/nats-io/nats-server/v2/server"), true},
		{modules, "sync/a.go", imports("github.com/nats-io/nats.go/jetstream"), false},
		{modules, "ledger/a.go", imports("github.com/spf13/cobra"), true},
		{modules, "sync/a.go", imports("github.com/spf13/pflag"), true},
		{modules, "cmd/cli/a.go", imports("github.com/spf13/cobra"), false},
		{modules, "verify/a.go", imports("pgregory.net/rapid"), true},
		{modules, "verify/a_test.go", imports("pgregory.net/rapid"), false},
		{modules, "events/a.go", imports("github.com/invopop/jsonschema"), true},
		{modules, "events/a.go", imports("example.org/unheard/of"), true},
		{modules, "events/a_test.go", imports("example.org/unheard/of"), true},
		{modules, "events/a.go", imports("encoding/json"), false},

		{pure, "events/a.go", imports("os"), true},
		{pure, "events/notes/a.go", imports("net/http"), true},
		{pure, "verify/a.go", imports("crypto/rand"), true},
		{pure, "verify/a.go", imports("math/rand/v2"), true},
		{pure, "events/a.go", "package x\nimport \"time\"\nfunc f() time.Time { return time.Now() }\n", true},
		{pure, "events/a.go", "package x\nimport std \"time\"\nfunc f(t std.Time) std.Duration { return std.Since(t) }\n", true},
		{pure, "events/a.go", "package x\nimport \"time\"\nfunc f(now func() time.Time) time.Time { return now() }\n", false},
		{pure, "events/a_test.go", imports("os"), false},
		{pure, "ledger/a.go", imports("os"), false},

		{floats, "events/quantity/a.go", "package x\ntype T struct{ km float64 }\n", true},
		{floats, "verify/a.go", "package x\nfunc f(x float32) {}\n", true},
		{floats, "ledger/a.go", "package x\nconst half = 0.5\n", true},
		{floats, "ledger/a.go", "package x\nconst thousandth = 1e-3\n", true},
		{floats, "ledger/a.go", "package x\nconst second = 1e9\n", false},
		{floats, "cmd/cli/a.go", "package x\nimport \"strconv\"\nfunc f(s string) { _, _ = strconv.ParseFloat(s, 64) }\n", true},
		{floats, "events/a.go", "package x\n// float64 in words\nconst s = \"1.5\"\n", false},
		{floats, "events/a_test.go", "package x\nvar x float64\n", false},

		{globals, "cmd/cli/a.go", "package x\nvar cache = map[string]int{}\n", true},
		{globals, "cmd/cli/a.go", "package x\nvar count int\n", true},
		{globals, "ledger/a.go", "package x\nfunc init() {}\n", true},
		{globals, "ledger/a.go", "package x\nimport \"errors\"\nvar ErrBusy = errors.New(\"busy\")\n", false},
		{globals, "ledger/a.go", "package x\nimport \"io\"\ntype t struct{ io.Reader }\nvar _ io.Reader = t{}\nfunc (t) init() {}\n", false},
		{globals, "ledger/a_test.go", "package x\nvar update = false\n", false},
	}
	broken := map[string]bool{}
	for _, tt := range tests {
		f, err := readSource(tt.path, []byte(tt.text))
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(treeRules(), func(r treeRule) bool { return r.name == tt.rule })
		if i < 0 {
			t.Fatalf("no rule is called %q", tt.rule)
		}
		wrong := treeRules()[i].check([]sourceFile{f})
		if (len(wrong) > 0) != tt.wrong {
			t.Errorf("%s: %s with\n%sgives %q", tt.rule, tt.path, tt.text, wrong)
		}
		broken[tt.rule] = broken[tt.rule] || tt.wrong
	}
	for _, r := range treeRules() {
		if !broken[r.name] {
			t.Errorf("%s: no file here breaks it", r.name)
		}
	}
}

// topLevel is what may stand at the top of the tree.
func topLevel() []string {
	return []string{".ci", ".gitignore", "DEVELOPERS.md", "README.md", "cmd", "events", "go.mod", "go.sum", "ledger",
		"sync", "testdata", "testscripts", "verify"}
}

// strangers are the names that may not stand at the top. What .gitignore names
// is made by builds; other names with a dot belong to editors and systems.
func strangers(names, ignored []string) []string {
	var wrong []string
	for _, name := range names {
		made := slices.ContainsFunc(ignored, func(pattern string) bool {
			ok, err := path.Match(strings.Trim(pattern, "/"), name)
			return err == nil && ok
		})
		if !made && !strings.HasPrefix(name, ".") && !slices.Contains(topLevel(), name) {
			wrong = append(wrong, name)
		}
	}
	return wrong
}

func TestTopLevel(t *testing.T) {
	top := treeTop(t)
	entries, err := os.ReadDir(top)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	ignored := strings.Fields(readText(t, ".gitignore"))
	if wrong := strangers(names, ignored); len(wrong) > 0 {
		t.Errorf("the top level may hold only %s; it holds %s too", strings.Join(topLevel(), " "), strings.Join(wrong, " "))
	}
	for _, want := range []string{"README.md", "DEVELOPERS.md", "go.mod", "events", "ledger", "verify", "cmd", ".ci"} {
		if !slices.Contains(names, want) {
			t.Errorf("the top level has no %s", want)
		}
	}
	if got := strangers([]string{"events", "internal", "mendbook", "x.prof", ".DS_Store"}, []string{"/mendbook", "*.prof"}); !slices.Equal(got, []string{"internal"}) {
		t.Errorf("strangers = %q, want internal alone", got)
	}
}

// readText reads a file of the tree, with the line endings that Git may have
// turned into the system's own turned back.
func readText(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(treeTop(t), filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(text), "\r\n", "\n")
}

// TestDependencyTable checks that DEVELOPERS.md gives a reason for each module
// that the code imports, and for no other, and that go.mod has them all.
func TestDependencyTable(t *testing.T) {
	imported := map[string]bool{}
	for _, f := range readTree(t) {
		for _, imp := range f.imports {
			if first, _, _ := strings.Cut(imp, "/"); strings.Contains(first, ".") {
				imported[imp] = true
			}
		}
	}
	// What go.mod requires is by whole module paths.
	required := map[string]bool{}
	for line := range strings.Lines(readText(t, "go.mod")) {
		fields := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
		if len(fields) < 2 || !strings.HasPrefix(fields[1], "v") {
			continue
		}
		for imp := range imported {
			if imp == fields[0] || strings.HasPrefix(imp, fields[0]+"/") {
				required[fields[0]] = true
			}
		}
	}
	inTable := map[string]bool{}
	for line := range strings.Lines(readText(t, "DEVELOPERS.md")) {
		cells := strings.Split(line, "|")
		if len(cells) != 5 {
			continue
		}
		name := strings.Trim(strings.TrimSpace(cells[1]), "`")
		if first, _, _ := strings.Cut(name, "/"); !strings.Contains(first, ".") || !strings.Contains(name, "/") {
			continue
		}
		inTable[name] = true
		if len(strings.TrimSpace(cells[3])) < 10 {
			t.Errorf("DEVELOPERS.md gives no reason for %s", name)
		}
	}
	want := slices.Sorted(maps.Keys(required))
	if len(want) < 5 {
		t.Fatalf("only %q of go.mod are imported: go.mod or the tree was not read", want)
	}
	if got := slices.Sorted(maps.Keys(inTable)); !slices.Equal(got, want) {
		t.Errorf("the table of dependencies in DEVELOPERS.md has\n  %s\nand the code imports\n  %s",
			strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}
