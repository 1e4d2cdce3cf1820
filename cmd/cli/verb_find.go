package cli

import (
	"context"
	"errors"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"mendbook/events"
	"mendbook/ledger"
	"mendbook/verify"
)

// mostHits is how many hits find shows.
const mostHits = 200

func newFindCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "find TEXT",
		Short: "Find a code, part, work, unit, card, label or VIN anywhere in the book",
		Long: `Finds what begins with the text: trouble codes, parts by name, number, serial or
batch, work done by any word of the component, job cards, labels, VINs, units and
claims of all vehicles. An event is found by its id or the ending of it. Capitals do
not matter.`,
		Example: `  mendbook find P0302
  mendbook find coil`,
		Args:              takes(1, 1, "a text; put one of several words in quotation marks"),
		ValidArgsFunction: a.completes(),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.read(cmd, func(ctx context.Context, r reader) error { return a.find(ctx, r, args[0]) })
		},
	}
}

// found is the JSON form of find.
type found struct {
	Schema string     `json:"schema"`
	Text   string     `json:"text"`
	Hits   []foundHit `json:"hits"`
	// More is true where there are more hits than are listed.
	More bool `json:"more,omitempty"`
}

type foundHit struct {
	// Kind of the word: label, vin, card, code, unit, work, part, serial, batch,
	// claim, or event for the id of an event.
	Kind string `json:"kind"`
	Word string `json:"word"`
	// Recorded is the word in the capitals it was recorded in; of work the whole.
	Recorded string      `json:"recorded"`
	Event    events.ID   `json:"event"`
	Type     string      `json:"type"`
	Happened events.Time `json:"happened"`
	Vehicle  events.ID   `json:"vehicle,omitzero"`
	Label    string      `json:"label,omitempty"`
	Voided   bool        `json:"voided,omitempty"`
	// Command is what to type to go on, after "mendbook ".
	Command string `json:"command"`
}

func (a *app) find(ctx context.Context, r reader, text string) error {
	word := events.Fold(text)
	if word == "" {
		return a.usage("find: the text is empty")
	}
	hits, err := r.Search(ctx, word, mostHits+1)
	if err != nil {
		return err
	}
	out := found{Schema: "mendbook.find/1", Text: text, Hits: []foundHit{}}
	if out.More = len(hits) > mostHits; out.More {
		hits = hits[:mostHits]
	}
	if len(word) >= minEnding {
		ids, err := r.Match(ctx, word)
		if err != nil {
			return err
		}
		for _, id := range ids {
			e, err := r.Event(ctx, id)
			if err != nil {
				return err
			}
			hits = append(hits, ledger.Hit{Kind: "event", Word: id.String(), Event: id, Subject: e.Subject})
		}
	}
	all, err := a.vehicles(ctx, r)
	if err != nil {
		return err
	}
	jobs, err := a.allJobs(ctx, r, all)
	if err != nil {
		return err
	}
	p, _, err := a.policy(ctx, r)
	if err != nil {
		return err
	}
	voids, err := collect(r.OfType(ctx, "event.voided.v1"))
	if err != nil {
		return err
	}
	voided := verify.VoidedBy(voids)
	owner := map[events.ID]vehicleRef{}
	for _, v := range all {
		for _, id := range v.Set {
			owner[id] = v
		}
	}
	type place struct {
		kind, recorded string
		event          events.ID
	}
	listed := map[place]bool{}
	for _, h := range hits {
		e, err := r.Event(ctx, h.Event)
		if errors.Is(err, ledger.ErrNotFound) {
			continue // another process works on the book
		}
		if err != nil {
			return err
		}
		recorded := events.Recorded(e.Body, events.Key{Kind: h.Kind, Word: h.Word})
		if recorded == "" {
			recorded = h.Word
		}
		if at := (place{h.Kind, recorded, h.Event}); listed[at] {
			continue // found by two words of the same work
		} else {
			listed[at] = true
		}
		_, taken := voided[h.Event]
		one := foundHit{Kind: h.Kind, Word: h.Word, Recorded: recorded, Event: h.Event, Type: e.Type, Happened: e.Happened(), Voided: taken, Command: "check"}
		if v, ok := owner[h.Subject]; ok {
			one.Vehicle, one.Label = v.ID, v.Label
			one.Command = hitCommand(h, e, v, ofVehicle(jobs, v))
		}
		out.Hits = append(out.Hits, one)
	}
	sort.SliceStable(out.Hits, func(i, j int) bool {
		x, y := out.Hits[i], out.Hits[j]
		if x.Kind != y.Kind {
			return x.Kind < y.Kind
		}
		if x.Recorded != y.Recorded {
			return x.Recorded < y.Recorded
		}
		return x.Happened.Std().Before(y.Happened.Std())
	})
	if a.json {
		return a.emit(out)
	}
	if len(out.Hits) == 0 {
		a.empty("nothing in the book begins with %q", text)
		return nil
	}
	var rows [][]string
	for i, h := range out.Hits {
		if i == 0 || h.Kind != out.Hits[i-1].Kind || h.Recorded != out.Hits[i-1].Recorded {
			if i > 0 {
				a.list(rows, true)
			}
			rows = nil
			for _, line := range a.fit(h.Kind+" "+h.Recorded, 0) {
				a.say("%s", line)
			}
		}
		typ := kindName(h.Type)
		if h.Voided {
			typ = "(voided) " + typ
		}
		rows = append(rows, []string{"  " + when(h.Happened, zone(p)), h.Event.Short(), h.Label, typ, a.commandLine(h.Command)})
	}
	a.list(rows, true)
	if out.More {
		a.warn("there are more than %d; give more of the text", mostHits)
	}
	return nil
}

// hitCommand is the command that shows a hit in its place.
func hitCommand(h ledger.Hit, e events.Event, v vehicleRef, jobs []jobRef) string {
	if h.Kind == "label" || h.Kind == "vin" {
		return "vehicle show " + v.name()
	}
	for i := len(jobs) - 1; i >= 0; i-- {
		if j := jobs[i]; !e.Happened().Std().Before(j.Opened.Happened().Std()) {
			name := j.name()
			if strings.HasPrefix(name, "-") {
				name = j.ID.Short()
			}
			return "verify " + name
		}
	}
	return "history " + v.name()
}
