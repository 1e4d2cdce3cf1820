package notes

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"mendbook/events"
	"mendbook/events/fault"
)

const templateHead = `# What the control units answer now. Save and close to record it; a note left
# as it is records nothing.
# Below each unit write one code a line, like:  P0302 present
# or:  no codes      Or put silent, refused or skipped after the unit's name.
# A line that begins with # is a remark. Delete units that were not asked.
# All of it is explained by: mendbook help notes
`

// Template is the text to begin a note with: the units of the last scan with how
// they were asked, and what they listed as comments. It says of no unit what it
// answers, so Parse refuses it until a person has written that. last may be nil.
func Template(last *events.ScanTaken) []byte {
	var b bytes.Buffer
	b.WriteString(templateHead + "\n")
	if last == nil || last.Odometer.IsZero() {
		b.WriteString("# odometer 214880 km\n")
	} else {
		fmt.Fprintf(&b, "# odometer %s    (last time)\n", last.Odometer)
	}
	if last == nil || len(last.Units) == 0 {
		b.WriteString("# unit engine\n#   P0302 present\n")
		return b.Bytes()
	}
	for i := range last.Units {
		u := &last.Units[i]
		head := events.UnitReading{Unit: u.Unit, Address: u.Address, Reach: events.Answered}
		fmt.Fprintf(&b, "\nunit %s\n", unitText(&head))
		if u.Service != "" {
			fmt.Fprintf(&b, "  service %s\n", u.Service)
		}
		if u.Mask != nil {
			fmt.Fprintf(&b, "  mask %s\n", u.Mask)
		}
		// A typed list needs no views line, and without one a code that says
		// pending or permanent widens what counts as read.
		typed := u.Service == "" && u.Mask == nil && slices.Equal(u.Views, []fault.View{fault.ViewStored})
		if len(u.Views) > 0 && !typed {
			fmt.Fprintf(&b, "  views %s\n", viewsText(u.Views))
		}
		if u.Reach != events.Answered {
			fmt.Fprintf(&b, "  # last time: %s\n", strings.TrimSpace(string(u.Reach)+" "+u.Refusal))
		} else if len(u.Codes) == 0 {
			b.WriteString("  # last time: no codes\n")
		}
		for _, c := range u.Codes {
			fmt.Fprintf(&b, "  # last time: %s\n", codeLineText(c, false))
		}
	}
	return b.Bytes()
}
