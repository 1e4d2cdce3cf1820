package ledger

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"mendbook/events"
)

// Tests with real processes start this test program again, with a job to do
// instead of the tests.
const (
	childJob  = "MENDBOOK_LEDGER_CHILD"
	childRoot = "MENDBOOK_LEDGER_ROOT"
	childStep = "MENDBOOK_LEDGER_STEP"
	childDies = 3 // exit status
)

func TestMain(m *testing.M) {
	if job := os.Getenv(childJob); job != "" {
		if err := child(job); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(job string) error {
	root := strings.Split(os.Getenv(childRoot), "\n")
	e := bareEnv(nil, root[0])
	e.dir, e.state = root[0], root[1]
	e.entropy = rand.NewChaCha8([32]byte{byte(os.Getpid()), byte(os.Getpid() >> 8), 1})
	e.setClock(start.AddDate(0, 0, 1))
	e.fault = func(step string) error {
		if step == os.Getenv(childStep) {
			os.Exit(childDies) // no deferred call, no flushed buffer: as if killed
		}
		return nil
	}
	ctx := context.Background()
	if job == "create" {
		_, err := Create(ctx, e.options())
		return err
	}
	b, err := Open(ctx, e.options())
	if err != nil {
		return err
	}
	defer b.Close()
	n, err := strconv.Atoi(job)
	if err != nil {
		return err
	}
	for i := range n {
		ev, err := tryRecord(b, policy(fmt.Sprintf("process %d line %d", os.Getpid(), i)))
		if err != nil {
			return err
		}
		fmt.Println(ev[0].ID)
	}
	return nil
}

func (e *env) process(job, step string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childJob+"="+job, childRoot+"="+e.dir+"\n"+e.state, childStep+"="+step)
	cmd.Stderr = os.Stderr
	return cmd
}

// diesIn runs a job in a process that dies at a step.
func (e *env) diesIn(job, step string) {
	e.t.Helper()
	err := e.process(job, step).Run()
	if exit := (*exec.ExitError)(nil); !errors.As(err, &exit) || exit.ExitCode() != childDies {
		e.t.Fatalf("%s did not die at %q: %v", job, step, err)
	}
}

// Two goroutines of this process and two other processes record at once; nothing
// is lost, nothing stands twice, and the feed has one order.
func TestManyWritersLoseNothing(t *testing.T) {
	const each = 15
	e, b := testBook(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	want := map[events.ID]bool{}
	note := func(id events.ID) {
		mu.Lock()
		defer mu.Unlock()
		if want[id] {
			t.Errorf("%s was given twice", id)
		}
		want[id] = true
	}
	for g := range 2 {
		wg.Go(func() {
			for i := range each {
				out, err := tryRecord(b, policy(fmt.Sprintf("routine %d line %d", g, i)))
				if err != nil {
					t.Error(err)
					return
				}
				note(out[0].ID)
			}
		})
		wg.Go(func() {
			out, err := e.process(strconv.Itoa(each), "").Output()
			if err != nil {
				t.Error(err)
			}
			for _, line := range strings.Fields(string(out)) {
				note(events.MustID(line))
			}
		})
	}
	wg.Wait()
	got := map[events.ID]bool{}
	for _, ev := range collect(t, b.OfType(context.Background(), "policy.set.v1")) {
		got[ev.ID] = true
	}
	if len(got) != 4*each || len(want) != 4*each {
		t.Errorf("%d events in the book and %d given: want %d", len(got), len(want), 4*each)
	}
	for id := range want {
		if !got[id] {
			t.Errorf("%s is lost", id)
		}
	}
	if list := feeds(t, b); len(list) != 1 || list[0].Size != 4*each+1 {
		t.Errorf("%d feeds, the first with %d events", len(list), list[0].Size)
	}
}

// Whatever the step at which a process dies, the book passes its check, is
// written on by the next process, and keeps what was committed.
func TestDyingInAnUpdate(t *testing.T) {
	for _, c := range []struct {
		step      string
		committed int
	}{{"commit", 0}, {"committed", 1}} {
		t.Run(c.step, func(t *testing.T) {
			e := newEnv(t)
			e.create().Close()
			e.diesIn("1", c.step)
			e.mustCheck()
			e.setClock(start.AddDate(0, 0, 2)) // after what the dead process recorded
			b := e.open()
			defer b.Close()
			if n := len(collect(t, b.OfType(context.Background(), "policy.set.v1"))); n != c.committed {
				t.Errorf("%d events: want %d", n, c.committed)
			}
			record(t, b, policy("EUR"))
			if n := len(feeds(t, b)); n != 1 {
				t.Errorf("%d feeds: dying leaves no doubt about this one", n)
			}
			if len(e.told) > 0 {
				t.Errorf("told %q", e.told)
			}
		})
	}
}

// The same while a new feed is being opened, which also writes a key.
func TestDyingWhileOpeningAFeed(t *testing.T) {
	for _, step := range []string{"key", "commit", "committed"} {
		t.Run(step, func(t *testing.T) {
			e := newEnv(t)
			e.create().Close()
			if err := os.RemoveAll(e.state); err != nil {
				t.Fatal(err)
			}
			e.diesIn("1", step)
			e.mustCheck()
			b := e.open()
			defer b.Close()
			record(t, b, policy("EUR"))
			list := feeds(t, b)
			if len(list) != 2 {
				t.Errorf("%d feeds: want the old one and the one that continues it", len(list))
			}
			if _, err := os.Stat(filepath.Join(e.dir, newKeyFile)); !errors.Is(err, os.ErrNotExist) {
				t.Error("the new key has not taken its name")
			}
			for _, f := range list {
				if f.Own && f.Continues == nil {
					t.Error("the own feed does not say what it continues")
				}
			}
		})
	}
}
