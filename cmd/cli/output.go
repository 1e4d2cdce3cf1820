package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/mattn/go-runewidth"

	"mendbook/events"
)

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// emit writes the JSON form of a result.
func (a *app) emit(v any) error { return writeJSON(a.env.Out, v) }

// say writes a line of a result to the standard output.
func (a *app) say(format string, args ...any) { fmt.Fprintf(a.env.Out, format+"\n", args...) }

// tell writes a notice to the standard error output. With --json it is left out
// where it only repeats what the JSON says; use warn for what must be seen.
func (a *app) tell(format string, args ...any) {
	if !a.json {
		fmt.Fprintf(a.env.Err, format+"\n", args...)
	}
}

// warn writes a warning to the standard error output, always.
func (a *app) warn(format string, args ...any) {
	fmt.Fprintf(a.env.Err, "note: "+format+"\n", args...)
}

// next names the command to go on with: the words after "mendbook ".
func (a *app) next(format string, args ...any) {
	a.tell("next: %s", a.commandLine(fmt.Sprintf(format, args...)))
}

// commandLine is a command that runs in this book: the words after "mendbook ".
func (a *app) commandLine(words string) string {
	if a.book != "" {
		return a.env.program() + " --book " + quote(a.book) + " " + words
	}
	return a.env.program() + " " + words
}

// quote writes a word so that a shell reads it as one.
func quote(word string) string {
	if word != "" && strings.IndexFunc(word, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./:=+,@", r) || r > 127)
	}) < 0 {
		return word
	}
	if !strings.ContainsAny(word, "\"$`\\!") {
		return `"` + word + `"`
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// width is the columns to write in.
func (a *app) width() int {
	if a.env.Width > 0 {
		return a.env.Width
	}
	return 100
}

// colour reports whether the standard output may have colour. What colour tells
// must stand there in words too.
func (a *app) colour() bool {
	return a.env.OutTTY && !a.noColor && a.env.Getenv("NO_COLOR") == "" && a.env.Getenv("TERM") != "dumb"
}

// table writes rows in columns, two spaces apart; the last column runs free.
func (a *app) table(rows [][]string) {
	var widths []int
	for _, row := range rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], runewidth.StringWidth(cell))
		}
	}
	for _, row := range rows {
		var b strings.Builder
		for i, cell := range row {
			b.WriteString(cell)
			if i < len(row)-1 {
				b.WriteString(strings.Repeat(" ", widths[i]-runewidth.StringWidth(cell)+2))
			}
		}
		fmt.Fprintln(a.env.Out, strings.TrimRight(b.String(), " "))
	}
}

// empty explains an empty list to a person, and says nothing into a pipe.
func (a *app) empty(format string, args ...any) {
	if a.env.OutTTY {
		a.say(format, args...)
	}
}

// when shows a moment in the workshop's time zone, to the minute.
func when(t events.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.Std().In(zone).Format("2006-01-02 15:04")
}

// plural gives "1 job", "2 jobs".
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// nearest gives the words that are at most two slips away from s, and half its
// length, closest first and each once.
func nearest(s string, words []string, most int) []string {
	s = events.Fold(s)
	var out []string
	for limit := 0; limit <= 2; limit++ {
		for _, w := range words {
			folded := events.Fold(w)
			d := slips(s, folded)
			if strings.HasPrefix(folded, s) && s != "" {
				d = min(d, 1)
			}
			again := slices.ContainsFunc(out, func(o string) bool { return events.Fold(o) == folded })
			if d == limit && 2*d <= max(len([]rune(s)), 2) && !again && len(out) < most {
				out = append(out, w)
			}
		}
	}
	return out
}

// slips is the Levenshtein distance in characters.
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		last := row[0]
		row[0] = i + 1
		for j := range y {
			change := last
			if x[i] != y[j] {
				change++
			}
			last = row[j+1]
			row[j+1] = min(change, last+1, row[j]+1)
		}
	}
	return row[len(y)]
}
