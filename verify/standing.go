package verify

import (
	"sort"

	"mendbook/events"
)

// Standing is the events that count: each id once, and without those that a
// standing void takes back. A void may only name an event with an earlier id,
// so the answer does not depend on the order of arrival.
func Standing(evs []events.Event) []events.Event {
	out, _ := fold(evs)
	return out
}

// VoidedBy tells for each event taken back which void did it.
func VoidedBy(evs []events.Event) map[events.ID]events.ID {
	_, by := fold(evs)
	return by
}

func fold(evs []events.Event) ([]events.Event, map[events.ID]events.ID) {
	once := map[events.ID]events.Event{}
	for _, e := range evs {
		if have, ok := once[e.ID]; !ok || e.Feed < have.Feed {
			once[e.ID] = e
		}
	}
	ids := make([]events.ID, 0, len(once))
	for id := range once {
		ids = append(ids, id)
	}
	sort.Slice(ids, func(i, j int) bool { return ids[i].Compare(ids[j]) < 0 })
	by := map[events.ID]events.ID{}
	for i := len(ids) - 1; i >= 0; i-- {
		void, ok := once[ids[i]].Body.(*events.EventVoided)
		if !ok {
			continue
		}
		_, taken := by[ids[i]]
		if !taken && void.Event.Compare(ids[i]) < 0 {
			if _, already := by[void.Event]; !already {
				by[void.Event] = ids[i]
			}
		}
	}
	out := make([]events.Event, 0, len(ids))
	for _, id := range ids {
		if _, taken := by[id]; !taken {
			out = append(out, once[id])
		}
	}
	return out, by
}
