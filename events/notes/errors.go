package notes

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Error is one thing wrong with a note.
type Error struct {
	// Line counts from 1; 0 where the text did not come in lines, as from flags.
	Line int
	// Column counts Unicode characters from 1; 0 with Line 0.
	Column int
	// Text says what is wrong; Hint, which may be empty, what to write instead.
	Text, Hint string
}

// Error gives "line 3, column 9: text; hint".
func (e Error) Error() string {
	text := e.Text
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	if e.Line == 0 {
		return text
	}
	return fmt.Sprintf("line %d, column %d: %s", e.Line, e.Column, text)
}

// Errors is everything wrong with a note, in the order of its lines.
type Errors []Error

// Error gives one line of text for each.
func (e Errors) Error() string {
	parts := make([]string, len(e))
	for i, one := range e {
		parts[i] = one.Error()
	}
	return strings.Join(parts, "\n")
}

func (e Errors) sort() {
	slices.SortStableFunc(e, func(a, b Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// place is where something stands in the text.
type place struct{ line, column int }

// fail makes an error without its line, which the caller of a line's reader adds.
func fail(t token, hint, format string, args ...any) *Error {
	return &Error{Column: t.column, Text: fmt.Sprintf(format, args...), Hint: hint}
}

// nearest gives the word that s was probably meant to be: the closest one that is
// at most two slips away and shares most of its letters.
func nearest(s string, words []string) (string, bool) {
	s = strings.ToLower(s)
	if len(s) < 3 || len(s) > 32 {
		return "", false
	}
	best, most := "", 3
	for _, w := range words {
		if d := slips(s, w); d < most && d*3 <= max(len(w), len(s)) {
			best, most = w, d
		}
	}
	return best, best != ""
}

// didYouMean is a hint, empty where no word is near.
func didYouMean(s string, words []string) string {
	if w, ok := nearest(s, words); ok {
		return fmt.Sprintf("did you mean %q", w)
	}
	return ""
}

// slips counts the letters added, left out, replaced or swapped with their
// neighbour between a and b (the optimal string alignment distance).
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	rows := make([][]int, len(x)+1)
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
		rows[i][0] = i
	}
	for j := range y {
		rows[0][j+1] = j + 1
	}
	for i := 1; i <= len(x); i++ {
		for j := 1; j <= len(y); j++ {
			change := 1
			if x[i-1] == y[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(x)][len(y)]
}
