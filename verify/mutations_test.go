package verify

import (
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var mutate = flag.Bool("mutate", false, "run the tests against every mutation of the rules (minutes)")

// mutations break one rule each. Every one must fail some test; without -mutate
// the test only checks that each still names a place in the code.
var mutations = []struct{ name, file, old, new string }{
	{"unread: mask 08 shows everything", "observe.go", "if bits&(fault.Pending|fault.FailedSinceClear) == 0 {", "if bits == 0 {"},
	{"unread: pending list not needed", "observe.go", "if n.pendingOnly {", "if false {"},
	{"unread: active list is enough", "observe.go", "r.views[fault.ViewActive] && r.views[fault.ViewPreviouslyActive]", "r.views[fault.ViewActive]"},
	{"unread: a cut answer is an answer", "observe.go", "if r.reach != events.Answered {\n\t\treturn unreached(unit, r)", "if r.reach == events.Silent {\n\t\treturn unreached(unit, r)"},
	{"unread: any protocol lists any code", "observe.go", "if fam == \"obd\" && kind != fault.KindSAE2 || fam == \"j1939\" && kind != fault.KindSPN {", "if kind == 0 {"},
	{"unread: another protocol will do", "observe.go", "if n.family != \"\" && fam != \"\" && n.family != fam {", "if n.family == \"-\" {"},
	{"unread: one of the two J1979 lists is enough", "observe.go", "if fam == \"obd\" && r.views[fault.ViewStored] && !r.views[fault.ViewPending] {", "if false {"},
	{"group: what stood there may be missing", "observe.go", "if ref != nil { // and all codes", "if false { // and all codes"},
	{"permanent: before the work does not cap", "judge.go", "permanent: ref != nil && listedPermanent(k, ref)}", "permanent: false}"},
	{"silence: another service of the unit is no matter", "timeline.go", "r.elsewhere = answering[k] && !answered(u.Reach)", "r.elsewhere = false"},
	{"driven: a counter that did not fall adds", "memory.go", "e.whole && t.counterFell(r, e.from) && counter", "e.whole && counter"},
	{"two scans: what the unit can tell is forgotten", "timeline.go", "if h.whole != nil {", "if false {"},
	{"work: a refused erase is work", "judge.go", "if u.Result == events.EraseAccepted {\n\t\t\t\tc.work", "if u.Result != \"\" {\n\t\t\t\tc.work"},
	{"at close: by the record alone", "assemble.go", " && !e.Happened().Std().After(span.Closed.Happened().Std()) {", " {"},
	{"joined jobs: any closing closes", "history.go", "!j.Closed.ID.IsZero() && before(j.Closed, e)", "false && before(j.Closed, e)"},
	{"unread: a base code says nothing", "observe.go", "if r.baseListed(k) {", "if false {"},
	{"failing: bits after an erase do not count", "observe.go", "case hasE && (s&failBits != 0 || word != \"\"):", "case hasE && word != \"\":"},
	{"failing: words after an erase do not count", "observe.go", "case hasE && (s&failBits != 0 || word != \"\"):", "case hasE && s&failBits != 0:"},
	{"failing: the erase is not needed", "observe.go", "case hasE && (s&failBits != 0", "case (s&failBits != 0"},
	{"failing: bit 1 in a new cycle does not count", "observe.go", "case !hasE && cycle && s.Has(fault.TestFailedThisCycle):", "case false:"},
	{"failing: bit 1 counts without a new cycle", "observe.go", "case !hasE && cycle && s.Has(fault.TestFailedThisCycle):", "case !hasE && s.Has(fault.TestFailedThisCycle):"},
	{"failing: stale bit 0 counts", "observe.go", "known.Has(fault.NotCompletedThisCycle) && !s.Has(fault.NotCompletedThisCycle):", "known.Has(fault.NotCompletedThisCycle):"},
	{"failing: the counter does not count", "observe.go", "return last != nil && *c.Count > *last", "return last != nil && *c.Count < 0"},
	{"failing: an earlier full counter counts", "observe.go", "ec.Count == nil || *ec.Count >= 126", "ec.Count == nil"},
	{"failing: a full counter counts", "observe.go", "if c.Count == nil || *c.Count >= 126 {", "if c.Count == nil {"},
	{"failing: the freeze frame does not count", "observe.go", "case c.Frame != nil && !c.Frame.At.IsZero()", "case false && !c.Frame.At.IsZero()"},
	{"passed: bits 4 and 5 not asked", "observe.go", "hasE && zero(fault.NotCompletedSinceClear|fault.FailedSinceClear)", "hasE"},
	{"passed: bit 6 not asked", "observe.go", "cycle && zero(fault.NotCompletedThisCycle))", "cycle)"},
	{"passed: no new cycle needed", "observe.go", "|| cycle && zero(", "|| zero("},
	{"passed: no erase needed", "observe.go", "(hasE && zero(", "(zero("},
	{"passed: a bit outside the mask is 0", "timeline.go", "return s & *r.avail, *r.avail", "return s & *r.avail, 0xFF"},
	{"passed: unstated availability is all", "timeline.go", "if r.avail == nil {\n\t\treturn s, s\n", "if r.avail == nil {\n\t\treturn s, 0xFF\n"},
	{"passed: impossible pairs are fine", "observe.go", "if t.quirks[unit] != \"\" {", "if false {"},
	{"passed: absence needs no proviso", "observe.go", "if r.mask != nil && r.avail != nil && t.listsUntested(r) {", "if r.mask != nil && r.avail != nil {"},
	{"passed: absence under a mask never passes", "observe.go", "if r.mask != nil && r.avail != nil && t.listsUntested(r) {", "if false {"},
	{"permanent: does not cap", "judge.go", "!(v.permanent && v.seen[v.best].obs != ObsPassed):", "true:"},
	{"monitored: pending need not be read", "observe.go", "read := r.views[fault.ViewStored] && r.views[fault.ViewPending] ||", "read := r.views[fault.ViewStored] ||"},
	{"monitored: a continuous one is enough", "observe.go", "qualifies = qualifies || !m.Continuous() && e.whole || t.wasIncomplete(m, e, r)", "qualifies = true"},
	{"monitored: incomplete first never counts", "observe.go", "!m.Continuous() && e.whole || t.wasIncomplete(m, e, r)", "!m.Continuous() && e.whole"},
	{"monitored: an erase of one code resets it", "observe.go", "!m.Continuous() && e.whole ||", "!m.Continuous() ||"},
	{"monitored: an incomplete one counts", "observe.go", "if !complete {\n\t\t\treturn m.String(), false,", "if !complete && k.silent() {\n\t\t\treturn m.String(), false,"},
	{"driven: distance not asked", "observe.go", "if missing.Sign() <= 0 && minutes", "if minutes"},
	{"driven: minutes not asked", "observe.go", "missing.Sign() <= 0 && minutes >= p.DriveMinutes", "missing.Sign() <= 0"},
	{"driven: test information ignored", "observe.go", "if info := t.testInfo(k); info != \"\" {", "if info := t.testInfo(k); false {"},
	{"driven: the odometer does not cap", "memory.go", "km, capped = grown, true", "capped = true"},
	{"driven: odometer growth does not count", "memory.go", "grown.Cmp(km) > 0 {", "false {"},
	{"erase: before the work counts", "memory.go", "if i > w && t.reached(", "if t.reached("},
	{"erase: a unit renewed before the work counts", "memory.go", "i >= w && t.h.unit(n.Unit) == k.unit", "t.h.unit(n.Unit) == k.unit"},
	{"erase: a unit renewed by the work does not count", "memory.go", "i >= w && t.h.unit(n.Unit) == k.unit", "i > w && t.h.unit(n.Unit) == k.unit"},
	{"erase: a refused one counts", "memory.go", "t.h.unit(name) == unit && u.Result == events.EraseAccepted {", "t.h.unit(name) == unit {"},
	{"erase: its group is ignored", "memory.go", "if !t.accepted(d, k.unit) || !fault.GroupCovers(d.Service, d.Group, k.code) {", "if !t.accepted(d, k.unit) {"},
	{"erase: DM11 reaches what was only stored", "memory.go", "return !stood && !t.listedAs(k, r, other)", "return stood || !stood || t.listedAs(k, r, other)"},
	{"erase: one that did not take counts", "memory.go", "&& !(whole(d) && t.didNotTake(i, k.unit))", ""},
	{"erase: a renewed unit keeps its memory", "memory.go", "best, found = erasure{i, \"renewed\", true}, true", "_ = n"},
	{"erase: shown ones never count", "memory.go", "best, found = erasure{next.at, \"shown\", true}, true", "_ = sign"},
	{"erase: any recorded one explains a sign", "memory.go", "if t.accepted(d, unit) && (sign.IsZero() || fault.GroupCovers(d.Service, d.Group, sign)) {", "{"},
	{"erase: none explains a sign", "memory.go", "if t.accepted(d, unit) && (sign.IsZero() ||", "if false && (sign.IsZero() ||"},
	{"erase: shown ones count wherever they lie", "memory.go", "if last.at > w || last.at == w && t.isScan(w) || t.placedAfter(w, next) {", "{"},
	{"erase: a full counter tells", "timeline.go", "return km, km.Cmp(quantity.NumberFromInt(65535)) < 0", "return km, true"},
	{"cycle: a drive is none", "memory.go", "case *events.DriveDone, *events.KeyCycled:\n\t\t\treturn true", "case *events.KeyCycled:\n\t\t\treturn true"},
	{"cycle: bit 6 never shows one", "memory.go", "c.Code == now[0].Code && s.Has(fault.NotCompletedThisCycle) {", "false && s.Has(fault.NotCompletedThisCycle) {"},
	{"silence: counts with nobody else answering", "observe.go", "case r.reach == events.Silent && r.others:", "case r.reach == events.Silent:"},
	{"fault: test information is a fault", "timeline.go", "c.Permanent || s&faultBits != 0", "c.Permanent || s|faultBits != 0"},
	{"verdict: a later pass heals", "judge.go", "case v.failing >= 0:", "case v.failing >= 0 && v.seen[len(v.seen)-1].obs.grade() == NoGrade:"},
	{"verdict: returned is persisted", "judge.go", "if v.goodBefore {", "if false {"},
	{"verdict: new needs no baseline", "judge.go", "return nil, \"no reading before the work could have shown it\"", "return found, \"\""},
	{"verdict: a recent erase is no matter", "judge.go", "if sign := c.t.recentErase(k, first); sign != \"\" {", "if sign := c.t.recentErase(k, first); false {"},
	{"verdict: any two services compare", "judge.go", "if a != b && a != \"\" && b != \"\" {", "if a != b && a != \"\" && b == \"-\" {"},
	{"verdict: the base mask is no matter", "judge.go", "if s&bits == 0 {", "if false {"},
	{"verdict: not scanned is awaited", "judge.go", "if i > res.w && i < end {", "if false {"},
	{"contrast: stored is failing", "judge.go", "if c.State == fault.StatePresent ||", "if c.State != 0 ||"},
	{"contrast: bit 0 is no matter", "judge.go", "if known.Has(fault.TestFailed) {\n\t\t\tif s.Has(fault.TestFailed) {", "if known.Has(fault.TestFailed) {\n\t\t\tif true {"},
	{"stretch: another job's repair does not end it", "judge.go", "if r.at > w && r.job !=", "if false && r.job !="},
	{"credit: earlier repairs share", "credit.go", "if r.at > after && r.at < res.good.at", "if r.at > after-1000 && r.at < res.good.at"},
	{"credit: shares do not add up", "credit.go", "s = rest\n", "s = each\n"},
	{"score: low without contrast", "credit.go", "if res.fault.Contrast {", "if true {"},
	{"score: a followed repair has not failed", "credit.go", "if c.readBetween(k, r.at, next) || !c.sameJob(r, next) {", "if false {"},
	{"outcome: a new fault is no matter", "assemble.go", "if f.Verdict.Group() == Bad {", "if f.Verdict.Group() == Bad && f.Targeted {"},
	{"outcome: any grade is accepted", "judge.go", "&& c.t.h.policy.Accepts(res.fault.Grade)", ""},
	{"outcome: unknown events are no matter", "assemble.go", "targeted == accepted && !unknown", "targeted == accepted"},
	{"void: a void of a void is no matter", "standing.go", "if !taken && void.Event", "if (taken || !taken) && void.Event"},
	{"order: by arrival", "history.go", "sort.Slice(h.line, func(i, j int) bool { return before(h.line[i], h.line[j]) })", "h.line = append([]events.Event(nil), evs...)"},
	{"clocks: one order only", "judge.go", "if !ok || weaker(f, have) {", "if !ok || weaker(have, have) {"},
}

func TestMutations(t *testing.T) {
	for _, m := range mutations {
		src, err := os.ReadFile(m.file)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(string(src), "\r\n", "\n")
		if strings.Count(text, m.old) != 1 {
			t.Errorf("%s: %q stands %d times in %s, want once", m.name, m.old, strings.Count(text, m.old), m.file)
			continue
		}
		if !*mutate {
			continue
		}
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			if out, survived := runMutant(t, m.file, strings.Replace(text, m.old, m.new, 1)); survived {
				t.Errorf("no test fails\n%s", out)
			}
		})
	}
}

// runMutant runs the other tests of the package with one file replaced. A
// mutation that does not compile is a mistake in the list.
func runMutant(t *testing.T, file, text string) (string, bool) {
	t.Helper()
	dir := t.TempDir()
	abs, err := filepath.Abs(file)
	if err != nil {
		t.Fatal(err)
	}
	mutant := filepath.Join(dir, "mutant_"+file)
	overlay := filepath.Join(dir, "overlay.json")
	data, err := json.Marshal(map[string]map[string]string{"Replace": {abs: mutant}})
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{mutant: []byte(text), overlay: data} {
		if err := os.WriteFile(name, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("go", "test", "-vet=off", "-overlay", overlay, "-skip", "TestMutations", "-failfast", "-rapid.checks=1000", "-rapid.nofailfile", ".")
	out, err := cmd.CombinedOutput()
	if strings.Contains(string(out), "[build failed]") {
		t.Errorf("does not compile:\n%s", out)
	}
	return string(out), err == nil
}
