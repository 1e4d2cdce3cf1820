package sheet

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"mendbook/events"
	"mendbook/verify"
)

// Options say how a sheet is shown.
type Options struct {
	// Width in columns; 0 is 100. Below 60 there are blocks in place of tables.
	Width  int
	Colour bool
	// Zone of the times shown; nil is UTC.
	Zone *time.Location
	// Full adds what happened, repairs with scores, lamps, measurements,
	// sign-offs, a legend and the numbers that judgement used.
	Full bool
}

// narrow is the width below which rows stand in blocks; a width below least is
// taken as least.
const (
	narrow = 60
	least  = 20
)

// Text writes the report for a terminal or a printer. The only errors are of w.
func Text(w io.Writer, r *verify.Report, o Options) error {
	if o.Width == 0 {
		o.Width = 100
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	t := &texter{page: page{width: max(o.Width, least), colour: o.Colour}, r: r, zone: o.Zone, full: o.Full}
	t.top()
	t.faults()
	if o.Full {
		t.repairs()
		t.lamps()
		t.measurements()
		t.signOffs()
		t.steps()
	}
	t.list("Warnings", r.Warnings)
	t.list("Cautions", r.Cautions)
	if o.Full {
		t.legend()
		t.numbers()
		t.limits()
	}
	_, err := io.WriteString(w, t.b.String())
	return err
}

type texter struct {
	page
	r    *verify.Report
	zone *time.Location
	full bool
}

func groupPaint(g verify.Group) paint {
	switch g {
	case verify.Good:
		return green
	case verify.Bad:
		return red
	case verify.Open:
		return yellow
	}
	return plain
}

// verdict is the word, its grade, and the group in a word.
func verdict(v verify.Verdict, g verify.Grade) string {
	text := string(v)
	if g != verify.NoGrade {
		text += ", " + string(g)
	}
	return fmt.Sprintf("%s (%s)", text, v.Group())
}

func (t *texter) when(at events.Time) string {
	if at.IsZero() {
		return ""
	}
	return at.Std().In(t.zone).Format("2006-01-02 15:04")
}

func (t *texter) top() {
	r := t.r
	t.para(0, strings.ToUpper(string(r.Outcome))+": ", clean(r.Sentence), groupPaint(r.Outcome))
	t.line("")
	v := r.Vehicle
	parts := []string{v.Label}
	if v.VIN != "" {
		parts = append(parts, "VIN "+v.VIN)
	}
	year := ""
	if v.Year != 0 {
		year = strconv.Itoa(v.Year)
	}
	parts = append(parts, strings.Join(nonEmpty([]string{v.Make, v.Model, year}), " "), v.Engine, v.Fuel)
	t.para(0, "vehicle  ", clean(strings.Join(nonEmpty(parts), ", ")), plain)
	if v.VINNote != "" {
		t.para(0, "         ", clean("VIN: "+v.VINNote), plain)
	}
	t.para(0, "job      ", clean(t.job()), plain)
	if r.Job.Complaint != "" {
		t.para(0, "came in  ", clean(r.Job.Complaint), plain)
	}
	if t.full && r.Job.HandedOver != "" {
		t.para(0, "left     ", clean(r.Job.HandedOver), plain)
	}
}

func (t *texter) job() string {
	j := t.r.Job
	switch {
	case !j.Before.IsZero():
		return fmt.Sprintf("none: scan %s against scan %s", j.Before.Short(), j.After.Short())
	case j.ID.IsZero():
		return "none was open"
	}
	name := j.Card
	if name == "" {
		name = j.ID.Short()
	}
	text := name + ", opened " + t.when(j.Opened)
	if !j.OdoIn.IsZero() {
		text += " at " + j.OdoIn.String()
	}
	if j.Closed.IsZero() {
		return text + ", still open"
	}
	text += ", closed " + t.when(j.Closed)
	if !j.OdoOut.IsZero() {
		text += " at " + j.OdoOut.String()
	}
	return text
}

func (t *texter) faults() {
	t.line("")
	if len(t.r.Faults) == 0 {
		return // the sentence says so
	}
	var list []row
	for _, f := range t.r.Faults {
		list = append(list, row{
			cells: []string{clean(f.Unit), clean(f.Code), clean(f.Before), clean(f.After), verdict(f.Verdict, f.Grade)},
			paint: groupPaint(f.Verdict.Group()),
			below: t.below(f),
		})
	}
	t.rows([]string{"unit", "fault", "before", "after", "verdict"}, 2, list)
}

func (t *texter) below(f verify.Fault) []note {
	var out []note
	add := func(label, text string) {
		if text != "" {
			out = append(out, note{label, clean(text)})
		}
	}
	if t.full {
		add("means", f.Means)
	}
	add("", f.Reason)
	if f.Verdict.Group() == verify.Good && f.Targeted && !f.Accepted {
		add("", fmt.Sprintf("the workshop's policy does not accept the grade %s", f.Grade))
	}
	for _, remark := range f.Remarks {
		add("", remark)
	}
	if t.full && !f.Targeted {
		add("", "no repair of this job names it")
	}
	add("next", f.Next)
	if c := f.AtClose; c != nil && (c.Verdict != f.Verdict || c.Grade != f.Grade) {
		add("at close", verdict(c.Verdict, c.Grade)+": "+c.Reason)
		add("today", verdict(f.Verdict, f.Grade))
	}
	return out
}

func (t *texter) list(title string, texts []string) {
	if len(texts) == 0 {
		return
	}
	t.heading(title)
	for _, s := range texts {
		t.para(0, "- ", clean(s), plain)
	}
}

func (t *texter) repairs() {
	if len(t.r.Repairs) == 0 {
		return
	}
	t.heading("Repairs")
	for _, rep := range t.r.Repairs {
		t.para(0, t.when(rep.At)+"  ", clean(rep.What), plain)
		add := func(label, text string) {
			if text != "" {
				t.para(4, label+": ", clean(text), plain)
			}
		}
		add("for", strings.Join(rep.Targets, ", "))
		switch {
		case rep.Score.Low == nil || rep.Score.High == nil:
			add("score", "none: it names no fault that it was meant to cure")
		case rep.Score.Low.Equal(*rep.Score.High):
			add("score", fmt.Sprintf("%s of its targets", rep.Score.Low.Round(2)))
		default:
			add("score", fmt.Sprintf("%s to %s of its targets", rep.Score.Low.Round(2), rep.Score.High.Round(2)))
		}
		add("by", rep.By)
		for _, p := range rep.Parts {
			add("part", p)
		}
		add("new since, in units it touched", strings.Join(rep.NewFaults, ", "))
	}
}

func (t *texter) lamps() {
	if len(t.r.Lamps) == 0 {
		return
	}
	t.heading("Warning lamps (seen, never a proof)")
	var list []row
	for _, l := range t.r.Lamps {
		r := row{cells: []string{clean(l.Name), clean(l.Before), clean(l.After)}}
		if l.Note != "" {
			r.below = []note{{text: clean(l.Note)}}
		}
		list = append(list, r)
	}
	t.rows([]string{"lamp", "before", "after"}, 1, list)
}

func (t *texter) measurements() {
	if len(t.r.Measurements) == 0 {
		return
	}
	t.heading("Measurements")
	var list []row
	for _, m := range t.r.Measurements {
		limits := []string{}
		if m.Low != nil {
			limits = append(limits, "at least "+m.Low.String())
		}
		if m.High != nil {
			limits = append(limits, "at most "+m.High.String())
		}
		if m.Source != "" {
			limits = append(limits, "by "+m.Source)
		}
		list = append(list, row{cells: []string{clean(m.Name), m.Value.String(), clean(strings.Join(limits, ", ")), m.Within}})
	}
	t.rows([]string{"what", "value", "limits", "result"}, 1, list)
}

func (t *texter) signOffs() {
	if len(t.r.Job.SignedOff) == 0 {
		return
	}
	t.heading("Signed off at closing")
	for _, s := range t.r.Job.SignedOff {
		t.para(0, "- ", clean(fmt.Sprintf("%s/%s, %s, by %s: %s", s.Unit, s.Code, s.Verdict, s.By, s.Words)), plain)
	}
}

func (t *texter) steps() {
	if len(t.r.Steps) == 0 {
		return
	}
	t.heading("What happened (times in " + t.zone.String() + ")")
	var list []row
	for _, s := range t.r.Steps {
		odo := ""
		if !s.Odometer.IsZero() {
			odo = s.Odometer.String()
		}
		list = append(list, row{cells: []string{t.when(s.At), s.Kind, odo, s.Event.Short(), clean(s.Text)}})
	}
	t.rows([]string{"when", "what", "odometer", "event", ""}, 2, list)
}

// legend explains the words that occur.
func (t *texter) legend() {
	used := map[verify.Verdict]bool{}
	grades := map[verify.Grade]bool{}
	for _, f := range t.r.Faults {
		used[f.Verdict], grades[f.Grade] = true, true
		if f.AtClose != nil {
			used[f.AtClose.Verdict], grades[f.AtClose.Grade] = true, true
		}
	}
	if len(used) == 0 {
		return
	}
	t.heading("The words")
	for _, v := range verify.Verdicts() {
		if used[v] {
			t.para(0, fmt.Sprintf("%s (%s): ", v, v.Group()), v.Means(), plain)
		}
	}
	for _, g := range verify.Grades() {
		if grades[g] {
			t.para(0, fmt.Sprintf("%s: ", g), gradeMeans(g), plain)
		}
	}
	t.para(0, "score: ", "the share of its targets that a repair cured, to two places: the low number counts what is proven, the high one adds what is open", plain)
}

func gradeMeans(g verify.Grade) string {
	switch g {
	case verify.Answered:
		return "the unit that had been silent answers"
	case verify.Tested:
		return "the unit's own test for the code ran since the work and passed"
	case verify.Monitored:
		return "the readiness monitor that may cover the code ran to its end since the erase"
	case verify.Driven:
		return "driven far enough since the erase, and the code did not come: the weakest grade"
	}
	return ""
}

func (t *texter) numbers() {
	t.heading("The numbers that judgement used (rules version " + t.r.Rules + ")")
	for _, p := range t.r.Policy {
		t.para(0, p.Name+": ", clean(p.Value), plain)
	}
}

func (t *texter) limits() {
	t.heading("What this sheet does not say")
	t.para(0, "", "It is about what was read from the control units, and about nothing else: it is no certificate of roadworthiness or safety. "+
		"A code that is not listed is no proof that its fault is gone. Work on restraint systems, high voltage, brakes, steering and fuel "+
		"follows the maker's procedure and local rules, by people licensed for it.", plain)
}
