package ledger

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"mendbook/events"
)

// A long run: go test ./ledger -run TestKills -v -kills=2000 -timeout 2h.
var (
	kills    = flag.Int("kills", 50, "how many processes TestKills kills")
	killSeed = flag.Uint64("killseed", 0, "the seed of TestKills; 0 draws one")
)

const (
	killedJob   = "MENDBOOK_LEDGER_KILLED"
	killedRound = "MENDBOOK_LEDGER_ROUND"
	// importSize is how many events one transaction of the job "import" has.
	importSize = 250
	// killsPerBook is after how many kills a new book is begun, so that in a long
	// run the checks do not grow with it.
	killsPerBook = 6

	killedFailed = 4 // exit status of a job that failed before it was killed
	killedOrphan = 5 // exit status of a job whose test is gone
)

// Processes are killed (SIGKILL; TerminateProcess on Windows) at random moments
// while they record one by one, import in one transaction, and bring a book of
// the first layout up to date. After every kill the book passes its check, holds
// every event that the process had acknowledged and no part of a transaction, and
// goes on in the same feed.
//
// The seed settles the delays, not what a process has come to by then: a failure
// shows again in a run of many kills, not in the very same place.
func TestKills(t *testing.T) {
	if job := os.Getenv(killedJob); job != "" {
		killedProcess(job)
	}
	seed := *killSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-killseed=%d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for i, name := range []string{"append", "import", "migrate"} {
		n := (*kills + i) / 3
		t.Run(name, func(t *testing.T) {
			k := &killer{t: t, rng: rng, job: name, landed: map[string]int{}}
			for round := range n {
				k.round(round)
			}
			if k.done != n {
				t.Errorf("%d kills: want %d", k.done, n)
			}
			t.Logf("%d kills, %d acknowledged events, %d feeds opened by a kill", k.done, k.acknowledged, k.newFeeds)
			for _, where := range slices.Sorted(maps.Keys(k.landed)) {
				t.Logf("%4d %s", k.landed[where], where)
			}
		})
	}
}

// A process dies while it brings a book up to date, between the two halves of the
// work: the book is then still one of the first layout. Were it of the second,
// without the words of its events, who only reads would look up and find nothing.
func TestDyingWhileMigrating(t *testing.T) {
	e := newEnv(t)
	copyDir(t, frozenDir(1), e.dir)
	e.diesIn("0", "migrated")
	e.mustCheck()
	o := e.options()
	o.ReadOnly = true
	b, err := Open(context.Background(), o)
	if err == nil {
		hits, err := b.Lookup(context.Background(), "label", "van-7")
		b.Close()
		t.Fatalf("opened for reading; the lookup gives %v, %v", hits, err)
	}
	mustErr(t, err, ErrOlderBook)
	b = e.open()
	defer b.Close()
	if hits, err := b.Lookup(context.Background(), "label", "van-7"); err != nil || len(hits) != 1 {
		t.Errorf("lookup: %v, %v", hits, err)
	}
}

// killedProcess does a job without end. It is this test program, started again.
func killedProcess(job string) {
	go func() { // ends with the test, should that die
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(killedOrphan)
	}()
	fmt.Fprintln(os.Stderr, killedWork(job))
	os.Exit(killedFailed)
}

func killedWork(job string) error {
	ctx := context.Background()
	round, err := strconv.Atoi(os.Getenv(killedRound))
	if err != nil {
		return err
	}
	root := os.Getenv(childRoot)
	e := bareEnv(nil, root)
	e.entropy = rand.NewChaCha8([32]byte{byte(os.Getpid()), byte(os.Getpid() >> 8), byte(round), 2})
	e.setClock(roundClock(round))
	fmt.Println("ready") // os.Stdout has no buffer
	b, err := Open(ctx, e.options())
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		drafts := []Draft{killedLine(round, i)}
		if job == "import" {
			drafts = killedImport(round, i)
		}
		out, err := tryRecord(b, drafts...)
		if err != nil {
			return err
		}
		for _, ev := range out {
			fmt.Println(ev.ID)
		}
	}
}

func roundClock(round int) time.Time { return start.AddDate(0, 0, 1+round) }

func killedLine(round, i int) Draft { return policy(fmt.Sprintf("round %d line %d", round, i)) }

// killedImport is one import: a vehicle and what was done to it, all with ids made
// from the content, as those of imported lines are.
func killedImport(round, batch int) []Draft {
	id := func(i int) events.ID {
		sum := sha256.Sum256(fmt.Appendf(nil, "round %d batch %d line %d", round, batch, i))
		return events.NewID(start.Add(time.Duration(i)*time.Second), [10]byte(sum[:]))
	}
	out := []Draft{{ID: id(0), Body: &events.VehicleRegistered{Label: fmt.Sprintf("van-%d-%d", round, batch)}}}
	for i := 1; i < importSize; i++ {
		d := drive(id(0), i)
		if i%4 == 0 {
			d.Body = &events.RepairDone{Action: "replaced", Component: "coil 2",
				Parts: []events.Part{{Name: "coil", Number: fmt.Sprintf("FB-100-%d", i), Serial: "S1"}}}
		}
		d.ID = id(i)
		out = append(out, d)
	}
	return out
}

// killer kills the processes of one job, and looks after each kill.
type killer struct {
	t   *testing.T
	rng *rand.Rand
	job string

	e     *env
	feed  string               // the own feed, which is to stay
	want  map[events.ID]string // what the book has to hold, by id: type and data
	first time.Duration        // from the start of the work to the first acknowledged event

	done, acknowledged, newFeeds int
	landed                       map[string]int // where the kills fell
}

func (k *killer) round(round int) {
	if k.e == nil || k.job == "migrate" || round%killsPerBook == 0 {
		k.newBook()
	}
	acked := k.kill(round)
	k.acknowledged += len(acked)
	k.landed[k.where()]++
	old := k.want

	// A look at the book as it was left, by one who only reads.
	if r := k.e.check(); len(r.Findings) > 0 {
		k.t.Errorf("round %d: check: %v", round, r.Findings)
	}
	o := k.e.options()
	o.ReadOnly = true
	if b, err := Open(context.Background(), o); k.job == "migrate" && errors.Is(err, ErrOlderBook) {
		k.landed["layout 1 is left as it was"]++
	} else if err != nil {
		k.t.Errorf("round %d: opening for reading: %v", round, err)
	} else {
		k.holds(b, round, acked)
		b.Close()
	}

	// The next process: it holds the same, and goes on in the same feed.
	k.e.setClock(roundClock(round).Add(20 * time.Hour))
	b := k.e.open()
	defer b.Close()
	k.want = k.holds(b, round, acked)
	if len(k.want)-len(old) > len(acked) {
		k.landed["after a commit, before it was wholly acknowledged"]++
	}
	for _, d := range []Draft{vehicle(fmt.Sprintf("bus-%d", round)), policy("EUR")} {
		ev := record(k.t, b, d)[0]
		k.want[ev.ID] = contentOf(ev)
	}
	if own := ownFeed(k.t, b).Name; own != k.feed || len(k.e.told) > 0 {
		k.newFeeds++
		k.t.Errorf("round %d: goes on in feed %s, which was %s: %q", round, own, k.feed, k.e.told)
		k.feed, k.e.told = own, nil
	}
	if k.job == "import" {
		k.importAgain(b, round, len(acked)/importSize)
	}
	if r := k.e.check(); len(r.Findings) > 0 || r.IndexStale || r.Events != int64(len(k.want)) {
		k.t.Errorf("round %d: check after going on: %d events, want %d: %+v", round, r.Events, len(k.want), r)
	}
	// What stays is what a book consists of; dying often must not fill the disk.
	for _, dir := range []string{k.e.dir, filepath.Join(k.e.state, "feeds")} {
		left, err := filepath.Glob(filepath.Join(dir, "*.tmp"))
		if err != nil || len(left) > 0 {
			k.t.Errorf("round %d: left behind: %v, %v", round, left, err)
		}
	}
}

// newBook begins a book; for the job "migrate" one of the first layout that this
// machine has written.
func (k *killer) newBook() {
	k.e = bareEnv(k.t, k.t.TempDir())
	k.e.entropy = rand.NewChaCha8([32]byte{3, byte(k.done), byte(k.done >> 8)})
	k.want = map[events.ID]string{}
	if k.job == "migrate" {
		copyDir(k.t, frozenDir(1), k.e.dir)
		var own Feed
		k.want, own = frozenContent(k.t)
		k.feed = own.Name
		m := marker{Feed: own.Name, Size: own.Size, Root: own.Root, Book: k.e.dir}
		if err := m.write(k.e.state); err != nil {
			k.t.Fatal(err)
		}
		return
	}
	b := k.e.create()
	defer b.Close()
	k.feed = ownFeed(k.t, b).Name
	for _, ev := range collect(k.t, b.All(context.Background())) {
		k.want[ev.ID] = contentOf(ev)
	}
}

// frozenContent gives what the frozen book of the first layout holds, as a copy of
// it shows that was brought up to date in peace.
func frozenContent(t *testing.T) (content map[events.ID]string, own Feed) {
	t.Helper()
	e := bareEnv(t, t.TempDir())
	copyDir(t, frozenDir(1), e.dir)
	b := e.open()
	defer b.Close()
	content = map[events.ID]string{}
	for _, ev := range collect(t, b.All(context.Background())) {
		content[ev.ID] = contentOf(ev)
	}
	return content, ownFeed(t, b)
}

func contentOf(ev events.Event) string {
	return fmt.Sprintf("%s %s %s", ev.Type, ev.Subject, ev.Data)
}

// kill starts the job, kills it, and gives the ids it acknowledged, in order. The
// first round waits for the first of them, to learn how long the work takes here.
func (k *killer) kill(round int) []events.ID {
	k.t.Helper()
	program, err := os.Executable()
	if err != nil {
		k.t.Fatal(err)
	}
	cmd := exec.Command(program, "-test.run=^TestKills$")
	cmd.Env = append(os.Environ(), killedJob+"="+k.job, killedRound+"="+strconv.Itoa(round), childRoot+"="+filepath.Dir(k.e.dir))
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	stdin, err := cmd.StdinPipe()
	if err != nil {
		k.t.Fatal(err)
	}
	defer stdin.Close()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		k.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		k.t.Fatal(err)
	}
	lines := bufio.NewScanner(stdout)
	var acked []events.ID
	next := func() bool {
		if !lines.Scan() {
			return false
		}
		id, err := events.ParseID(lines.Text())
		if err != nil {
			k.t.Errorf("round %d: acknowledged %q: %v", round, lines.Text(), err)
		}
		acked = append(acked, id)
		return true
	}
	if !lines.Scan() || lines.Text() != "ready" {
		k.t.Errorf("round %d: the process did not begin: %q", round, lines.Text())
	}
	began := time.Now()
	if k.first == 0 {
		next()
		k.first = time.Since(began)
	} else {
		// Bringing up to date is over before the first event; of the other work
		// there is always more.
		span := k.first + k.first/2
		if k.job == "append" {
			span = 8 * k.first
		}
		time.Sleep(time.Duration(k.rng.Int64N(int64(span))))
	}
	if err := cmd.Process.Kill(); err != nil {
		k.t.Errorf("round %d: kill: %v", round, err)
	}
	for next() {
	}
	err = cmd.Wait()
	exit := (*exec.ExitError)(nil)
	if !errors.As(err, &exit) || exit.ExitCode() == killedFailed || exit.ExitCode() == killedOrphan || complaint.Len() > 0 {
		k.t.Fatalf("round %d: the process was not killed at its work: %v\n%s", round, err, complaint.String())
	}
	k.done++
	return acked
}

// where tells from what the machine remembers how far the process had come.
func (k *killer) where() string {
	m, err := readMarker(k.e.state, k.feed)
	if err != nil || m == nil {
		k.t.Fatalf("what this machine remembers of the feed is gone: %v", err)
	}
	if m.Next != nil {
		return "with a commit announced"
	}
	return "with no commit announced"
}

// holds compares the book with what it has to hold: what was there before,
// everything acknowledged, and of the transaction that was under way all or
// nothing. It gives what the book holds.
func (k *killer) holds(b *Book, round int, acked []events.ID) map[events.ID]string {
	k.t.Helper()
	got := map[events.ID]string{}
	for _, ev := range collect(k.t, b.All(context.Background())) {
		got[ev.ID] = contentOf(ev)
	}
	for id, content := range k.want {
		if got[id] != content {
			k.t.Errorf("round %d: %s is %q and was %q", round, id, got[id], content)
		}
	}
	for _, id := range acked {
		if got[id] == "" {
			k.t.Errorf("round %d: %s was acknowledged and is lost", round, id)
		}
	}
	// What is new, by transaction: as far as they go, whole ones without a gap.
	rest := len(got) - len(k.want)
	size := 1
	if k.job == "import" {
		size = importSize
	}
	whole := rest / size
	if rest%size != 0 || whole < (len(acked)+size-1)/size || whole > len(acked)/size+1 {
		k.t.Errorf("round %d: %d new events, of which %d were acknowledged, in transactions of %d", round, rest, len(acked), size)
	}
	found := map[string]int{}
	for id, content := range got {
		if _, old := k.want[id]; !old {
			found[content]++
		}
	}
	for i := range whole {
		drafts := []Draft{killedLine(round, i)}
		if k.job == "import" {
			drafts = killedImport(round, i)
		}
		for _, d := range drafts {
			data, err := events.EncodeData(d.Body)
			if err != nil {
				k.t.Fatal(err)
			}
			subject := d.Subject
			if _, car := d.Body.(*events.VehicleRegistered); car {
				subject = d.ID
			}
			content := fmt.Sprintf("%s %s %s", d.Body.Type(), subject, data)
			if found[content] != 1 || !d.ID.IsZero() && got[d.ID] != content {
				k.t.Errorf("round %d: transaction %d: %q stands in the book %d times", round, i, content, found[content])
			}
		}
	}
	// The words of a vehicle find it as soon as it can be read.
	for id, content := range got {
		if !strings.HasPrefix(content, "vehicle.registered.") {
			continue
		}
		ev, err := b.Event(context.Background(), id)
		if err != nil {
			k.t.Fatal(err)
		}
		label := ev.Body.(*events.VehicleRegistered).Label
		if hits, err := b.Lookup(context.Background(), "label", label); err != nil || len(hits) != 1 || hits[0].Event != id {
			k.t.Errorf("round %d: looking up %q: %v, %v", round, label, hits, err)
		}
	}
	return got
}

// importAgain does the import again that was under way: all of it is added or
// none.
func (k *killer) importAgain(b *Book, round, batch int) {
	k.t.Helper()
	added := 0
	err := b.Update(context.Background(), func(w *Writer) error {
		for _, d := range killedImport(round, batch) {
			ev, fresh, err := w.Record(context.Background(), d)
			if err != nil {
				return err
			}
			if fresh {
				added++
			}
			k.want[ev.ID] = contentOf(ev)
		}
		return nil
	})
	if err != nil || added != 0 && added != importSize {
		k.t.Errorf("round %d: importing again added %d of %d: %v", round, added, importSize, err)
	}
}
