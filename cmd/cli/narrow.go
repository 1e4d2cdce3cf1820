package cli

import (
	"strings"

	"github.com/mattn/go-runewidth"

	"mendbook/cmd/sheet"
)

// fit gives a line in lines that fit the terminal, the later ones indented. What
// goes into a pipe stays one line, since programs read it by the line.
func (a *app) fit(line string, indent int) []string {
	if !a.env.OutTTY || a.env.Width <= 0 || runewidth.StringWidth(line) <= a.env.Width {
		return []string{line}
	}
	lead := line[:len(line)-len(strings.TrimLeft(line, " "))]
	later := strings.Repeat(" ", max(indent, len(lead)))
	out := sheet.Wrap(strings.TrimSpace(line), max(a.env.Width-len(later), 10))
	for i := range out {
		if i == 0 {
			out[i] = lead + out[i]
		} else {
			out[i] = later + out[i]
		}
	}
	return out
}

// list writes rows as a table where that fits the terminal, else each row in
// lines of its own. A command, in the last column, is never broken: it is copied.
func (a *app) list(rows [][]string, command bool) {
	widths := map[int]int{}
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], runewidth.StringWidth(cell))
		}
	}
	whole := 0
	for _, w := range widths {
		whole += w + 2
	}
	if !a.env.OutTTY || a.env.Width <= 0 || whole-2 <= a.env.Width {
		a.table(rows)
		return
	}
	for _, row := range rows {
		last := len(row) - 1
		for _, line := range a.fit(strings.TrimRight(strings.Join(row[:last], "  "), " "), 4) {
			a.say("%s", line)
		}
		if command {
			a.say("    %s", row[last])
			continue
		}
		for _, line := range a.fit("    "+row[last], 4) {
			a.say("%s", line)
		}
	}
}
